package main

import (
	"fmt"
	"strings"
)

// topics are what help explains beside the commands: rigkeep help TOPIC.
var topics = map[string]string{"team": teamHelp}

// teamHelp is one screen. Each line that begins with two blanks is a command, and a test plays them all.
const teamHelp = `How a team shares a library

Each person has a copy, works in it without a network, and syncs; tunes merge
by value. What is shared is a bare git repository:

A folder on a shared disk. Syncing needs no git program:
  git init -q --bare --shared=group -b main /mnt/share/tunes.git
  rigkeep sync /mnt/share/tunes.git
A machine with ssh, or any git host:
  rigkeep sync ssh://tech@house.example/srv/tunes.git
  rigkeep sync https://host.example/house/tunes.git
Each further person, once; then: rigkeep sync
  rigkeep init tunes --from /mnt/share/tunes.git

Who may write: the folder's group, or whom the host lets push.
Keys: trust/allowed_signers proposes; a key counts where it is pinned:
  rigkeep trust add SHA256:0123456789012345678901234567890123456789012
  rigkeep trust list
Backup on a stick, and back from it:
  rigkeep git bundle create /media/stick/tunes.bundle --all
  git clone -q -b main /media/stick/tunes.bundle restored
  rigkeep -C restored check --git
A laptop lost or stolen: close its account on the host, and on each machine
  rigkeep trust remove a-cam@example.org
It still holds all tunes up to its last sync; nothing of yours depends on it.
A branch with a mirror, which is read from and updated by a timer:
  git clone -q --mirror ssh://tech@house.example/srv/tunes.git /srv/mirror.git
  git -C /srv/mirror.git remote update
  rigkeep init branch --from /srv/mirror.git
and whose people sync with the main server:
  rigkeep -C branch sync ssh://tech@house.example/srv/tunes.git
`

// printTopic prints a topic of help; ok is false where there is none of that name.
func printTopic(e Env, words []string) (ok bool) {
	if len(words) != 2 || words[0] != "help" {
		return false
	}
	text, ok := topics[words[1]]
	if ok {
		fmt.Fprint(e.Stdout, text)
	}
	return ok
}

// topicRoff is a topic for the manual page.
func topicRoff(name string) string {
	var b strings.Builder
	title, rest, _ := strings.Cut(topics[name], "\n")
	fmt.Fprintf(&b, ".SH %s\n", roff(strings.ToUpper(title)))
	in := false
	for line := range strings.Lines(rest) {
		line = strings.TrimRight(line, "\n")
		command := strings.HasPrefix(line, "  ")
		switch {
		case command != in:
			b.WriteString(map[bool]string{true: ".nf\n", false: ".fi\n"}[command])
			in = command
		case line == "":
			b.WriteString(".PP\n")
			continue
		}
		if line != "" {
			b.WriteString(roff(line) + "\n")
		}
	}
	return b.String()
}
