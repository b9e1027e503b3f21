// Package gitdir finds a repository and reads and moves what is not an object: HEAD, refs
// (loose and packed), reflogs, configuration and the signs of an unfinished merge or rebase.
package gitdir

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/format/config"

	"rigkeep/repo/internal/disk"
)

// Dir is one repository with a work tree.
type Dir struct {
	FS     disk.FS
	Work   string // root of the work tree
	Git    string // HEAD and index live here
	Common string // objects, refs and configuration live here; differs from Git in a linked worktree
	Config *config.Config
	// Sharing is what core.sharedRepository asks for; FS does so.
	Sharing disk.Sharing
}

// ErrNone means that no repository was found.
var ErrNone = errors.New("no git repository here or above")

// UnsupportedError names something in the repository's configuration that this program does
// not know how to keep intact.
type UnsupportedError struct{ What, Hint string }

func (e *UnsupportedError) Error() string { return e.What }

// Find looks for a repository from start upwards, as git does.
func Find(f disk.FS, start string) (*Dir, error) {
	start, err := filepath.Abs(start)
	if err != nil {
		return nil, err
	}
	for dir := start; ; {
		d, err := at(f, dir)
		if err == nil && d.sparse() {
			return nil, &UnsupportedError{"only a part of its files is checked out (a sparse checkout), and the rest would look as if it had been deleted",
				"run `git sparse-checkout disable`"}
		}
		if err == nil || !errors.Is(err, ErrNone) {
			return d, err
		}
		parent := filepath.Dir(dir)
		if parent == dir {
			break
		}
		dir = parent
	}
	if d, err := Shared(f, start); err == nil && d.Bare() {
		return nil, errBare()
	}
	return nil, ErrNone
}

func errBare() error {
	return &UnsupportedError{"it is a bare repository, without files to read and edit", "clone it with `git clone` and work in the clone"}
}

// sparse says that git was told to leave files out of the work tree.
func (d *Dir) sparse() bool {
	c := d.Config
	if on(option(c, "extensions", "worktreeconfig")) {
		if raw, err := d.FS.ReadFile(filepath.Join(d.Git, "config.worktree")); err == nil {
			if own, err := parseConfig(raw); err == nil && option(own, "core", "sparsecheckout") != "" {
				c = own
			}
		}
	}
	return on(option(c, "core", "sparsecheckout"))
}

// on reads a yes or no as git does.
func on(v string) bool {
	switch strings.ToLower(v) {
	case "true", "yes", "on", "1":
		return true
	}
	return false
}

// Partial says that objects were left with the remote when this repository was cloned.
func (d *Dir) Partial() bool {
	for _, name := range d.Subsections("remote") {
		if on(d.Setting("remote", name, "promisor")) {
			return true
		}
	}
	return option(d.Config, "extensions", "partialclone") != ""
}

func at(f disk.FS, work string) (*Dir, error) {
	git := filepath.Join(work, ".git")
	st, err := f.Stat(git)
	if err != nil {
		if errors.Is(err, fs.ErrPermission) {
			return nil, err
		}
		return nil, ErrNone
	}
	if !st.IsDir() {
		data, err := f.ReadFile(git)
		if err != nil {
			return nil, err
		}
		to, ok := strings.CutPrefix(strings.TrimSpace(string(data)), "gitdir:")
		if !ok {
			return nil, ErrNone
		}
		git = strings.TrimSpace(to)
		if !filepath.IsAbs(git) {
			git = filepath.Join(work, git)
		}
	}
	d, err := open(f, work, git)
	if err != nil {
		return nil, err
	}
	if d.Git == d.Common && on(option(d.Config, "core", "bare")) { // a worktree of a bare repository is not bare
		return nil, errBare()
	}
	return d, nil
}

