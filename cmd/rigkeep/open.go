package main

import (
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"github.com/cli/browser"
	"github.com/urfave/cli/v2"

	"rigkeep/diffview/pages"
	"rigkeep/diffview/safe"
)

func openVerb() command {
	return command{
		name: "open", args: "[RIG | job:J]", short: "the pages of the library in the browser",
		long: "Makes the pages anew, beside git's own files where no revision holds them, and opens the one that is named, else the library's. BROWSER in the environment says with which program.\n\n" +
			"--print says where the page is and opens nothing.",
		example: "rigkeep open\nrigkeep open a-cam-prime\nrigkeep open job:night-pilotage",
		flags:   []cli.Flag{&cli.BoolFlag{Name: "print", Usage: "print the page's place, open nothing"}},
		reads:   true, maxArgs: 1, argKind: []string{"rigjob"}, run: runOpen,
	}
}

func runOpen(k *invocation) error {
	file := pages.Home
	if len(k.args) == 1 {
		var err error
		if file, err = (pagesRun{k}).pageOf(k.args[0]); err != nil {
			return err
		}
	}
	dir, err := k.lib.Store.PagesDir()
	if err != nil {
		return err
	}
	n, size, err := pagesRun{k}.writeSite(dir)
	if err != nil {
		return err
	}
	at := filepath.Join(dir, file)
	if k.json() {
		return k.encode(struct {
			Format int    `json:"format"`
			Page   string `json:"page"`
			Pages  int    `json:"pages"`
			Bytes  int    `json:"bytes"`
		}{1, at, n, size})
	}
	if k.c.Bool("print") {
		k.printf("%s\n", safe.Line(at))
		return nil
	}
	if err := (pagesRun{k}).browse(at); err != nil {
		k.say("no browser could be started: %s", safe.Line(rootCause(err)))
		k.printf("open: %s\n", safe.Line(at))
		return nil
	}
	k.say("opened %s", safe.Line(at))
	return nil
}

// pageOf is the page of a rig or a job.
func (k pagesRun) pageOf(name string) (string, error) {
	if j, ok := strings.CutPrefix(name, "job:"); ok {
		slug, err := k.lib.Jobs().Named(j)
		if err != nil {
			return "", err
		}
		return pages.File("job", slug), nil
	}
	rr, err := k.lib.Names().Find(name)
	if err != nil {
		return "", err
	}
	return pages.File("rig", firstOf(rr.Alias, rr.Fingerprint)), nil
}

// browse shows a file in the person's browser.
func (k pagesRun) browse(file string) error {
	if b := strings.Fields(k.Getenv("BROWSER")); len(b) > 0 {
		c := exec.Command(b[0], append(b[1:], file)...)
		c.Env = os.Environ()
		return c.Run()
	}
	browser.Stdout, browser.Stderr = io.Discard, io.Discard // what a browser says there is not for people
	return browser.OpenFile(file)
}
