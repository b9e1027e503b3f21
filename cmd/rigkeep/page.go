package main

import (
	"os"
	"os/exec"
	"strings"

	"golang.org/x/term"
)

// page prints long text through a pager where stdout is a terminal and the text
// is longer than the screen, else as it is.
func (k *call) page(text string) error {
	f, ok := k.Stdout.(*os.File)
	if ok && tty(f) && !k.c.Bool("no-pager") {
		if _, h, err := term.GetSize(int(f.Fd())); err == nil && strings.Count(text, "\n") >= h {
			for _, p := range []string{k.Getenv("RIGKEEP_PAGER"), k.Getenv("PAGER"), "less -FIRX"} {
				words := strings.Fields(p)
				if len(words) == 0 {
					continue
				}
				c := exec.Command(words[0], words[1:]...)
				c.Stdin, c.Stdout, c.Stderr = strings.NewReader(text), k.Stdout, k.Stderr
				if c.Run() == nil {
					return nil
				}
			}
		}
	}
	k.write(text)
	return nil
}
