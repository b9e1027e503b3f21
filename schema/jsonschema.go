package schema

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
)

// JSONSchema writes the JSON Schema (draft 2020-12) of one kind of file, for
// editors: plain keywords only, no key that the catalogue does not know, keys in
// the catalogue's order. It says of each key what Validate says; rules that span
// keys (Problem.Rule) it cannot say. An unknown kind is an error.
//
// Source: JSON Schema draft 2020-12, Core and Validation vocabularies.
func (c *Catalogue) JSONSchema(kind string) ([]byte, error) {
	k := c.kind(kind)
	if k == nil {
		return nil, fmt.Errorf("unknown file kind %s; choose one of %s", shown(kind), strings.Join(Kinds, ", "))
	}
	s := object{{"$schema", "https://json-schema.org/draft/2020-12/schema"}, {"title", "Rigkeep: " + k.Title}, {"description", k.Doc}}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(append(s, k.root.schema()...)); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// object is a JSON object that keeps its keys in order.
type object []member

type member struct {
	key   string
	value any
}

// MarshalJSON writes the members in order.
func (o object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, m := range o {
		if i > 0 {
			b.WriteByte(',')
		}
		for j, v := range []any{m.key, m.value} {
			if j > 0 {
				b.WriteByte(':')
			}
			e := json.NewEncoder(&b)
			e.SetEscapeHTML(false)
			if err := e.Encode(v); err != nil {
				return nil, err
			}
		}
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// schema is the schema of the table, or of one element of an array of tables.
func (n *node) schema() object {
	var props object
	var pattern object
	for _, k := range n.order {
		s := k.whole()
		if k == n.star {
			pattern = append(pattern, member{"^" + stylePattern + "$", s})
		} else {
			props = append(props, member{k.name, s})
		}
	}
	s := object{{"type", "object"}}
	if props != nil {
		s = append(s, member{"properties", props})
	}
	if pattern != nil {
		s = append(s, member{"patternProperties", pattern})
	}
	s = append(s, member{"additionalProperties", false})
	if len(n.needs) > 0 {
		names := make([]string, len(n.needs))
		for i, k := range n.needs {
			names[i] = k.name
		}
		s = append(s, member{"required", names})
	}
	return s
}

// whole is the schema of what stands under a key.
func (n *node) whole() object {
	if n.field != nil {
		return n.field.schema()
	}
	var s object
	if n.section.Doc != "" {
		s = append(s, member{"description", n.section.Doc})
	}
	if !n.list {
		return append(s, n.schema()...)
	}
	s = append(s, member{"type", "array"}, member{"items", n.schema()})
	if n.section.Min > 0 {
		s = append(s, member{"minItems", n.section.Min})
	}
	if n.section.Max > 0 {
		s = append(s, member{"maxItems", n.section.Max})
	}
	return s
}

func (f *Field) schema() object {
	doc := f.Doc
	if f.Unit != "" {
		doc += " In " + f.Unit + "."
	}
	s := object{{"description", doc}}
	switch f.Type {
	case String:
		return append(s, f.text(maxText)...)
	case Float:
		return append(append(s, member{"type", "number"}), f.bounds()...)
	case Int:
		return append(append(s, member{"type", "integer"}), f.bounds()...)
	case Bool:
		return append(s, member{"type", "boolean"})
	case Date:
		return append(s, member{"type", "string"}, member{"format", "date"})
	case Time:
		return append(s, member{"type", "string"}, member{"format", "date-time"})
	}
	items := append(object{{"type", "number"}}, f.bounds()...)
	if f.Type == Strings {
		items = (&Field{Enum: f.Enum, Pattern: f.Pattern}).text(maxItemText)
	}
	s = append(s, member{"type", "array"}, member{"items", items})
	if f.Len > 0 {
		return append(s, member{"minItems", f.Len}, member{"maxItems", f.Len})
	}
	return append(s, member{"maxItems", f.most(maxItems)})
}

func (f *Field) text(usual int) object {
	s := object{{"type", "string"}}
	switch {
	case len(f.Enum) > 0:
		return append(s, member{"enum", f.Enum})
	case f.Pattern != "":
		if s = append(s, member{"pattern", "^(?:" + f.Pattern + ")$"}); f.MaxLen == 0 {
			return s
		}
	case f.Required:
		s = append(s, member{"pattern", `\S`})
	}
	return append(s, member{"maxLength", f.most(usual)})
}

func (f *Field) bounds() object {
	var s object
	if f.Min != nil {
		s = append(s, member{"minimum", *f.Min})
	}
	if f.Above != nil {
		s = append(s, member{"exclusiveMinimum", *f.Above})
	}
	if f.Max != nil {
		s = append(s, member{"maximum", *f.Max})
	}
	return s
}
