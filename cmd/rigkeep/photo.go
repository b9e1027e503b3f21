package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset/photo"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func photoVerb() command {
	message := func() []cli.Flag { return []cli.Flag{messageFlag()} }
	return command{
		name: "photo", short: "photos of a rig, small and without their location",
		subs: []command{
			{name: "add", args: "RIG FILE…", short: "take JPEG or PNG photos into the library", changes: true, minArgs: 2, maxArgs: -1, argKind: []string{"rig", "file"},
				long:    "Each photo is turned upright and written anew with at most 1600 pixels along an edge and 250 kB. Location, times and all else that the camera wrote are gone; the file itself stays as it is. A rig has at most 8 photos.",
				example: "rigkeep photo add a-cam-prime marks.jpg", flags: message(), run: runPhotoAdd},
			{name: "list", args: "RIG", short: "list the photos of a rig, newest first", reads: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, example: "rigkeep photo list a-cam-prime", run: runPhotoList},
			{name: "remove", args: "RIG PHOTO", short: "take a photo out of the library; its history stays", changes: true, minArgs: 2, maxArgs: 2, argKind: []string{"rig", "none"},
				long:    "PHOTO is the beginning of its name or of its sum, as photo list shows it. Old revisions keep the photo: it is not gone from the library's history.",
				example: "rigkeep photo remove a-cam-prime 2026-03-01", flags: message(), run: runPhotoRemove},
		},
	}
}

// readPhoto reads a file that is to be a photo, and no more of it than a photo may have.
func (k *invocation) readPhoto(name string) ([]byte, error) {
	f, err := os.Open(k.path(name))
	if errors.Is(err, os.ErrNotExist) {
		return nil, fail(exitNotFound, "file not found: %s", name)
	}
	if err != nil {
		return nil, fail(exitUsage, "%s: %v", name, err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, photo.MaxFile+1))
	if err != nil {
		return nil, fail(exitUsage, "%s: %v", name, err)
	}
	if len(data) > photo.MaxFile {
		return nil, badPhoto(fmt.Errorf("%s: %w", name, photo.TooLarge()))
	}
	return data, nil
}

// badPhoto is an error of a photo with what to do as the hint. A file that is no photo to take
// is a wrong argument, as a table that cannot be imported is; only a broken one is damaged.
func badPhoto(err error) error {
	var e *photo.Error
	if !errors.As(err, &e) {
		return err
	}
	code := exitUsage
	if errors.Is(err, photo.ErrDamaged) {
		code = exitDamaged
	}
	return &failure{code: code, text: strings.TrimSuffix(err.Error(), "; "+e.Do), hint: e.Do, err: err}
}

func runPhotoAdd(k *invocation) error {
	rr, err := k.lib.Names().Find(k.args[0])
	if err != nil {
		return err
	}
	var files []library.NewFile
	for _, name := range k.args[1:] {
		data, err := k.readPhoto(name)
		if err != nil {
			return err
		}
		files = append(files, library.NewFile{Text: data, What: name})
	}
	subject := k.why(fmt.Sprintf("Add %s of %s", schema.Count(len(files), "photo", "photos"), rr.Alias))
	if k.dryRun() {
		paths, err := k.lib.Photos().Check(rr, files, k.Now())
		if err != nil {
			return badPhoto(err)
		}
		k.recordResult("", subject, "", paths...)
		for _, p := range paths {
			k.printf("would add %s\n", safe.Line(p))
		}
		return nil
	}
	who, err := k.who()
	if err != nil {
		return err
	}
	ctx, stop := k.ctx()
	defer stop()
	if _, err := k.lib.Store.AddAttribute(ctx, library.PhotoAttribute); err != nil {
		return err
	}
	paths, rev, err := k.lib.Photos().Add(ctx, rr, files, subject, who, k.Now())
	if err != nil {
		return badPhoto(err)
	}
	k.recordResult(rev, subject, "", paths...)
	for _, p := range paths {
		k.printf("added %s\n", safe.Line(p))
	}
	k.printf("saved as %s\n", rev.Short())
	return nil
}

func runPhotoList(k *invocation) error {
	rr, err := k.lib.Names().Find(k.args[0])
	if err != nil {
		return err
	}
	list, err := k.lib.Photos().List(rr)
	if err != nil {
		return err
	}
	type row struct {
		Name  string `json:"name"`
		Path  string `json:"path"`
		Bytes int    `json:"bytes"`
	}
	rows := make([]row, 0, len(list))
	for _, p := range list {
		rows = append(rows, row{p.Name, p.Path, p.Size})
	}
	if k.json() {
		return k.encode(struct {
			Format int    `json:"format"`
			Rig    string `json:"rig"`
			Photos []row  `json:"photos"`
		}{1, rr.Fingerprint, rows})
	}
	if len(rows) == 0 {
		k.say("%s has no photo", safe.Line(rr.Alias))
		k.say("Try: rigkeep photo add %s FILE", safe.Line(rr.Alias))
		return nil
	}
	t := table{head: true, right: map[int]bool{1: true}}
	t.add("photo", "size", "file")
	for _, r := range rows {
		t.add(r.Name, fmt.Sprintf("%d kB", (r.Bytes+999)/1000), r.Path)
	}
	k.write(t.render(k.paint, "", k.wide))
	return nil
}

func runPhotoRemove(k *invocation) error {
	rr, err := k.lib.Names().Find(k.args[0])
	if err != nil {
		return err
	}
	p, err := k.lib.Photos().Find(rr, k.args[1])
	if err != nil {
		return err
	}
	subject := k.why("Remove a photo of " + rr.Alias)
	if k.dryRun() {
		k.recordResult("", subject, "", p.Path)
		k.printf("would remove %s\n", safe.Line(p.Path))
		return nil
	}
	who, err := k.who()
	if err != nil {
		return err
	}
	ctx, stop := k.ctx()
	defer stop()
	rev, err := k.lib.Photos().Remove(ctx, p, subject, who, k.Now())
	if err != nil {
		return err
	}
	k.recordResult(rev, subject, "", p.Path)
	k.printf("removed %s\nsaved as %s\n", safe.Line(p.Path), rev.Short())
	return nil
}
