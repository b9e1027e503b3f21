package main

import (
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func explainVerb() command {
	return command{
		name: "explain", args: "[KEY]", short: "explain a parameter",
		long:    "Without a key: all parameters, in the order to adjust them. With --rig: the current value, range and step on that rig.",
		example: "rigkeep explain\nrigkeep explain stiffness.tilt --rig a-cam-prime\nrigkeep explain follow.walk.deadband.pan",
		flags:   []cli.Flag{&cli.BoolFlag{Name: "all", Usage: "the whole text"}, &cli.StringFlag{Name: "rig", Usage: "explain it on this `RIG`"}},
		pages:   true, reads: true, noLib: true, maxArgs: 1, argKind: []string{"key"}, run: runExplain,
	}
}

func runExplain(k *invocation) error {
	var d *library.Loaded
	if rig := k.c.String("rig"); rig != "" {
		if err := k.open(); err != nil {
			return err
		}
		var err error
		if d, err = k.lib.Names().Load(rig, false); err != nil {
			return err
		}
	}
	if len(k.args) == 0 {
		return explainRun{k}.explainList(d)
	}
	key, err := explainRun{k}.explained(k.args[0], d)
	if err != nil {
		return err
	}
	ex, ok := k.cat.Explain(key)
	if ok && d != nil {
		var v any
		if d.Tune != nil {
			v = d.Tune.Values[key]
		}
		ex, ok = k.cat.ExplainOn(key, d.Sheet, v)
	}
	if !ok {
		var known []string
		for _, p := range k.cat.Params() {
			known = append(known, p.Path)
		}
		f := fail(exitNotFound, "unknown parameter %q", key)
		if s := schema.Suggest(key, append(known, k.cat.Expand([]string{"walk"})...)); s != "" {
			return f.hinted("%s", s)
		}
		return f.hinted("Try: rigkeep explain")
	}
	if k.json() {
		return k.encode(struct {
			Format int `json:"format"`
			schema.Explanation
		}{1, ex})
	}
	if k.c.Bool("all") {
		explainRun{k}.printExplanation(ex, d)
	} else {
		explainRun{k}.printShort(ex, d)
	}
	return nil
}

// explained is the parameter that a person names, on a rig or on none: without a rig, a
// parameter of the follow styles stands for all of them.
func (k explainRun) explained(name string, d *library.Loaded) (string, error) {
	keys := library.KeysMeant(k.cat, name, d)
	if len(keys) == 0 {
		for _, p := range k.cat.Params() {
			if strings.HasSuffix(p.Path, "."+name) {
				keys = append(keys, p.Path)
			}
		}
	}
	switch len(keys) {
	case 0:
		return name, nil // said with what is near
	case 1:
		return keys[0], nil
	}
	return "", usage("%q means %d keys: %s", name, len(keys), strings.Join(keys, ", ")).hinted("Name one of them")
}

// shownActs is how many of the parameters that act with this one a screen tells about.
const shownActs = 1

// printShort is the explanation on one screen; printExplanation is all of it.
func (k explainRun) printShort(ex schema.Explanation, d *library.Loaded) {
	head, side := safe.Line(ex.Key), ""
	if on := ex.On; on != nil {
		if on.Value != nil {
			head += " = " + withUnit(schema.Num(*on.Value), on.Unit)
		} else {
			head += " not set"
		}
		head += " on " + d.Label()
		if on.Min != nil && on.Max != nil {
			side = schema.Num(*on.Min) + " to " + schema.Num(*on.Max)
			if on.LargerIs != "" {
				side += ", larger is " + on.LargerIs
			}
		}
	} else if ex.Range != "" {
		side = ex.Range
	}
	t := table{}
	t.add(head, side)
	k.write(k.paint.bold(strings.TrimSuffix(t.render(paint{}, "", k.wide), "\n")) + "\n\n")
	k.write(wrap(ex.Does, "", k.wide) + "\n")
	t = table{}
	add := func(label, text string) {
		if text != "" {
			t.add(label, text)
		}
	}
	add("▲ "+ex.Up, ex.Raise)
	add("▼ "+ex.Down, ex.Lower)
	if on := ex.On; on != nil {
		var steps []string
		for _, s := range []struct {
			name string
			st   *schema.Step
		}{{"fine", on.Fine}, {"coarse", on.Coarse}} {
			if s.st == nil {
				continue
			}
			w := s.name + " " + schema.Num(s.st.Size)
			var to []string
			for _, m := range []*schema.Move{s.st.Up, s.st.Down} {
				if m != nil {
					to = append(to, schema.Num(m.To))
				}
			}
			if to != nil {
				w += " (to " + schema.Either(to) + ")"
			}
			steps = append(steps, w)
		}
		if on.Default != nil {
			steps = append(steps, "sheet default "+schema.Num(*on.Default))
		}
		add("Steps", strings.Join(steps, ", "))
		if on.Missing {
			add("Dial", "none on this gimbal's sheet")
		}
		for _, pr := range on.Problems {
			add("Problem", pr.Error())
		}
	}
	add("Too much", ex.TooMuch)
	add("Too little", ex.TooLittle)
	for i, w := range ex.With {
		if i == shownActs {
			break
		}
		label := "Acts with"
		if i > 0 {
			label = ""
		}
		t.add(label, w.Key+": "+w.Text)
	}
	k.write(t.render(k.paint, "", k.wide) + "\n")
	if len(ex.Cautions) > 0 {
		k.write(wrap("Caution: "+strings.Join(ex.Cautions, " "), "", k.wide))
	}
	k.printf("Adjust %s of %d. Full text: --all\n", ordinal(ex.Order), ex.Of)
}

func (k explainRun) printExplanation(ex schema.Explanation, d *library.Loaded) {
	p := func(label, text string) {
		if text != "" {
			k.printf("\n%s\n%s", k.paint.bold(label), wrap(text, "  ", k.wide))
		}
	}
	k.printf("%s\n", k.paint.bold(safe.Line(ex.Key)))
	k.write(wrap(ex.Doc, "  ", k.wide))
	if ex.Range != "" {
		k.write(wrap("takes "+ex.Range, "  ", k.wide))
	}
	if ex.On != nil {
		k.printf("\n%s\n", k.paint.bold("On "+d.Label()+" ("+ex.On.Gimbal+")"))
		k.printOn(ex)
	}
	p("What it does", ex.Does)
	p("▲ "+ex.Up, ex.Raise)
	p("▼ "+ex.Down, ex.Lower)
	p("Too much looks like", ex.TooMuch)
	p("Too little looks like", ex.TooLittle)
	if len(ex.With) > 0 {
		k.printf("\n%s\n", k.paint.bold("Affects and affected by"))
		t := table{}
		for _, w := range ex.With {
			t.add(w.Key, w.Text)
		}
		k.write(t.render(k.paint, "  ", k.wide))
	}
	if len(ex.Cautions) > 0 {
		k.printf("\n%s\n", k.paint.bold("Caution"))
		for _, c := range ex.Cautions {
			k.write(wrap(c, "  ", k.wide))
		}
	}
	k.printf("\n")
	k.write(wrap(fmt.Sprintf("Adjust %s of %d (%s).", ordinal(ex.Order), ex.Of, ex.Title), "", k.wide))
}

// printOn is how a parameter stands on one rig: its value, range and steps.
func (k explainRun) printOn(ex schema.Explanation) {
	on := ex.On
	t := table{}
	if on.Missing {
		t.add("dial", "not in this gimbal's sheet")
	}
	if on.Value != nil {
		v := withUnit(schema.Num(*on.Value), on.Unit)
		if on.ValueSI != nil {
			if si := schema.Sig(*on.ValueSI, 4) + " " + on.SIUnit; si != v {
				if on.Extrapolated {
					si += schema.ExtrapolatedWords
				}
				v += "  (" + si + ")"
			}
		}
		t.add("now", v)
	} else {
		t.add("now", "not set")
	}
	if on.Min != nil && on.Max != nil {
		r := schema.Num(*on.Min) + " to " + schema.Num(*on.Max)
		if on.LargerIs != "" {
			r += ", larger is " + on.LargerIs
		}
		if on.MinSI != nil && on.MaxSI != nil {
			r += fmt.Sprintf("  (%s to %s %s)", schema.Sig(*on.MinSI, 4), schema.Sig(*on.MaxSI, 4), on.SIUnit)
		}
		t.add("range", r)
	}
	if on.Default != nil {
		t.add("default", schema.Num(*on.Default))
	}
	for _, s := range []struct {
		name string
		st   *schema.Step
	}{{"one coarse step", on.Coarse}, {"one fine step", on.Fine}} {
		if s.st != nil {
			t.add(s.name, stepWords(s.st, ex))
		}
	}
	if on.Raises != "" {
		t.add("also changes", on.Raises)
	}
	for _, pr := range on.Problems {
		t.add("problem", pr.Error())
	}
	k.write(t.render(k.paint, "  ", k.wide))
}

func ordinal(n int) string {
	suffix := "th"
	if n%100 < 11 || n%100 > 13 {
		suffix = map[int]string{1: "st", 2: "nd", 3: "rd"}[n%10]
		if suffix == "" {
			suffix = "th"
		}
	}
	return fmt.Sprintf("%d%s", n, suffix)
}

func (k explainRun) explainList(d *library.Loaded) error {
	list := k.cat.List()
	if k.json() {
		return k.encode(struct {
			Format int                `json:"format"`
			Groups []schema.GroupList `json:"groups"`
		}{1, list})
	}
	for i, g := range list {
		if i > 0 {
			k.printf("\n")
		}
		k.printf("%s\n%s", k.paint.bold(g.Title), wrap(g.About, "  ", k.wide))
		t := table{}
		for _, b := range g.Params {
			now := ""
			if d != nil && d.Tune != nil {
				if v, ok := d.Tune.Values[b.Key]; ok {
					now = valueText(v)
				} else if strings.Contains(b.Key, "*") {
					var vs []string
					for _, s := range d.Tune.Styles() {
						if v, ok := d.Tune.Values[strings.Replace(b.Key, "*", s, 1)]; ok {
							vs = append(vs, s+" "+valueText(v))
						}
					}
					now = strings.Join(vs, ", ")
				}
			}
			if d != nil {
				t.add(b.Key, now, b.Doc)
			} else {
				t.add(b.Key, b.Doc)
			}
		}
		k.write(t.render(k.paint, "  ", k.wide))
	}
	k.say("Try: rigkeep explain stiffness.tilt")
	return nil
}

// stepWords says what one step means both ways.
func stepWords(s *schema.Step, ex schema.Explanation) string {
	out := withUnit(schema.Num(s.Size), ex.Unit)
	if s.Share != nil {
		out += fmt.Sprintf(", %.1f %% of the range", *s.Share*100)
	}
	for _, m := range []struct {
		word string
		to   *schema.Move
	}{{ex.Up, s.Up}, {ex.Down, s.Down}} {
		if m.to == nil {
			continue
		}
		out += fmt.Sprintf("; %s to %s", m.word, schema.Num(m.to.To))
		if m.to.SI != nil && ex.On != nil {
			note := ""
			if m.to.Extrapolated {
				note = schema.ExtrapolatedWords
			}
			out += fmt.Sprintf(" (%+.3g %s%s)", *m.to.SI, ex.On.SIUnit, note)
		}
		if m.to.DelayS != nil {
			out += fmt.Sprintf(", %+.2g ms of delay", *m.to.DelayS*1000)
		}
	}
	return out
}