// Shared finds the repository in dir itself (or dir.git), to exchange revisions with: a bare
// one, whose Work is "", or one with a work tree.
func Shared(f disk.FS, dir string) (*Dir, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	for _, name := range []string{dir, dir + ".git"} {
		d, err := at(f, name)
		if !errors.Is(err, ErrNone) {
			return d, err
		}
		if _, err := f.Stat(filepath.Join(name, "objects")); err != nil {
			continue
		}
		d, err = open(f, "", name)
		if !errors.Is(err, ErrNone) {
			return d, err
		}
	}
	return nil, ErrNone
}

// Bare says that there is no work tree.
func (d *Dir) Bare() bool { return d.Work == "" }

func open(f disk.FS, work, git string) (*Dir, error) {
	if _, err := f.Stat(filepath.Join(git, "HEAD")); err != nil {
		return nil, ErrNone
	}
	d := &Dir{FS: f, Work: work, Git: git, Common: git}
	if data, err := f.ReadFile(filepath.Join(git, "commondir")); err == nil {
		c := strings.TrimSpace(string(data))
		if !filepath.IsAbs(c) {
			c = filepath.Join(git, c)
		}
		d.Common = filepath.Clean(c)
	}
	raw, err := f.ReadFile(filepath.Join(d.Common, "config"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if d.Config, err = parseConfig(raw); err != nil {
		return nil, &UnsupportedError{"unreadable .git/config: " + err.Error(), "repair it by hand; `git config --list` shows where it fails"}
	}
	if err := d.supported(); err != nil {
		return d, err
	}
	if d.Sharing, err = sharing(d.Config); err != nil {
		return nil, &UnsupportedError{err.Error(), "set it to group, all or umask with `git config core.sharedRepository`"}
	}
	d.FS = disk.Share(f, d.Sharing)
	return d, nil
}

// sharing reads core.sharedRepository. A key without a value is yes.
func sharing(c *config.Config) (disk.Sharing, error) {
	o := options(c, "core")
	if !o.Has("sharedRepository") {
		return 0, nil
	}
	return disk.ParseSharing(o.Get("sharedRepository"))
}

func parseConfig(raw []byte) (*config.Config, error) {
	c := config.New()
	err := config.NewDecoder(bytes.NewReader(raw)).Decode(c)
	return c, err
}

// options gives a section's settings without adding the section, as go-git's accessor would:
// several goroutines may read one configuration.
func options(c *config.Config, section string) config.Options {
	var out config.Options
	for _, s := range c.Sections {
		if s.IsName(section) {
			out = append(out, s.Options...)
		}
	}
	return out
}

func option(c *config.Config, section, key string) string { return options(c, section).Get(key) }

// supported refuses what would be misread or damaged.
func (d *Dir) supported() error {
	version, _ := strconv.Atoi(option(d.Config, "core", "repositoryformatversion"))
	if version > 1 {
		return &UnsupportedError{fmt.Sprintf("its repository format is version %d; 0 or 1 is known", version), "use a newer rigkeep"}
	}
	for _, o := range options(d.Config, "extensions") {
		switch key := strings.ToLower(o.Key); key {
		case "objectformat":
			if !strings.EqualFold(o.Value, "sha1") {
				return &UnsupportedError{"it uses the " + o.Value + " object format; only sha1 is supported",
					"make a new library with `rigkeep init` and copy the files over"}
			}
		case "refstorage":
			if !strings.EqualFold(o.Value, "files") {
				return &UnsupportedError{"it keeps its refs as " + o.Value + "; only files are supported",
					"run `git refs migrate --ref-format=files`"}
			}
		case "noop", "noop-v1", "preciousobjects", "partialclone", "worktreeconfig", "relativeworktrees":
		default:
			if version == 1 {
				return &UnsupportedError{"it uses the git extension " + o.Key + ", which this program does not know", "use plain git for it"}
			}
		}
	}
	return nil
}

// Head gives the branch that HEAD names and the commit it is at. A detached HEAD has an empty
// branch; a branch without commits has a zero id.
func (d *Dir) Head() (branch string, id plumbing.Hash, err error) {
	data, err := d.FS.ReadFile(filepath.Join(d.Git, "HEAD"))
	if err != nil {
		return "", id, err
	}
	text := strings.TrimSpace(string(data))
	if name, ok := strings.CutPrefix(text, "ref:"); ok {
		branch = d.Target(strings.TrimSpace(name))
		id, err = d.Ref(branch)
		return branch, id, err
	}
	if !plumbing.IsHash(text) {
		return "", id, fmt.Errorf("%w: HEAD holds %q, not a branch or a commit", ErrDamaged, clip(text))
	}
	return "", plumbing.NewHash(text), nil
}

// ErrDamaged is wrapped by errors about refs whose bytes make no sense.
var ErrDamaged = errors.New("damaged")

func clip(s string) string {
	if len(s) > 60 {
		return s[:60] + "…"
	}
	return s
}

// ValidRef says whether a full name can be that of a ref.
func ValidRef(name string) bool {
	if !strings.HasPrefix(name, "refs/") || strings.HasSuffix(name, ".lock") {
		return false
	}
	for part := range strings.SplitSeq(name, "/") {
		if part == "" || part[0] == '.' || strings.Contains(part, "..") {
			return false
		}
	}
	return !strings.ContainsAny(name, "\\\x00\n :?*[~^")
}

// refDir is where a ref's file lives: a linked worktree shares all but its own HEAD and a few.
func (d *Dir) refDir(name string) string {
	if !strings.HasPrefix(name, "refs/") || strings.HasPrefix(name, "refs/bisect/") ||
		strings.HasPrefix(name, "refs/worktree/") || strings.HasPrefix(name, "refs/rewritten/") {
		return d.Git
	}
	return d.Common
}

// RefPath gives the file of a loose ref.
func (d *Dir) RefPath(name string) string {
	return filepath.Join(d.refDir(name), filepath.FromSlash(name))
}

// Target gives the ref that a name stands for: itself, or what a symbolic ref leads to, as git
// follows it before it moves a branch.
func (d *Dir) Target(name string) string {
	for range 5 {
		if !ValidRef(name) {
			break
		}
		data, err := d.FS.ReadFile(d.RefPath(name))
		to, ok := strings.CutPrefix(strings.TrimSpace(string(data)), "ref:")
		if err != nil || !ok {
			break
		}
		name = strings.TrimSpace(to)
	}
	return name
}

// Ref gives the id a ref is at, or a zero id if it does not exist.
func (d *Dir) Ref(name string) (plumbing.Hash, error) { return d.ref(name, 5) }

func (d *Dir) ref(name string, depth int) (id plumbing.Hash, err error) {
	if !ValidRef(name) || depth == 0 {
		return id, fmt.Errorf("%w: ref name %q", ErrDamaged, clip(name))
	}
	data, err := d.FS.ReadFile(d.RefPath(name))
	if err != nil {
		if id, ok, perr := d.packedRef(name); perr != nil {
			return id, perr
		} else if ok {
			return id, nil
		}
		// A ref may have been packed between the two looks; look once more.
		if data, err = d.FS.ReadFile(d.RefPath(name)); err != nil {
			if errors.Is(err, fs.ErrNotExist) || isDirErr(d.FS, d.RefPath(name)) {
				return plumbing.ZeroHash, nil
			}
			return id, err
		}
	}
	text := strings.TrimSpace(string(data))
	if to, ok := strings.CutPrefix(text, "ref:"); ok {
		return d.ref(strings.TrimSpace(to), depth-1)
	}
	if !plumbing.IsHash(text) {
		return id, fmt.Errorf("%w: %s holds %q, not a commit id", ErrDamaged, name, clip(text))
	}
	return plumbing.NewHash(text), nil
}

func isDirErr(f disk.FS, name string) bool {
	st, err := f.Stat(name)
	return err == nil && st.IsDir() || errors.Is(err, fs.ErrNotExist)
}

func (d *Dir) packedRef(name string) (id plumbing.Hash, ok bool, err error) {
	data, err := d.FS.ReadFile(filepath.Join(d.Common, "packed-refs"))
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return id, false, nil
		}
		return id, false, err
	}
	sc := bufio.NewScanner(bytes.NewReader(data))
	for sc.Scan() {
		line := sc.Text()
		if h, n, cut := strings.Cut(line, " "); cut && n == name && plumbing.IsHash(h) {
			return plumbing.NewHash(h), true, nil
		}
	}
	return id, false, sc.Err()
}

