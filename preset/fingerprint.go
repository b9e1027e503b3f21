package preset

import (
	"crypto/sha256"
	"fmt"
	"math"
	"sort"
	"strings"
)

// FingerprintLen is the number of characters of a fingerprint.
const FingerprintLen = 10

// Alphabet is Crockford's base32 in lower case: no letter that is taken for a digit.
// Source: Douglas Crockford, Base 32 (crockford.com/base32.html), from memory.
const Alphabet = "0123456789abcdefghjkmnpqrstvwxyz"

// Canonical is the text whose SHA-256 is the rig's fingerprint; examples/vectors/FINGERPRINT.md
// specifies it so that another program can compute it. Two rigs are the same
// exactly when their canonical texts are. Balance points are counted from that of
// the heaviest part, so that where the build sits does not matter; of parts that
// weigh the same the one counts that gives the text which sorts first.
func (r Rig) Canonical() string {
	heaviest := int64(-1)
	steps := make([]int64, len(r.Parts))
	for i, p := range r.Parts {
		steps[i] = floorDiv(whole(p.Mass*1e9)+2_500_000, 5_000_000) // 5 g steps, from µg
		if !p.PlaceUnknown {
			heaviest = max(heaviest, steps[i])
		}
	}
	head := "rigkeep-rig-1\ngimbal|" + field(r.Gimbal) + "\n"
	best := ""
	for i := range r.Parts {
		from := r.Parts[i].balancePoint()
		if from == nil || steps[i] != heaviest {
			continue
		}
		if text := head + r.lines(steps, from); best == "" || text < best {
			best = text
		}
	}
	if best == "" {
		return head + r.lines(steps, nil)
	}
	return best
}

// lines are the parts of the canonical text, their balance points from the given one.
func (r Rig) lines(steps []int64, from *[3]float64) string {
	lines := make([]string, len(r.Parts))
	for i, p := range r.Parts {
		at := "?|?|?"
		if v := p.balancePoint(); v != nil && from != nil {
			at = fmt.Sprintf("%d|%d|%d", to5mm(v[0]-from[0]), to5mm(v[1]-from[1]), to5mm(v[2]-from[2]))
		}
		lines[i] = fmt.Sprintf("part|%s|%s|%d|%s\n", field(p.Slot), field(p.Name), steps[i], at)
	}
	sort.Strings(lines)
	return strings.Join(lines, "")
}

// balancePoint is where a part balances in the build, m; nil is unknown.
func (p *Part) balancePoint() *[3]float64 {
	if p.PlaceUnknown {
		return nil
	}
	return &p.Place
}

// Fingerprint computes the fingerprint: the first 50 bits of the SHA-256 of
// Canonical as ten characters of base32.
func (r Rig) Fingerprint() string { return digest(r.Canonical()) }

// DigestOf is the first 50 bits of a text's SHA-256 in UTF-8, in the form of a
// fingerprint.
func DigestOf(text string) string { return digest(text) }

func digest(text string) string {
	sum := sha256.Sum256([]byte(text))
	var out [FingerprintLen]byte
	for i := range out {
		bit := i * 5
		v := uint16(sum[bit/8]) << 8
		if bit/8+1 < len(sum) {
			v |= uint16(sum[bit/8+1])
		}
		out[i] = Alphabet[v>>(11-bit%8)&31]
	}
	return string(out[:])
}

// to5mm rounds metres to steps of 5 mm by way of whole micrometres, halves up.
func to5mm(m float64) int64 { return floorDiv(whole(m*1e6)+2500, 5000) }

// whole rounds to the nearest integer, halves away from zero.
func whole(v float64) int64 { return int64(math.Round(v)) }

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}

// field folds a text so that case and spacing do not matter: A–Z to a–z, runs
// of ASCII white space to one space, none at the ends; backslash and bar escaped.
func field(s string) string {
	words := strings.FieldsFunc(s, func(r rune) bool { return r == ' ' || r >= '\t' && r <= '\r' })
	s = strings.Map(func(r rune) rune {
		if r >= 'A' && r <= 'Z' {
			return r + 'a' - 'A'
		}
		return r
	}, strings.Join(words, " "))
	return strings.NewReplacer(`\`, `\\`, `|`, `\|`).Replace(s)
}

// IsFingerprint reports whether s has the form of a fingerprint or the start of one.
func IsFingerprint(s string) bool {
	if s == "" || len(s) > FingerprintLen {
		return false
	}
	for _, c := range s {
		if !strings.ContainsRune(Alphabet, c) {
			return false
		}
	}
	return true
}
