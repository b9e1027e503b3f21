package main

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"rigkeep/diffview/safe"
)

// userFile is a file of what this person decided on this machine, outside every library; "" where
// there is no home for it.
func (e Env) userFile(name string) string {
	dir := e.Getenv("XDG_CONFIG_HOME")
	if !filepath.IsAbs(dir) {
		dir = ""
	}
	if dir == "" && runtime.GOOS == "windows" {
		dir = e.Getenv("APPDATA")
	}
	if home := e.Getenv("HOME"); dir == "" && home != "" {
		dir = filepath.Join(home, ".config")
	}
	if dir == "" {
		return ""
	}
	return filepath.Join(dir, "rigkeep", name)
}

// tokenHosts is the file of servers that RIGKEEP_TOKEN may go to, one a line, as https://HOST:PORT.
const tokenHosts = "token_hosts"

// mayToken says whether RIGKEEP_TOKEN may go to a server: it was confirmed before, or is now, at the
// terminal. --yes does not confirm it, since the answer is kept.
func (k *invocation) mayToken(origin string) bool {
	name := k.userFile(tokenHosts)
	have, _ := os.ReadFile(name)
	if slices.Contains(strings.Fields(string(have)), origin) {
		return true
	}
	if k.c.Bool("no-input") || !tty(k.Stdin) {
		return false
	}
	fmt.Fprint(k.Stderr, k.fold(k.Stderr, fmt.Sprintf("%s asks for a password. Send it RIGKEEP_TOKEN, now and later? [y/N]", safe.Line(origin))), " ")
	var answer string
	if _, err := fmt.Fscanln(k.Stdin, &answer); err != nil || !strings.HasPrefix(strings.ToLower(answer), "y") {
		return false
	}
	if name == "" {
		return true
	}
	err := os.MkdirAll(filepath.Dir(name), 0o700)
	if err == nil {
		err = os.WriteFile(name, append(have, origin+"\n"...), 0o600)
	}
	if err != nil {
		k.say("not kept, so it will be asked again: %v", err)
	}
	return true
}