// Refs lists all refs below prefix with their ids.
func (d *Dir) Refs(prefix string) (map[string]plumbing.Hash, error) {
	out := map[string]plumbing.Hash{}
	data, err := d.FS.ReadFile(filepath.Join(d.Common, "packed-refs"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	for line := range strings.Lines(string(data)) {
		if h, n, cut := strings.Cut(strings.TrimSpace(line), " "); cut && strings.HasPrefix(n, prefix) && plumbing.IsHash(h) {
			out[n] = plumbing.NewHash(h)
		}
	}
	var walk func(rel string) error
	walk = func(rel string) error {
		names, err := d.FS.ReadDir(filepath.Join(d.Common, filepath.FromSlash(rel)))
		if err != nil {
			if errors.Is(err, fs.ErrNotExist) {
				return nil
			}
			return err
		}
		for _, n := range names {
			name := rel + "/" + n.Name()
			if n.IsDir() {
				if err := walk(name); err != nil {
					return err
				}
			} else if strings.HasPrefix(name, prefix) && ValidRef(name) {
				id, err := d.Ref(name)
				if err != nil {
					return err
				}
				if !id.IsZero() {
					out[name] = id
				}
			}
		}
		return nil
	}
	return out, walk("refs")
}

// Unfinished names an operation of plain git that is half done, with the ways to end it.
func (d *Dir) Unfinished() (what, hint string) {
	for _, s := range []struct{ file, what, out string }{
		{"MERGE_HEAD", "a merge", "`git merge --continue` or `git merge --abort`"},
		{"rebase-merge", "a rebase", "`git rebase --continue` or `git rebase --abort`"},
		{"rebase-apply", "a rebase", "`git rebase --continue` or `git rebase --abort` (or `git am --abort`)"},
		{"CHERRY_PICK_HEAD", "a cherry-pick", "`git cherry-pick --continue` or `git cherry-pick --abort`"},
		{"REVERT_HEAD", "a revert", "`git revert --continue` or `git revert --abort`"},
		{"BISECT_LOG", "a bisect", "`git bisect reset`"},
	} {
		if _, err := d.FS.Lstat(filepath.Join(d.Git, s.file)); err == nil {
			return s.what, s.out
		}
	}
	return "", ""
}

// Shallow gives the commits whose parents a shallow clone does not have.
func (d *Dir) Shallow() map[plumbing.Hash]bool {
	data, err := d.FS.ReadFile(filepath.Join(d.Common, "shallow"))
	if err != nil {
		return nil
	}
	out := map[plumbing.Hash]bool{}
	for f := range strings.FieldsSeq(string(data)) {
		if plumbing.IsHash(f) {
			out[plumbing.NewHash(f)] = true
		}
	}
	return out
}

// Reflog appends one line to the log of name ("HEAD" or a ref), as git does when a ref moves.
// A repository that keeps no reflogs gets none; a bare one keeps none unless told to.
func (d *Dir) Reflog(name string, from, to plumbing.Hash, who, message string) error {
	if v := strings.ToLower(option(d.Config, "core", "logallrefupdates")); v == "false" || v == "no" || v == "off" || v == "0" || v == "" && d.Bare() {
		return nil
	}
	dir := d.Common
	if name == "HEAD" {
		dir = d.Git
	}
	path := filepath.Join(dir, "logs", filepath.FromSlash(name))
	if err := disk.MkdirAll(d.FS, filepath.Dir(path), 0o777); err != nil {
		return err
	}
	h, err := d.FS.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o666)
	if err != nil {
		return err
	}
	line := fmt.Sprintf("%s %s %s\t%s\n", from, to, who, strings.ReplaceAll(message, "\n", " "))
	_, err = h.Write([]byte(line))
	if cerr := h.Close(); err == nil {
		err = cerr
	}
	return err
}

// Option reads one git setting: the repository's own first, then the person's, then the
// machine's. env gives HOME and the like.
func (d *Dir) Option(env func(string) string, section, key string) string {
	if v := option(d.Config, section, key); v != "" {
		return v
	}
	return GlobalOption(d.FS, env, d.Work, section, key)
}

// GlobalOption reads one git setting outside any repository: ~/.gitconfig, then the XDG file,
// then /etc/gitconfig. include.path is followed.
func GlobalOption(f disk.FS, env func(string) string, base, section, key string) string {
	var files []string
	if g := env("GIT_CONFIG_GLOBAL"); g != "" {
		files = append(files, g)
	} else {
		home := env("HOME")
		if home == "" {
			home = env("USERPROFILE")
		}
		if home != "" {
			files = append(files, filepath.Join(home, ".gitconfig"))
		}
		if x := env("XDG_CONFIG_HOME"); filepath.IsAbs(x) {
			files = append(files, filepath.Join(x, "git", "config"))
		} else if home != "" {
			files = append(files, filepath.Join(home, ".config", "git", "config"))
		}
	}
	if s := env("GIT_CONFIG_SYSTEM"); s != "" {
		files = append(files, s)
	} else if env("GIT_CONFIG_NOSYSTEM") == "" {
		files = append(files, "/etc/gitconfig")
	}
	for _, name := range files {
		if v := optionIn(f, env, name, section, key, 4); v != "" {
			return v
		}
	}
	return ""
}

func optionIn(f disk.FS, env func(string) string, name, section, key string, depth int) string {
	raw, err := f.ReadFile(name)
	if err != nil || depth == 0 {
		return ""
	}
	c, err := parseConfig(raw)
	if err != nil {
		return ""
	}
	if v := option(c, section, key); v != "" {
		return v
	}
	inc := options(c, "include").GetAll("path")
	for i := len(inc) - 1; i >= 0; i-- {
		p := inc[i]
		if rest, ok := strings.CutPrefix(p, "~/"); ok {
			p = filepath.Join(env("HOME"), rest)
		} else if !filepath.IsAbs(p) {
			p = filepath.Join(filepath.Dir(name), p)
		}
		if v := optionIn(f, env, p, section, key, depth-1); v != "" {
			return v
		}
	}
	return ""
}

// FileMode says whether the executable bit counts (core.fileMode).
func (d *Dir) FileMode() bool {
	return !strings.EqualFold(option(d.Config, "core", "filemode"), "false")
}

// Setting gives one value of the repository's own configuration.
func (d *Dir) Setting(section, subsection, key string) string {
	if subsection == "" {
		return option(d.Config, section, key)
	}
	v := ""
	for _, s := range d.Config.Sections {
		if !s.IsName(section) {
			continue
		}
		for _, ss := range s.Subsections {
			if ss.IsName(subsection) && ss.Options.Has(key) {
				v = ss.Options.Get(key)
			}
		}
	}
	return v
}

// All gives every value of a key, in order.
func (d *Dir) All(section, subsection, key string) []string {
	if subsection == "" {
		return options(d.Config, section).GetAll(key)
	}
	var out []string
	for _, s := range d.Config.Sections {
		if !s.IsName(section) {
			continue
		}
		for _, ss := range s.Subsections {
			if ss.IsName(subsection) {
				out = append(out, ss.Options.GetAll(key)...)
			}
		}
	}
	return out
}

// Subsections lists the names below a section.
func (d *Dir) Subsections(section string) []string {
	var out []string
	for _, s := range d.Config.Sections {
		if s.IsName(section) {
			for _, ss := range s.Subsections {
				out = append(out, ss.Name)
			}
		}
	}
	return out
}

// Reread takes the repository's configuration from its file's bytes.
func (d *Dir) Reread(raw []byte) error {
	c, err := parseConfig(raw)
	if err == nil {
		d.Config = c
	}
	return err
}

// Quote is a value as git's configuration files have it, in quotes.
func Quote(s string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`, "\t", `\t`).Replace(s) + `"`
}
