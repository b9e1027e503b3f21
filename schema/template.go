package schema

import (
	"fmt"
	"strconv"
	"strings"
)

// Template writes a commented TOML document of a kind of file: every key with
// its meaning, unit and range, the required ones with an invented value to
// replace, the others behind a #. As it stands it is a valid document of its
// kind, but for a gimbal sheet: there every value is behind a #, since an
// invented payload limit or motor must not be taken for a known one. An unknown
// kind gives "".
func (c *Catalogue) Template(kind string) string { return c.template(kind, kind == KindGimbal) }

// IsTemplate reports whether a document says no more than the template of its kind
// does where all of that is behind a #.
func IsTemplate(kind string, doc Tree) bool {
	if kind != KindGimbal {
		return false
	}
	for k := range doc {
		if k != "format" && k != "kind" {
			return false
		}
	}
	return true
}

func (c *Catalogue) template(kind string, off bool) string {
	k := c.kind(kind)
	if k == nil {
		return ""
	}
	t := template{off: off}
	t.line(true, "# "+k.Title+". "+k.Doc)
	if off {
		t.line(true, "# Every value here is invented. Write your own and take the # off its line: name and")
		t.line(true, "# payload.max_kg are needed, all else may stay unknown.")
	} else {
		t.line(true, "# All values are invented: replace them. Remove the # to use a key.")
	}
	t.line(true, "")
	t.keys(k.root, true)
	t.tables(k.root, "", true)
	return t.String()
}

type template struct {
	strings.Builder
	off bool // nothing is in use but what every file begins with
}

// line writes one line; what is not in use goes behind a #.
func (t *template) line(use bool, s string) {
	if !use && !strings.HasPrefix(s, "#") && s != "" {
		s = "#" + s
	}
	t.WriteString(s + "\n")
}

// keys writes the values of one table.
func (t *template) keys(n *node, use bool) {
	for _, k := range n.order {
		f := k.field
		if f == nil {
			continue
		}
		note := "# "
		if f.Required {
			note += "Required. "
		}
		if f.Derived {
			note += "Rigkeep writes it. "
		}
		note += f.Doc
		switch r := f.Range(); {
		case len(f.Enum) > 1:
			note += " One of " + strings.Join(f.Enum, ", ") + "."
		case r != "" && f.Path != "format":
			note += " " + strings.ToUpper(r[:1]) + r[1:] + "."
		}
		t.line(use && (f.Required || f.Shown) && (!t.off || f.Path == "format" || f.Path == "kind"), quoteKey(k.name)+" = "+f.example()+"  "+note)
	}
}

// tables writes the tables below one table; at is its concrete path, which
// stands for a style or mount by an invented name.
func (t *template) tables(n *node, at string, use bool) {
	for _, k := range n.order {
		if k.field != nil {
			continue
		}
		name := k.name
		used := use && !t.off && name != "*" && !(k.list && k.section.Min == 0) && (!k.section.Optional || k.section.Shown)
		if name == "*" {
			name = "walk"
			if strings.HasSuffix(at, "mount") {
				name = "top"
			}
		}
		path := Join(at, name)
		if k.hasKeys() || k.section.Doc != "" {
			t.line(true, "")
		}
		if k.section.Doc != "" {
			t.line(true, "# "+k.section.Doc)
		}
		switch {
		case k.list:
			t.line(used, "[["+path+"]]")
		case k.hasKeys():
			t.line(used, "["+path+"]")
		}
		t.keys(k, used)
		t.tables(k, path, used)
	}
}

func (n *node) hasKeys() bool {
	for _, k := range n.order {
		if k.field != nil {
			return true
		}
	}
	return false
}

func quoteKey(k string) string { return Join("", k) }

// example is a TOML value that this field takes.
func (f *Field) example() string {
	v := f.Example
	if v == nil {
		switch {
		case f.Type == Floats || f.Type == Strings:
			v = []any{}
		case len(f.Enum) > 0:
			v = f.Enum[0]
		case f.Pattern == fingerprintPattern:
			v = "k7qd2m9x4c"
		case f.Type == String:
			v = "..."
		case f.Type == Bool:
			v = false
		case f.Min != nil:
			v = *f.Min
		default:
			v = 1.0
		}
	}
	if f.Type == Date || f.Type == Time {
		return fmt.Sprint(v)
	}
	return literal(v)
}

// literal writes a value in TOML.
func literal(v any) string {
	switch x := v.(type) {
	case string:
		return quote(x)
	case float64:
		return Num(x)
	case int:
		return strconv.Itoa(x)
	case []any:
		s := make([]string, len(x))
		for i, e := range x {
			s[i] = literal(e)
		}
		return "[" + strings.Join(s, ", ") + "]"
	}
	return fmt.Sprint(v)
}
