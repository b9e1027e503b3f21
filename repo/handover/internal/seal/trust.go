package seal

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"
)

// Trusted is a list of keys and whose they are.
type Trusted struct{ lines []trusted }

type trusted struct {
	line          int
	principals    []string
	namespaces    []string // nil permits all
	after, before time.Time
	key           []byte
	pub           Key
}

// MaxTrusted bounds an allowed_signers file.
const MaxTrusted = 1 << 20

// ParseTrusted reads an allowed_signers file. A line that OpenSSH would not understand is an
// error that names it: a list of whom to trust is not to be guessed at. Times without a Z are in
// loc. Certificates are not supported and trusted by none.
func ParseTrusted(name string, data []byte, loc *time.Location) (*Trusted, error) {
	if len(data) > MaxTrusted {
		return nil, fmt.Errorf("%s is larger than %d bytes", name, MaxTrusted)
	}
	t := &Trusted{}
	for i, line := range strings.Split(string(data), "\n") {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		bad := func(format string, args ...any) error {
			return fmt.Errorf("%s:%d: "+format, append([]any{name, i + 1}, args...)...)
		}
		who, rest, ok := firstWord(line)
		if !ok {
			return nil, bad("expected PRINCIPALS KEYTYPE KEY, as in: a-cam@example.org ssh-ed25519 AAAA…")
		}
		key, _, options, left, err := ssh.ParseAuthorizedKey([]byte(rest))
		if err != nil || len(bytes.TrimSpace(left)) > 0 {
			return nil, bad("no SSH public key behind the principals")
		}
		e := trusted{line: i + 1, principals: strings.Split(who, ","), key: key.Marshal(), pub: keyOf(key)}
		certificate := false
		for _, o := range options {
			word, value, _ := strings.Cut(o, "=")
			value = strings.Trim(value, `"`)
			switch strings.ToLower(word) {
			case "cert-authority":
				certificate = true
			case "namespaces":
				e.namespaces = strings.Split(value, ",")
			case "valid-after":
				if e.after, err = parseTime(value, loc); err != nil {
					return nil, bad("valid-after: %v", err)
				}
			case "valid-before":
				if e.before, err = parseTime(value, loc); err != nil {
					return nil, bad("valid-before: %v", err)
				}
			default:
				return nil, bad("the option %q is not known", word)
			}
		}
		if !e.after.IsZero() && !e.before.IsZero() && !e.after.Before(e.before) {
			return nil, bad("valid-after is not before valid-before")
		}
		if !certificate {
			t.lines = append(t.lines, e)
		}
	}
	return t, nil
}

// firstWord cuts the principals off, which may stand in quotes.
func firstWord(s string) (word, rest string, ok bool) {
	if s[0] == '"' {
		word, rest, ok = strings.Cut(s[1:], `"`)
		return word, strings.TrimSpace(rest), ok && word != ""
	}
	i := strings.IndexAny(s, " \t")
	if i < 0 {
		return s, "", false
	}
	return s[:i], strings.TrimSpace(s[i:]), true
}

// parseTime reads YYYYMMDD, YYYYMMDDHHMM or YYYYMMDDHHMMSS, with Z for UTC.
func parseTime(s string, loc *time.Location) (time.Time, error) {
	text, utc := strings.CutSuffix(s, "Z")
	if utc {
		loc = time.UTC
	}
	layout := map[int]string{8: "20060102", 12: "200601021504", 14: "20060102150405"}[len(text)]
	if layout != "" {
		if t, err := time.ParseInLocation(layout, text, loc); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is not a time; write YYYYMMDD, YYYYMMDDHHMM or YYYYMMDDHHMMSS, with Z behind it for UTC", s)
}

// TrustLevel is what a list of trusted keys says of a signature.
type TrustLevel string

// Standings, best first.
const (
	Good      TrustLevel = "trusted"         // the key is listed for this person, here and now
	Misnamed  TrustLevel = "other person"    // the key is listed, for somebody else
	Expired   TrustLevel = "expired"         // its time is over
	NotYet    TrustLevel = "not yet valid"   // its time has not come
	Elsewhere TrustLevel = "other namespace" // it is listed for other uses only
	Unknown   TrustLevel = "unknown key"
)

// Verdict is a standing with its reason.
type Verdict struct {
	TrustLevel TrustLevel
	Principals []string // whom the list names for the key
	Line       int      // in the list; 0 if the key is not there
}

// Judge says what the list holds of a key that signed in the name of a person (a mail address)
// at a moment. Of several lines the one that speaks best counts.
func (t *Trusted) Judge(k Key, person string, now time.Time) Verdict {
	return t.judge(k, person, Namespace, now)
}

// JudgeCommit is Judge for the signature of a commit.
func (t *Trusted) JudgeCommit(k Key, person string, now time.Time) Verdict {
	return t.judge(k, person, GitNamespace, now)
}

// Signers are the lines that name a key, in order.
func (t *Trusted) Signers() []SignerLine {
	var out []SignerLine
	for _, e := range t.lines {
		out = append(out, SignerLine{e.line, e.principals, e.pub})
	}
	return out
}

// SignerLine is a line of a list: whose key it says it is.
type SignerLine struct {
	Line       int
	Principals []string
	Key        Key
}

func (t *Trusted) judge(k Key, person, namespace string, now time.Time) Verdict {
	rank := map[TrustLevel]int{Good: 0, Misnamed: 1, Expired: 2, NotYet: 3, Elsewhere: 4, Unknown: 5}
	best := Verdict{TrustLevel: Unknown}
	if t == nil {
		return best
	}
	for _, e := range t.lines {
		if !bytes.Equal(e.key, k.blob) {
			continue
		}
		v := Verdict{TrustLevel: Good, Principals: e.principals, Line: e.line}
		switch {
		case e.namespaces != nil && !matchAny(e.namespaces, namespace):
			v.TrustLevel = Elsewhere
		case !e.before.IsZero() && now.After(e.before):
			v.TrustLevel = Expired
		case !e.after.IsZero() && now.Before(e.after):
			v.TrustLevel = NotYet
		case !matchAny(e.principals, person):
			v.TrustLevel = Misnamed
		}
		if rank[v.TrustLevel] < rank[best.TrustLevel] {
			best = v
		}
	}
	return best
}

// matchAny matches a word against a list of patterns; a pattern behind ! that matches overrules
// all others. Source: ssh_config(5), section PATTERNS.
func matchAny(patterns []string, word string) bool {
	found := false
	for _, p := range patterns {
		not := strings.HasPrefix(p, "!")
		if match(strings.TrimPrefix(p, "!"), word) {
			if not {
				return false
			}
			found = true
		}
	}
	return found
}

// match knows * for any run of characters and ? for one. It goes back only to the last *, so
// that no pattern can make it slow.
func match(pattern, word string) bool {
	p, w, star, back := 0, 0, -1, 0
	for w < len(word) {
		switch {
		case p < len(pattern) && pattern[p] == '*':
			star, back = p, w
			p++
		case p < len(pattern) && (pattern[p] == '?' || pattern[p] == word[w]):
			p, w = p+1, w+1
		case star >= 0:
			back++
			p, w = star+1, back
		default:
			return false
		}
	}
	for p < len(pattern) && pattern[p] == '*' {
		p++
	}
	return p == len(pattern)
}
