package store

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
)

// forge makes bundles of objects that no honest writer would write.
type forge struct{ objs []objects.Object }

func (f *forge) add(kind plumbing.ObjectType, data string) plumbing.Hash {
	o := objects.New(kind, []byte(data))
	for _, have := range f.objs {
		if have.ID == o.ID {
			return o.ID
		}
	}
	f.objs = append(f.objs, o)
	return o.ID
}

func (f *forge) blob(s string) plumbing.Hash { return f.add(plumbing.BlobObject, s) }

func (f *forge) tree(es ...tree.Entry) plumbing.Hash {
	return f.add(plumbing.TreeObject, string(tree.Format(es)))
}

func (f *forge) file(name string) tree.Entry {
	return tree.Entry{Mode: tree.ModeFile, Name: []byte(name), ID: f.blob("v = 1\n")}
}

func dirEntry(name string, id plumbing.Hash) tree.Entry {
	return tree.Entry{Mode: tree.ModeDir, Name: []byte(name), ID: id}
}

const stamp = "A-cam operator <a-cam@example.org> 1700000000 +0000"

func (f *forge) commit(root plumbing.Hash, more string) plumbing.Hash {
	return f.add(plumbing.CommitObject, fmt.Sprintf("tree %s\n%sauthor %s\ncommitter %s\n\nwhy\n", root, more, stamp, stamp))
}

func (f *forge) bundle(tip plumbing.Hash) []byte {
	w, err := objects.WritePack(f.objs)
	if err != nil {
		panic(err)
	}
	return (&Bundle{Tip: rev(tip), whole: w}).Encode()
}

func simple(f *forge) plumbing.Hash { return f.tree(f.file("library.toml")) }

