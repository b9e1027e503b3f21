package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/preset/identify"
	"rigkeep/preset/start"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

const startCaution = "these are low starting points, not safe values. Balance first. Raise one axis at a time and keep a hand at the motor switch: an oscillating axis can throw a loose part and pinch fingers. The maker's manual, local codes and qualified crew come first."

// startView is what start prints: the answer first, reasons behind --why, all else
// behind --all.
type startView struct {
	*invocation
	d       *library.Loaded
	res     *start.Result
	skipped []library.Skipped
	facts   *identify.Unit
}

func (v startView) print() {
	known := false
	for _, o := range v.res.Offers {
		known = known || o.Kind == start.Stiffness && o.Status != start.Unknown
	}
	if !known {
		v.nothing()
		return
	}
	v.table()
	v.follow()
	switch {
	case v.c.Bool("all"):
		v.blocks(true)
		v.rest()
	case v.c.Bool("why"):
		v.blocks(false)
	default:
		v.notes()
	}
	v.printf("\n")
	v.write(wrap("Caution: "+startCaution, "", v.wide))
	if !v.c.Bool("write") {
		v.say("Try: rigkeep start %s --write", v.args[0])
	}
	if !v.c.Bool("why") && !v.c.Bool("all") {
		v.say("Evidence for each value: --why")
	}
}

// nothing says that no stiffness can be offered, and the three ways on.
func (v startView) nothing() {
	name, key := refName(v.d), "tilt"
	if d := v.d.Sheet.Dials["stiffness.tilt"]; d.ShownAs != "" {
		key = d.ShownAs
	}
	v.printf("%s on %s, %s: no starting tune, nothing proved on this gimbal\n\n", v.paint.bold(v.d.Label()), v.d.Sheet.Slug, v.units().kg(v.d.Rig.Mass()))
	v.printf("Type in what is on the controller:\n")
	v.printf("Try: rigkeep set %s %s\n", name, shellWord(key+"=VALUE"))
	if hits, _, err := (buildRun{v.invocation}).nearestRigs(v.d.Rig); err == nil {
		if i := slices.IndexFunc(hits, func(h nearRig) bool { return len(h.Tunes) > 0 }); i >= 0 {
			v.printf("Or copy the nearest rig that has a tune, and prove it anew:\n")
			v.printf("Try: rigkeep copy %s %s\n", hits[i].Alias, name)
		}
	}
	if slices.ContainsFunc(schema.Axes[:], func(a schema.Axis) bool { _, ok := v.d.Sheet.Dials["stiffness."+a.String()]; return ok }) {
		v.printf("Or begin a bench session, from the soft end of each dial:\n")
		v.printf("Try: rigkeep bench %s\n", name)
	} else {
		v.printf("Or type the controller's dials into the sheet, for a bench session:\n")
		v.printf("Try: rigkeep edit gimbal:%s\n", v.d.Sheet.Slug)
	}
	for _, w := range v.res.Warnings {
		v.write(wrap(v.paint.warn("Note: ")+safe.Text(w), "", v.wide))
	}
	v.printf("\n")
	v.write(wrap("Caution: "+startCaution, "", v.wide))
}

// name is a parameter as the screen has it: axes in capitals.
func (v startView) name(o start.Offer) string {
	_, last, ok := strings.Cut(o.Key, ".")
	if !ok {
		return o.Key
	}
	if o.Kind == start.Stiffness {
		return strings.ToUpper(last)
	}
	return last
}

func (v startView) unit(key string) string { return v.d.Sheet.Dials[key].Unit }

