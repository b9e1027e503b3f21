package file

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Step is one step of a Path: a key of a table, or, when Key is "" and Index is not negative, an element of an array.
type Step struct {
	Key   string
	Index int // -1 for a key
}

// Path is the way to a value. As text, keys are joined by dots and elements are in brackets, counted from 0:
// part[0].mass_kg. A key that is not made of letters, digits, - and _ is quoted as in TOML: follow."wide shot".
type Path []Step

// Key is the step to a key of a table.
func Key(name string) Step { return Step{Key: name, Index: -1} }

// At is the step to an element of an array.
func At(index int) Step { return Step{Index: index} }

// Join makes the text of a path from keys (string) and element numbers (int): Join("part", 0, "mass_kg") is
// part[0].mass_kg. It quotes what needs it, so parts need not be bare; it panics on any other type of part.
func Join(parts ...any) string {
	var p Path
	for _, part := range parts {
		switch v := part.(type) {
		case string:
			p = append(p, Key(v))
		case int:
			p = append(p, At(v))
		default:
			panic(fmt.Sprintf("file.Join: a part is a string or an int, not %T", part))
		}
	}
	return p.String()
}

func (p Path) String() string {
	var b strings.Builder
	for i, s := range p {
		if s.Index >= 0 {
			b.WriteByte('[')
			b.WriteString(strconv.Itoa(s.Index))
			b.WriteByte(']')
			continue
		}
		if i > 0 {
			b.WriteByte('.')
		}
		b.WriteString(keyText(s.Key))
	}
	return b.String()
}

func bare(key string) bool {
	for i := 0; i < len(key); i++ {
		if !bareByte(key[i]) {
			return false
		}
	}
	return key != ""
}

func bareByte(c byte) bool {
	return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_'
}

// keyText is a key as TOML writes it.
func keyText(key string) string {
	if bare(key) {
		return key
	}
	return quote(key)
}

// ParsePath reads the text of a path, quoted keys in either kind of TOML quotes. The error is an *Error of class Usage.
func ParsePath(s string) (Path, error) {
	bad := func(what string) (Path, error) {
		return nil, &Error{Class: Usage, Key: printable(s), What: what,
			Want: "keys joined by dots, such as stiffness.pan or part[0].mass_kg",
			Fix:  `put quotes round a key with other characters: follow."wide shot"`}
	}
	if s == "" {
		return bad("an empty key")
	}
	if len(s) > 4096 || !utf8.ValidString(s) {
		return bad("not a key")
	}
	var p Path
	rest := s
	for {
		var key string
		switch {
		case rest == "":
			return bad("the key ends with a dot")
		case rest[0] == '"' || rest[0] == '\'':
			k, n, ok := unquoteKey(rest)
			if !ok {
				return bad("a quote in the key is not closed, or what is in it is not valid")
			}
			key, rest = k, rest[n:]
		default:
			n := 0
			for n < len(rest) && bareByte(rest[n]) {
				n++
			}
			if n == 0 {
				r, _ := utf8.DecodeRuneInString(rest)
				return bad(fmt.Sprintf("%q cannot stand in a key here", r))
			}
			key, rest = rest[:n], rest[n:]
		}
		p = append(p, Key(key))
		for rest != "" && rest[0] == '[' {
			digits, after, ok := strings.Cut(rest[1:], "]")
			n, err := strconv.Atoi(digits)
			if !ok || err != nil || n < 0 || digits != strconv.Itoa(n) {
				return bad("the number in brackets is not a whole number from 0")
			}
			p, rest = append(p, At(n)), after
		}
		if rest == "" {
			return p, nil
		}
		if rest[0] != '.' {
			r, _ := utf8.DecodeRuneInString(rest)
			return bad(fmt.Sprintf("%q cannot stand in a key here", r))
		}
		rest = rest[1:]
	}
}

// unquoteKey reads a quoted key at the start of s and says how many bytes it took.
func unquoteKey(s string) (key string, n int, ok bool) {
	if s[0] == '\'' {
		i := strings.IndexByte(s[1:], '\'')
		if i < 0 || strings.ContainsFunc(s[1:1+i], func(r rune) bool { return r < ' ' && r != '\t' || r == 0x7f }) {
			return "", 0, false
		}
		return s[1 : 1+i], i + 2, true
	}
	var b strings.Builder
	for i := 1; i < len(s); i++ {
		switch c := s[i]; {
		case c == '"':
			return b.String(), i + 1, true
		case c < ' ' && c != '\t' || c == 0x7f:
			return "", 0, false
		case c != '\\':
			b.WriteByte(c)
		default:
			i++
			if i == len(s) {
				return "", 0, false
			}
			if j := strings.IndexByte(escapeLetters, s[i]); j >= 0 {
				b.WriteByte(escapeBytes[j])
				continue
			}
			width := map[byte]int{'u': 4, 'U': 8}[s[i]]
			if width == 0 || i+width >= len(s) {
				return "", 0, false
			}
			r, err := strconv.ParseUint(s[i+1:i+1+width], 16, 32)
			if err != nil || r > utf8.MaxRune || !utf8.ValidRune(rune(r)) {
				return "", 0, false
			}
			b.WriteRune(rune(r))
			i += width
		}
	}
	return "", 0, false
}

// in follows the path down a tree.
func (p Path) in(v any) (any, bool) {
	for _, s := range p {
		switch t := v.(type) {
		case map[string]any:
			next, ok := t[s.Key]
			if !ok || s.Index >= 0 {
				return nil, false
			}
			v = next
		case []any:
			if s.Index < 0 || s.Index >= len(t) {
				return nil, false
			}
			v = t[s.Index]
		default:
			return nil, false
		}
	}
	return v, true
}

// plus is the path with one more step, never sharing memory with other paths made from p.
func (p Path) plus(s Step) Path { return append(p[:len(p):len(p)], s) }