// TestHostileBundles: each is refused as damaged, for the right reason.
func TestHostileBundles(t *testing.T) {
	of := func(make func(f *forge) plumbing.Hash) []byte {
		f := &forge{}
		return f.bundle(make(f))
	}
	good := of(func(f *forge) plumbing.Hash { return f.commit(simple(f), "") })
	if _, err := ReadBundle(good, DefaultBundleLimits, nil); err != nil {
		t.Fatal(err)
	}
	tip := string(good[len(bundleHead) : len(bundleHead)+40])
	header := func(old, new string) []byte { return bytes.Replace(good, []byte(old), []byte(new), 1) }
	treed := func(es func(f *forge) []tree.Entry) []byte {
		return of(func(f *forge) plumbing.Hash { return f.commit(f.tree(es(f)...), "") })
	}
	named := func(name string) []byte {
		return treed(func(f *forge) []tree.Entry { return []tree.Entry{f.file(name)} })
	}
	text := func(s string) []byte {
		return of(func(f *forge) plumbing.Hash {
			return f.add(plumbing.CommitObject, strings.ReplaceAll(s, "TREE", "tree "+simple(f).String()))
		})
	}
	small := DefaultBundleLimits
	small.Files, small.Revision = 20, 20
	for _, c := range []struct {
		name, want string
		data       []byte
	}{
		{"empty", "does not begin", nil},
		{"version 3", "does not begin", header("# v2", "# v3")},
		{"a capability", "other refs", header("# v2 git bundle\n", "# v2 git bundle\n@object-format=sha256\n")},
		{"no refs", "other refs", append([]byte(bundleHead+"\n"), good[len(bundleHead)+100:]...)},
		{"a base that is missing", "builds on a revision", header("# v2 git bundle\n", "# v2 git bundle\n-"+strings.Repeat("1", 40)+" base\n")},
		{"a ref with control characters", "other refs", header("refs/heads/main", "refs/heads/m\x1b]0;x\x07n")},
		{"a ref with a path in it", "other refs", header("refs/heads/main", "refs/heads/../../x")},
		{"one ref more", "other refs", header("\n\n", "\n"+tip+" refs/tags/v1\n\n")},
		{"refs that disagree", "different revisions", header(tip+" refs", strings.Repeat("2", 40)+" refs")},
		{"a header without end", "no end", append([]byte(bundleHead), bytes.Repeat([]byte("0123456789"), 1000)...)},
		{"a tip that is not there", "missing", bytes.ReplaceAll(good, []byte(tip), bytes.Repeat([]byte("3"), 40))},
		{"a tip that is a tree", "missing", of(simple)},
		{"a parent that is not there", "missing", of(func(f *forge) plumbing.Hash { return f.commit(simple(f), "parent "+strings.Repeat("4", 40)+"\n") })},
		{"a parent twice", "parent twice", of(func(f *forge) plumbing.Hash {
			p := "parent " + f.commit(simple(f), "").String() + "\n"
			return f.commit(simple(f), p+p)
		})},
		{"an object that nothing needs", "nothing in it needs", of(func(f *forge) plumbing.Hash { f.blob("junk"); return f.commit(simple(f), "") })},
		{"a tree that is not there", "missing", of(func(f *forge) plumbing.Hash { return f.commit(plumbing.NewHash(strings.Repeat("5", 40)), "") })},
		{"contents that are not there", "missing", treed(func(f *forge) []tree.Entry {
			return []tree.Entry{{Mode: tree.ModeFile, Name: []byte("a"), ID: plumbing.NewHash(strings.Repeat("6", 40))}}
		})},
		{"a folder that is a file", "missing", treed(func(f *forge) []tree.Entry { return []tree.Entry{dirEntry("a", f.blob("x"))} })},
		{"an empty folder", "empty", treed(func(f *forge) []tree.Entry { return []tree.Entry{dirEntry("a", f.tree())} })},
		{"a symbolic link", "ordinary files", treed(func(f *forge) []tree.Entry {
			return []tree.Entry{{Mode: tree.ModeLink, Name: []byte("a"), ID: f.blob("/etc/passwd")}}
		})},
		{"a program", "ordinary files", treed(func(f *forge) []tree.Entry {
			return []tree.Entry{{Mode: tree.ModeExec, Name: []byte("a"), ID: f.blob("#!/bin/sh\n")}}
		})},
		{"another repository", "ordinary files", treed(func(f *forge) []tree.Entry {
			return []tree.Entry{{Mode: tree.ModeSub, Name: []byte("a"), ID: f.blob("x")}}
		})},
		{"a mode that git does not write", "ordinary files", treed(func(f *forge) []tree.Entry {
			return []tree.Entry{{Mode: 0o100664, Name: []byte("a"), ID: f.blob("x")}}
		})},
		{"a mode with a zero before it", "not written as git", of(func(f *forge) plumbing.Hash {
			id := f.blob("x")
			return f.commit(f.add(plumbing.TreeObject, "0100644 a\x00"+string(id[:])), "")
		})},
		{"a tree cut short", "broken entry", of(func(f *forge) plumbing.Hash { return f.commit(f.add(plumbing.TreeObject, "100644 a\x00xyz"), "") })},
		{"wrong order", "git's order", treed(func(f *forge) []tree.Entry { return []tree.Entry{f.file("b"), f.file("a")} })},
		{"a name twice", "twice", treed(func(f *forge) []tree.Entry { return []tree.Entry{f.file("a"), f.file("a")} })},
		{"names that differ in capitals", "but for capitals", treed(func(f *forge) []tree.Entry { return []tree.Entry{f.file("A"), f.file("a")} })},
		{"..", "dotted", named("..")},
		{".git", "git's own folder", named(".git")},
		{".GIT", "git's own folder", named(".GIT")},
		{"git~1", "git's own folder", named("git~1")},
		{".git with a joiner that some systems ignore", "control character", named(".g\u200cit")},
		{"a slash", "slash", named("a/b")},
		{"an absolute path", "slash", named("/etc/passwd")},
		{"a backslash", "Windows", named(`..\..\x`)},
		{"a drive", "Windows", named("C:x")},
		{"a device of Windows", "device", named("nul.toml")},
		{"a control character", "control character", named("a\x1b[2Jb")},
		{"a name reversed", "control character", named("a\u202etoml.x")},
		{"not UTF-8", "UTF-8", named("a\xffb")},
		{"too deep", "too deep", of(func(f *forge) plumbing.Hash {
			at := f.tree(f.file("a"))
			for range 12 {
				at = f.tree(dirEntry("d", at))
			}
			return f.commit(at, "")
		})},
		{"folders nested to a thousand million files", "more than 20 files", of(func(f *forge) plumbing.Hash {
			at := f.tree(f.file("a"))
			for range 5 {
				var es []tree.Entry
				for i := range 60 {
					es = append(es, dirEntry(fmt.Sprintf("d%02d", i), at))
				}
				at = f.tree(es...)
			}
			return f.commit(at, "")
		})},
		{"more revisions than limits allow", "more than 20 revisions", of(func(f *forge) plumbing.Hash {
			at := f.commit(simple(f), "")
			for range 25 {
				at = f.commit(simple(f), "parent "+at.String()+"\n")
			}
			return at
		})},
		{"no author", "author", text("TREE\ncommitter " + stamp + "\n\nx\n")},
		{"a time beyond the calendar", "author", text("TREE\nauthor A <a> 999999999999 +0000\ncommitter " + stamp + "\n\nx\n")},
		{"a zone that no clock has", "author", text("TREE\nauthor A <a> 1 +9900\ncommitter " + stamp + "\n\nx\n")},
		{"a header more", "header", text("TREE\nauthor " + stamp + "\ncommitter " + stamp + "\ngpgsig x\n\nx\n")},
		{"an escape in a name", "control characters", text("TREE\nauthor A\x1b[2J <a> 1 +0000\ncommitter " + stamp + "\n\nx\n")},
		{"an escape in a message", "control characters", text("TREE\nauthor " + stamp + "\ncommitter " + stamp + "\n\nx\x1b]8;;http://x\x07\n")},
		{"a message reversed", "control characters", text("TREE\nauthor " + stamp + "\ncommitter " + stamp + "\n\n\u202ex\n")},
		{"a message that is not UTF-8", "UTF-8", text("TREE\nauthor " + stamp + "\ncommitter " + stamp + "\n\n\xff\n")},
		{"no message", "no message", text("TREE\nauthor " + stamp + "\ncommitter " + stamp + "\n\n \n")},
		{"something behind the pack", "check sum", append(bytes.Clone(good), "x"...)},
	} {
		_, err := ReadBundle(c.data, small, nil)
		if err == nil {
			t.Errorf("%s: was read", c.name)
		} else if !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %q", c.name, err, c.want)
		}
	}
	for n := range good {
		if _, err := ReadBundle(good[:n], small, nil); err == nil {
			t.Fatalf("read after %d of %d bytes", n, len(good))
		}
	}
	for i := range good {
		bad := bytes.Clone(good)
		bad[i] ^= 4
		if _, err := ReadBundle(bad, small, nil); err == nil {
			t.Fatalf("read with a bit flipped in byte %d", i)
		}
	}
	if _, err := ReadBundle(good, small, func(path string) error { return fmt.Errorf("not %s", path) }); err == nil || !strings.Contains(err.Error(), "not library.toml") {
		t.Errorf("a path that is not allowed: %v", err)
	}
}

// FuzzReadBundle: the header and what it leads to. Whatever is read is written again as the same bytes.
func FuzzReadBundle(f *testing.F) {
	g := &forge{}
	good := g.bundle(g.commit(simple(g), ""))
	f.Add(good)
	f.Add(good[:60])
	f.Add([]byte(bundleHead + "-" + strings.Repeat("1", 40) + "\n\nPACK"))
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := ReadBundle(data, DefaultBundleLimits, nil)
		if err != nil {
			if !errors.Is(err, ErrDamaged) {
				t.Fatalf("not ErrDamaged: %v", err)
			}
			return
		}
		if !bytes.Equal(b.Encode(), data) {
			t.Fatal("read, and written as other bytes")
		}
	})
}