func (v startView) table() {
	level, unit, same := 0.0, "", true
	for _, o := range v.res.Offers {
		if o.Final != nil {
			level = o.Final.Level
		}
		if u := v.unit(o.Key); o.Kind == start.Stiffness {
			same = same && (unit == "" || unit == u)
			unit = u
		}
	}
	v.printf("%s on %s, %s: starting tune\n\n", v.paint.bold(v.d.Label()), v.d.Sheet.Slug, v.units().kg(v.d.Rig.Mass()))
	t := table{head: true, right: map[int]bool{1: true}}
	expected := "expected"
	if level > 0 {
		expected = fmt.Sprintf("expected (%.0f %%)", 100*level)
	}
	t.add("", "start at", expected, "based on")
	for _, o := range v.res.Offers {
		val, iv := schema.Num(o.Value), ""
		if o.Kind == start.Filter && v.unit(o.Key) != "" {
			val += " " + v.unit(o.Key)
		}
		switch {
		case o.Status == start.Unknown:
			val, iv = "–", "not known"
		case o.Status == start.Default:
			iv = "sheet default"
		case o.Kind == start.Filter:
			iv = "as proved"
		case o.Final != nil:
			iv = schema.Sig(o.Final.Lo, 3) + " to " + schema.Sig(o.Final.Hi, 3)
			if o.Status == start.Outside {
				iv += ", off the dial"
			}
		}
		t.add(v.name(o), val, iv, basedOn(o))
	}
	v.write(t.render(v.paint, "  ", v.wide))
	text := "Start low and work up; " + v.d.Sheet.Raises() + "."
	if same && unit != "" {
		text = "Stiffness in " + unit + ". " + text
	}
	v.printf("\n")
	v.write(wrap(text, "", v.wide))
}

// basedOn names the evidence of an offer in a few words.
func basedOn(o start.Offer) string {
	counts := map[string]int{}
	for _, e := range o.Evidence {
		counts[e.Kind]++
	}
	var out []string
	if n := counts["own"]; n > 0 {
		out = append(out, schema.Count(n, "own proof", "own proofs"))
	}
	switch {
	case o.Kind == start.Filter && o.Status != start.Unknown && counts["own"] == 0:
		return schema.Count(o.N, "near rig", "near rigs")
	case o.Rigs > 0:
		out = append(out, schema.Count(o.Rigs, "proved rig", "proved rigs"))
	}
	for _, k := range [][2]string{{"reference", "reference"}, {"learned", "learned onsets"}, {"loop", "loop model"}} {
		if counts[k[0]] > 0 {
			out = append(out, k[1])
		}
	}
	if len(out) == 0 {
		return "nothing"
	}
	return strings.Join(out, ", ")
}

// follow lists the styles asked for, a line each unless all is wanted.
func (v startView) follow() {
	for _, f := range v.res.Follow {
		if f.Style == nil {
			v.printf("\n")
			v.write(wrap("No style for "+safe.Text(f.Shot)+": "+safe.Text(f.Problem), "", v.wide))
			continue
		}
		var parts []string
		for _, key := range slices.Sorted(maps.Keys(f.Style.Values)) {
			parts = append(parts, strings.TrimPrefix(key, "follow.")+" "+schema.Num(f.Style.Values[key]))
		}
		v.printf("\n")
		v.write(wrap("Style for "+safe.Text(f.Shot)+": "+safe.Text(strings.Join(parts, ", ")), "", v.wide))
		if v.c.Bool("why") || v.c.Bool("all") {
			v.write(wrap(safe.Text(f.Style.Reason), "  ", v.wide))
		}
	}
}

// shownNotes is how many notes the short screen has room for, at two lines each.
const shownNotes = 2

// notes are the warnings, each once, in the order in which they matter.
func (v startView) allNotes() []string {
	var out []string
	axes := map[string][]string{}
	for _, o := range v.res.Offers {
		for _, w := range o.Warnings {
			if axes[w] == nil {
				out = append(out, w)
			}
			axes[w] = append(axes[w], v.name(o))
		}
	}
	stiff := 0
	for _, o := range v.res.Offers {
		if o.Kind == start.Stiffness {
			stiff++
		}
	}
	for i, w := range out {
		if n := len(axes[w]); n < stiff {
			out[i] = strings.Join(axes[w], ", ") + ": " + w
		}
	}
	return append(append([]string{}, v.res.Warnings...), out...)
}

