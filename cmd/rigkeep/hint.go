package main

import (
	"regexp"
	"strings"
	"sync"
)

// A hint is words, then commands. On screen each command stands alone on its line behind "Try:"
// and is never wrapped by us, so that it can be copied.

// command in a hint: behind a colon, a comma, "then", or a backtick; up to the next one or the end.
var commandInHint = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile("(?:^|[:,;]\\s+(?:then\\s+)?|\\s+then\\s+|\\bTry:\\s+|\\bor\\s+|`)(rigkeep\\s+[^`;\n]+?)(?:`|;\\s*|,\\s+then\\s|,\\s+or\\s|$)")
})

// leads are words before a command that "Try:" says already.
var leads = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`(?i)^(for example|see|try|next|e\.g\.|for all of them|go on with( it)?|(save|list|make|pin|add|settle|bring) (it|them|one|this)( first| back)?( with)?|save the log with|Start again with|(see )?(it|them|the jobs|the revisions of a tune|its revisions|the revisions)( with)?|as in|one of|or make one with|make one with)$`)
})

// hintLines splits a hint into what is said and the commands to try.
func hintLines(hint string) (says []string, commands []string) {
	for _, line := range strings.Split(hint, "\n") {
		// one pass for each command, so that what stands between two is words again
		for {
			at := commandInHint().FindStringSubmatchIndex(line)
			if at == nil {
				break
			}
			if w := plainLead(line[:at[0]]); w != "" {
				says = append(says, w)
			}
			cmd := strings.TrimSpace(line[at[2]:at[3]])
			cmd = strings.TrimSuffix(cmd, ",")
			commands = append(commands, cmd)
			line = strings.TrimSpace(line[at[1]:])
			if !strings.HasPrefix(line, "rigkeep ") {
				continue
			}
			line = ": " + line
		}
		if w := plainLead(line); w != "" {
			says = append(says, w)
		}
	}
	return says, commands
}

// plainLead drops words that only point at the command behind them.
func plainLead(s string) string {
	s = strings.TrimSpace(s)
	s = strings.TrimRight(s, ":;, ")
	// only the last clause points at the command
	if i := strings.LastIndexAny(s, ";.,"); i >= 0 && leads().MatchString(strings.TrimSpace(s[i+1:])) {
		s = strings.TrimRight(s[:i], ":;, ")
	}
	if leads().MatchString(s) {
		return ""
	}
	return s
}

// plainStart is a line that begins with a word in lower case, not with a key, a path or a flag.
var plainStart = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile("^[a-z]+(?:[ ,:;]|$)") })

// capitals begins each line of a hint with a capital, but for a command.
func capitals(hint string) string {
	lines := strings.Split(hint, "\n")
	for i, l := range lines {
		if plainStart().MatchString(l) && !strings.HasPrefix(l, "rigkeep ") {
			lines[i] = strings.ToUpper(l[:1]) + l[1:]
		}
	}
	return strings.Join(lines, "\n")
}

// tries is the text with each command of a hint on a line of its own.
func tries(text string) string {
	if !strings.Contains(text, "rigkeep ") {
		return text
	}
	says, commands := hintLines(text)
	if len(commands) == 0 {
		return text
	}
	var b strings.Builder
	for _, s := range says {
		b.WriteString(s + "\n")
	}
	for _, c := range commands {
		b.WriteString("Try: " + c + "\n")
	}
	return strings.TrimSuffix(b.String(), "\n")
}
