package file

import (
	"fmt"
	"math/rand"
	"os"
	"strings"
)

// generator writes random sound TOML 1.0 in the many ways a person may: odd blanks, remarks everywhere, every spelling of
// numbers, quoted and dotted keys, braces, lists over several lines, [[tables]], both line ends, no last line break, a BOM.
type generator struct {
	r  *rand.Rand
	nl string
	b  strings.Builder
	n  int
}

// storm is how many texts a property test makes: n, or fifty times as many with RIGKEEP_STORM set.
func storm(n int64) int64 {
	if os.Getenv("RIGKEEP_STORM") != "" {
		return 50 * n
	}
	return n
}

// genText gives one text; equal seeds give equal texts.
func genText(seed int64) []byte {
	g := &generator{r: rand.New(rand.NewSource(seed)), nl: "\n"}
	if g.r.Intn(4) == 0 {
		g.nl = "\r\n"
	}
	if g.r.Intn(8) == 0 {
		g.b.WriteString("\ufeff")
	}
	if g.r.Intn(3) == 0 {
		g.line("#:schema ./x.schema.json")
	}
	g.remarks()
	g.keys("", 1+g.r.Intn(5))
	for i := g.r.Intn(6); i > 0; i-- {
		g.remarks()
		name := g.key()
		indent := g.pick("", "", "  ", "\t")
		if g.r.Intn(3) == 0 {
			for k := 1 + g.r.Intn(3); k > 0; k-- {
				g.line(indent + "[[" + g.pad() + name + g.pad() + "]]" + g.remark())
				g.keys(indent, g.r.Intn(4))
				if g.r.Intn(3) == 0 {
					g.line(indent + "[" + name + ".sub]")
					g.keys(indent+"  ", g.r.Intn(3))
				}
				g.remarks()
			}
			continue
		}
		if g.r.Intn(2) == 0 {
			g.line(indent + "[" + g.pad() + name + g.pad() + "]" + g.remark())
			g.keys(indent, g.r.Intn(5))
		}
		for k := g.r.Intn(3); k > 0; k-- {
			g.remarks()
			g.line(indent + "[" + name + "." + g.key() + "]" + g.remark())
			g.keys(indent, g.r.Intn(4))
		}
	}
	g.remarks()
	text := g.b.String()
	if g.r.Intn(3) == 0 {
		text = strings.TrimSuffix(text, g.nl)
	}
	return []byte(text)
}

func (g *generator) line(s string) { g.b.WriteString(s + g.nl) }

func (g *generator) pick(of ...string) string { return of[g.r.Intn(len(of))] }

func (g *generator) pad() string { return g.pick("", "", " ", "\t") }

func (g *generator) remark() string {
	return g.pick("", "", "", " # set handheld", "\t#!", "   # = [not] \"a\" {value}, 'or' so")
}

func (g *generator) remarks() {
	for i := g.r.Intn(3); i > 0; i-- {
		g.line(g.pick("", "", "# checked on the stand", "  # a = 1", "#", "\t"))
	}
}

// key gives a name not used before in this text.
func (g *generator) key() string {
	g.n++
	return fmt.Sprintf(g.pick("k%d", "mass_kg%d", "%d", "A-%d", `"q %d"`, `'l.%d'`, `"e\u0041\"%d"`, `"Ä%d"`), g.n)
}

func (g *generator) keys(indent string, n int) {
	for ; n > 0; n-- {
		if g.r.Intn(5) == 0 {
			g.remarks()
		}
		eq := g.pick(" = ", " = ", "=", "   =  ", "\t= ")
		if g.r.Intn(6) == 0 {
			table := g.key()
			for k := 1 + g.r.Intn(2); k > 0; k-- {
				g.line(indent + table + g.pick(".", ".", " . ") + g.key() + eq + g.value(0) + g.remark())
			}
			continue
		}
		g.line(indent + g.key() + eq + g.value(0) + g.remark())
	}
}

func (g *generator) value(depth int) string {
	n := 20
	if depth > 2 {
		n = 17
	}
	switch g.r.Intn(n) {
	case 0, 1, 2:
		return fmt.Sprint(g.r.Intn(200) - 50)
	case 3, 4:
		return fmt.Sprintf("%.*f", 1+g.r.Intn(4), g.r.NormFloat64()*100)
	case 5:
		return g.pick("0x10", "0xdead_BEEF", "0o17", "0b1101", "1_000", "+5", "-0", "9007199254740993")
	case 6:
		return g.pick("1e6", "6.02E+23", "-1.5e-7", "+0.50", "62.50", "-0.0", "1_0.2_5")
	case 7:
		return g.pick("true", "false")
	case 8:
		return g.pick("2026-03-12", "09:40:00", "09:40:00.250", "2026-03-12T09:40:00", "2026-03-12 09:40:00Z", "2026-03-12T09:40:00.5-07:30")
	case 9, 10:
		return g.pick(`"A-cam operator"`, `""`, `"tab\tand \"quotes\" \u00e4"`, `"# not a remark"`, `"日本"`, `"x = [1]"`)
	case 11:
		return g.pick(`'literal \n'`, `''`, `'# [a]'`)
	case 12:
		return `"""` + g.nl + "first" + g.nl + "# second" + g.nl + `[third] \` + g.nl + `   "quoted" x"""`
	case 13:
		return "'''" + g.nl + "a = 1" + g.nl + "# b'''"
	case 14, 15, 16:
		var parts []string
		for i := g.r.Intn(4); i > 0; i-- {
			parts = append(parts, g.pick("1", "2.50", `"s"`, "[1, 2]", "[]", "'#'", "true"))
		}
		return "[" + g.pad() + strings.Join(parts, g.pick(",", ", ", " , ")) + g.pad() + "]"
	case 17, 18:
		var parts []string
		for i := g.r.Intn(4); i > 0; i-- {
			name := g.key()
			if g.r.Intn(5) == 0 {
				name += "." + g.key()
			}
			parts = append(parts, name+g.pick(" = ", "=")+g.value(depth+1))
		}
		return "{" + g.pad() + strings.Join(parts, g.pick(",", ", ", " , ")) + g.pad() + "}"
	default:
		s := "["
		n := g.r.Intn(4)
		for i := 0; i < n; i++ {
			s += g.remark() + g.nl + "    " + g.value(depth+1)
			if i < n-1 || g.r.Intn(2) == 0 {
				s += ","
			}
		}
		return s + g.remark() + g.nl + "]"
	}
}
