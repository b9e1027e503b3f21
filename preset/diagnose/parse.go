package diagnose

import (
	"fmt"
	"slices"
	"strings"

	"rigkeep/preset/file"
	"rigkeep/schema"
)

// Parse reads a table and checks it: every key known, every answer and parameter
// there, directions in the parameters' own words, nothing twice. The error is
// file's, with line and column. Contradictions are not looked for here.
//
// Source: definition.
func Parse(name string, text []byte) (*Table, error) {
	doc, err := file.Parse(name, text)
	if err != nil {
		return nil, err
	}
	p := &parser{doc: doc, cat: schema.Default()}
	t := p.table()
	return t, p.es.Err()
}

type parser struct {
	doc *file.Doc
	cat *schema.Catalogue
	es  file.Errors
}

func (p *parser) fault(key, what, want, fix string) {
	p.es = append(p.es, p.doc.Fault(key, what, want, fix))
}

// keys refuses a key that is not expected.
func (p *parser) keys(at string, m map[string]any, want ...string) {
	for _, k := range sortedAny(m) {
		if !slices.Contains(want, k) {
			p.es = append(p.es, p.doc.KeyFault(join(at, k), fmt.Sprintf("unknown key %q", k), "one of "+strings.Join(want, ", "), schema.Suggest(k, want)))
		}
	}
}

func join(at, k string) string {
	if at == "" {
		return file.Join(k)
	}
	return at + "." + file.Join(k)
}

func sortedAny(m map[string]any) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

func (p *parser) str(at string, m map[string]any, key string, required bool) string {
	v, there := m[key]
	s, ok := v.(string)
	if there && !ok || required && strings.TrimSpace(s) == "" {
		p.fault(join(at, key), "this is missing or no text", "a text in quotes", "write it")
	}
	return s
}

func (p *parser) tables(at string, m map[string]any, key string) []map[string]any {
	l, ok := m[key].([]any)
	var out []map[string]any
	for _, x := range l {
		t, is := x.(map[string]any)
		ok = ok && is
		out = append(out, t)
	}
	if !ok || len(out) == 0 {
		p.fault(join(at, key), "no [["+key+"]] is here", "one table or more", "write one")
		return nil
	}
	return out
}

func (p *parser) table() *Table {
	tree := p.doc.Tree()
	p.keys("", tree, "format", "kind", "question", "cause")
	if f, _ := schema.Number(tree["format"]); f != 1 {
		p.fault("format", fmt.Sprintf("format %v is not known", tree["format"]), "format = 1", "a newer table needs a newer Rigkeep")
	}
	if tree["kind"] != "causes" {
		p.fault("kind", fmt.Sprintf("kind is %v", tree["kind"]), `kind = "causes"`, "use a table of causes")
	}
	t := &Table{}
	ids := map[string]bool{}
	once := func(at, id string) {
		if ids[id] {
			p.fault(at+".id", fmt.Sprintf("%q is there twice", id), "each id once", "give it another")
		}
		ids[id] = true
	}
	for i, m := range p.tables("", tree, "question") {
		at := fmt.Sprintf("question[%d]", i)
		p.keys(at, m, "id", "ask", "answer")
		q := Question{ID: p.str(at, m, "id", true), Ask: p.str(at, m, "ask", true)}
		once(at, "question "+q.ID)
		for j, x := range p.tables(at, m, "answer") {
			at := fmt.Sprintf("%s.answer[%d]", at, j)
			p.keys(at, x, "id", "text")
			a := Answer{ID: p.str(at, x, "id", true), Text: p.str(at, x, "text", true)}
			once(at, "answer "+q.ID+" "+a.ID)
			q.Answers = append(q.Answers, a)
		}
		t.Questions = append(t.Questions, q)
	}
	for i, m := range p.tables("", tree, "cause") {
		c := p.cause(t, fmt.Sprintf("cause[%d]", i), m)
		once(fmt.Sprintf("cause[%d]", i), "cause "+c.ID)
		t.Causes = append(t.Causes, c)
	}
	return t
}

