package diffview

import "rigkeep/schema"

// Fields says which keys of two documents of one kind differ: known keys in the
// catalogue's order, then unknown ones. Tables of a list are matched by position.
func Fields(cat *schema.Catalogue, kind string, a, b schema.Tree) []Field {
	c := comparison{cat: cat}
	return c.fields(kind, schema.Flatten(a), schema.Flatten(b), nil)
}

// ApplyFields makes the changes to a flat document, in place of which it returns
// a changed copy.
func ApplyFields(changes []Field, doc schema.Flat) schema.Flat {
	out := schema.Flat{}
	for k, v := range doc {
		out[k] = v
	}
	for _, f := range changes {
		if f.Op == Removed {
			delete(out, f.Key)
		} else {
			out[f.Key] = f.After
		}
	}
	return out
}