func (v startView) notes() {
	all := v.allNotes()
	for i, w := range all {
		if i == shownNotes {
			v.printf("%s more: --why\n", schema.Count(len(all)-i, "note", "notes"))
			break
		}
		v.write(firstLines(wrap(v.paint.warn("Note: ")+safe.Text(w), "", v.wide), 2))
	}
}

// firstLines is the beginning of a text, marked where it goes on.
func firstLines(text string, n int) string {
	lines := strings.SplitAfter(strings.TrimSuffix(text, "\n"), "\n")
	if len(lines) <= n {
		return text
	}
	last := strings.TrimRight(lines[n-1], "\n ")
	if i := strings.LastIndexByte(last, ' '); i > 0 && len([]rune(last)) > 76 {
		last = last[:i]
	}
	return strings.Join(lines[:n-1], "") + last + " …\n"
}

// blocks are the reasons, one block for each value.
func (v startView) blocks(all bool) {
	for _, o := range v.res.Offers {
		if o.Kind == start.Filter && !all {
			continue
		}
		head := fmt.Sprintf("%s: %s", v.name(o), schema.Num(o.Value))
		if o.Final != nil {
			head = fmt.Sprintf("%s: start at %s, the low end of %s to %s", v.name(o), schema.Num(o.Value), schema.Sig(o.Final.Lo, 3), schema.Sig(o.Final.Hi, 3))
		}
		v.printf("\n%s\n", v.paint.bold(head))
		t := table{right: map[int]bool{1: true}}
		for _, e := range o.Evidence {
			if e.Kind == "physics" && !all {
				continue
			}
			num := ""
			if e.Value != 0 {
				num = schema.Sig(e.Value, 3)
			}
			t.add(evidenceName(e.Kind), num, safe.Text(e.Text))
		}
		v.write(t.render(v.paint, "  ", v.wide))
		if all {
			v.write(wrap(safe.Text(o.Reason), "  ", v.wide))
		}
		if o.Assumption != "" {
			v.write(wrap("Assumed: "+safe.Text(o.Assumption), "  ", v.wide))
		}
		for _, x := range o.Outliers {
			v.write(wrap(fmt.Sprintf("Counts less: %s at %s, the line expects %s", safe.Text(x.Ref), schema.Num(x.Value), schema.Sig(x.Line, 3)), "  ", v.wide))
		}
		for _, x := range o.Refused {
			v.write(wrap("Not used: "+safe.Text(x.Ref)+": "+safe.Text(x.Reason), "  ", v.wide))
		}
		for _, w := range o.Warnings {
			v.write(wrap(v.paint.warn("Note: ")+safe.Text(w), "  ", v.wide))
		}
	}
	for _, w := range v.res.Warnings {
		v.printf("\n")
		v.write(wrap(v.paint.warn("Note: ")+safe.Text(w), "", v.wide))
	}
}

func evidenceName(kind string) string {
	switch kind {
	case "own", "proved", "proved-rest":
		return "proved"
	case "loop":
		return "loop model"
	case "learned":
		return "onsets"
	}
	return kind
}

// rest is what only --all shows: what sessions told of the unit, and files that
// could not serve.
func (v startView) rest() {
	startRun{v.invocation}.printUnit(v.facts)
	for _, s := range v.skipped {
		v.say("not used as evidence: %s", safe.Line(s.Path+": "+s.Why))
	}
}

// printUnit says what sessions told of a unit, nothing where they told nothing.
func (k startRun) printUnit(u *identify.Unit) {
	if u == nil {
		return
	}
	words := append(u.Words(), u.Refused...)
	if len(words) == 0 {
		return
	}
	k.out("\n%s\n", k.paint.bold("Unit "+safe.Line(u.Unit)+", from its sessions"))
	for _, w := range words {
		k.out("%s", wrap(safe.Text(w), "  ", k.wide))
	}
}