func (p *parser) cause(t *Table, at string, m map[string]any) Cause {
	p.keys(at, m, "id", "name", "why", "usual", "needs", "speaks", "act")
	c := Cause{ID: p.str(at, m, "id", true), Name: p.str(at, m, "name", true), Why: p.str(at, m, "why", true), Speaks: map[string]map[string]int{}}
	c.Usual = p.whole(at+".usual", m["usual"], 1, 5)
	if l, ok := m["needs"].([]any); ok {
		for j, x := range l {
			q, _ := x.(string)
			if _, ok := t.Question(q); !ok {
				p.fault(fmt.Sprintf("%s.needs[%d]", at, j), fmt.Sprintf("unknown question %q", q), "the id of a question", "")
			}
			c.Needs = append(c.Needs, q)
		}
	} else if m["needs"] != nil {
		p.fault(at+".needs", "not a list", "a list of questions", "")
	}
	speaks, ok := m["speaks"].(map[string]any)
	if !ok {
		p.fault(at+".speaks", "no answer is evidence for or against this cause", "speaks = { question = { answer = weight } }", "write it")
	}
	for _, qid := range sortedAny(speaks) {
		q, ok := t.Question(qid)
		if !ok {
			p.es = append(p.es, p.doc.KeyFault(join(at+".speaks", qid), fmt.Sprintf("unknown question %q", qid), "the id of a question", ""))
			continue
		}
		c.Speaks[qid] = map[string]int{}
		ws, _ := speaks[qid].(map[string]any)
		for _, aid := range sortedAny(ws) {
			key := join(join(at+".speaks", qid), aid)
			if q.text(aid) == aid && !slices.ContainsFunc(q.Answers, func(a Answer) bool { return a.ID == aid }) {
				p.es = append(p.es, p.doc.KeyFault(key, fmt.Sprintf("the question %s has no answer %q", qid, aid), "the id of an answer", ""))
				continue
			}
			w := p.whole(key, ws[aid], ruledOut, 3)
			if w > ruledOut && w < -3 {
				p.fault(key, fmt.Sprintf("a weight of %d", w), "3 to -3, or -9 to rule the cause out", "")
			}
			c.Speaks[qid][aid] = w
		}
	}
	for j, x := range p.tables(at, m, "act") {
		c.Acts = append(c.Acts, p.act(fmt.Sprintf("%s.act[%d]", at, j), x))
	}
	for j := 1; j < len(c.Acts); j++ {
		if slices.Index(Steps, c.Acts[j].Step) < slices.Index(Steps, c.Acts[j-1].Step) {
			p.fault(fmt.Sprintf("%s.act[%d].step", at, j), c.Acts[j].Step+" stands behind "+c.Acts[j-1].Step, "the order "+strings.Join(Steps, ", "), "move it up")
		}
	}
	return c
}

func (p *parser) whole(key string, v any, lo, hi int) int {
	n, ok := v.(int64)
	if !ok || n < int64(lo) || n > int64(hi) {
		p.fault(key, fmt.Sprintf("%v is not a weight", v), fmt.Sprintf("a whole number from %d to %d", lo, hi), "")
		return 0
	}
	return int(n)
}

func (p *parser) act(at string, m map[string]any) Act {
	p.keys(at, m, "step", "key", "direction", "do", "why")
	a := Act{Step: p.str(at, m, "step", true), Key: p.str(at, m, "key", false), Direction: p.str(at, m, "direction", false), Do: p.str(at, m, "do", true), Why: p.str(at, m, "why", true)}
	if !slices.Contains(Steps, a.Step) {
		p.fault(at+".step", fmt.Sprintf("unknown step %q", a.Step), "one of "+strings.Join(Steps, ", "), schema.Suggest(a.Step, Steps))
	}
	if (a.Step == "stiffness" || a.Step == "filters" || a.Step == "follow") != (a.Key != "") {
		p.fault(at+".key", "a step on a value names its parameter, and no other step does", "a key for stiffness, filters and follow", "")
		return a
	}
	if a.Key == "" {
		return a
	}
	param, ok := p.cat.Param(strings.Replace(a.Key, "AXIS", "pan", 1))
	switch {
	case !ok:
		p.fault(at+".key", fmt.Sprintf("unknown parameter %q", a.Key), "the key of a parameter, with AXIS for the axis", schema.Suggest(a.Key, p.cat.KnownKeys(schema.KindTune)))
	case a.Direction != param.Up && a.Direction != param.Down:
		p.fault(at+".direction", fmt.Sprintf("%q is not a direction of %s", a.Direction, a.Key), param.Up+" or "+param.Down, "")
	case !strings.HasPrefix(param.Group, a.Step):
		p.fault(at+".step", fmt.Sprintf("the step is %s, the parameter is one of %s", a.Step, param.Group), param.Group, "")
	}
	return a
}
