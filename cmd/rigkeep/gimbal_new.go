package main

import (
	"errors"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"sync"
	"unicode"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/preset/unit"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

// runGimbalNew asks for a gimbal on a terminal; to a file or a pipe goes the template.
func runGimbalNew(k *invocation) error {
	f, ok := k.Stdin.(*os.File)
	asks := k.c.Bool("plain") || ok && tty(f) && tty(k.Stdout) && !k.json() && !k.dryRun()
	if len(k.args) > 0 || !asks {
		if k.c.Bool("plain") {
			return usage("--plain asks, and FILE is for the template").hinted("give one of the two")
		}
		return gimbalRun{k}.template(schema.KindGimbal)
	}
	if err := k.open(); err != nil {
		return err
	}
	a, done, err := k.ask(k.c.Bool("plain"))
	if err != nil {
		return err
	}
	g := &newGimbal{k: k, a: a}
	err = g.walk()
	done()
	if errors.Is(err, errStopped) {
		return stopped("stopped; nothing changed", "Start again with: rigkeep gimbal new")
	}
	if err != nil {
		return err
	}
	return g.keep()
}

// newGimbal is a sheet that is being asked for: only what was answered goes into it.
type newGimbal struct {
	k           *invocation
	a           *prompter
	slug, name  string
	payload     []float64 // kg: greatest, or least and greatest
	box         []float64 // m
	tilt        []float64 // degrees up and down
	adjustments []schema.Adjustment
	dials       []newDial
}

type newDial struct {
	key, shown, up         string
	min, max, fine, coarse float64
}

// until asks for a line until take has no more to say of it. An empty line leaves a
// question out where it may be.
func (g *newGimbal) until(prompt string, needed bool, take func(string) error) error {
	for {
		s, err := g.a.line(prompt)
		if err != nil {
			return err
		}
		if s == "" {
			if !needed {
				return nil
			}
			g.a.say("This one is needed.")
			continue
		}
		was := *g
		if err = take(strings.ReplaceAll(s, "−", "-")); err == nil {
			_, err = g.sheet()
		}
		if err == nil {
			return nil
		}
		*g = was
		var fe *file.Error
		if errors.As(err, &fe) {
			err = fmt.Errorf("%s", strings.TrimSuffix(fe.What+"; "+fe.Fix, "; "))
		}
		g.a.say("%s", safe.Line(err.Error()))
	}
}

func (g *newGimbal) walk() error {
	a := g.a
	a.say("A gimbal sheet: name and payload are needed, Enter leaves anything else unknown. What is not known is never guessed.")
	if err := g.until("What do you call this gimbal?", true, func(s string) error {
		g.name, g.slug = s, schema.Slug(s)
		if !preset.IsName(g.slug) {
			return fmt.Errorf("%q has no letter or digit to name a file by", s)
		}
		if _, err := g.k.lib.Sheet("", g.slug); err == nil {
			return fmt.Errorf("there is a sheet %s already; choose another name, or leave with Ctrl-C and: rigkeep edit gimbal:%s", g.slug, g.slug)
		}
		return nil
	}); err != nil {
		return err
	}
	if err := g.until("Payload by the manual, as 0.8 to 4 kg, or the greatest alone:", true, func(s string) (err error) {
		if g.payload, err = spanOf(s, unit.Mass, "kg"); err == nil && (g.payload[0] < 0 || g.payload[len(g.payload)-1] > 100 || g.payload[len(g.payload)-1] <= 0) {
			err = fmt.Errorf("a payload lies above 0 and up to 100 kg")
		}
		return err
	}); err != nil {
		return err
	}
	if err := g.until("Clear space, length x width x height, as 250x180x170mm (gives clearances):", false, func(s string) (err error) {
		if !strings.ContainsFunc(strings.NewReplacer("x", "", "X", "", "×", "").Replace(s), unicode.IsLetter) {
			s += " mm" // as the scales of the slides below
		}
		g.box, err = unit.ParseSize(s, 3)
		return err
	}); err != nil {
		return err
	}
	if err := g.until("Tilt travel in degrees, up/down, as 45/90 (gives inertia and limits over tilt):", false, func(s string) (err error) {
		up, down, ok := strings.Cut(s, "/")
		if !ok {
			return fmt.Errorf("%q: two numbers with a stroke between, as 45/90", s)
		}
		g.tilt = nil
		for _, t := range []string{up, down} {
			v, err := unit.Number(strings.TrimRight(strings.TrimSpace(t), "° "))
			if err != nil || v < 0 || v > schema.MaxTiltDeg {
				return fmt.Errorf("%q is not an angle from 0 to 180", strings.TrimSpace(t))
			}
			g.tilt = append(g.tilt, v)
		}
		return nil
	}); err != nil {
		return err
	}
	a.say("\nSlides with a scale, one a line, in the order in which you set them: name, the axis it balances, its least and greatest mark in mm, and where the camera goes with a larger mark. As: plate, tilt, 0 to 120, forward (gives the marks of the next build)")
	for more := true; more; {
		more = false
		if err := g.until(fmt.Sprintf("slide %d (Enter: no more):", len(g.adjustments)+1), false, func(s string) error {
			adj, err := slideOf(s)
			if err != nil {
				return err
			}
			for _, x := range g.adjustments {
				if strings.EqualFold(x.Name, adj.Name) {
					return fmt.Errorf("%s was given already", x.Name)
				}
			}
			g.adjustments, more = append(g.adjustments, adj), true
			return nil
		}); err != nil {
			return err
		}
	}
	return g.askDials()
}

// askDials asks for the numbers of the controller, a line for what comes in pan, tilt and roll.
func (g *newGimbal) askDials() error {
	type group struct {
		title string
		of    []schema.Param
	}
	var groups []group
	for _, p := range g.k.cat.Params() {
		if p.Dial == "" {
			continue
		}
		title := p.Name
		if p.Axis != "" {
			title = strings.TrimSuffix(strings.TrimSuffix(p.Name, p.Axis), ", ")
		}
		i := slices.IndexFunc(groups, func(x group) bool { return x.title == title })
		if i < 0 {
			i, groups = len(groups), append(groups, group{title: title})
		}
		groups[i].of = append(groups[i].of, p)
	}
	g.a.say("\nNumbers on its controller: what it calls them, least to greatest, and its step. As: Brace 1, Brace 2, Brace 3: 0 to 120 step 1 (gives ranges, steps, and its own names to type)")
	for _, gr := range groups {
		var axes []string
		for _, p := range gr.of {
			axes = append(axes, p.Axis)
		}
		title := gr.title
		if len(axes) > 1 {
			title += " of " + strings.Join(axes, ", ")
		}
		from := len(g.dials)
		if err := g.until(title+" (Enter: none or later):", false, func(s string) error {
			ds, err := dialsOf(s, axes)
			if err != nil {
				return err
			}
			for i, d := range ds {
				if d.shown == "-" {
					continue
				}
				d.key, d.up = gr.of[i].Dial, gr.of[i].Up
				g.dials = append(g.dials, d)
			}
			return nil
		}); err != nil {
			return err
		}
		if len(g.dials) == from {
			continue
		}
		p := gr.of[0]
		key, _, err := g.a.chooseByLine(fmt.Sprintf("Is a larger number %s? [y/n]", p.Up), []choice{{'y', "yes"}, {'n', "no, " + p.Down}}, 0)
		if err != nil {
			return err
		}
		for i := from; i < len(g.dials) && key == 'n'; i++ {
			g.dials[i].up = p.Down
		}
	}
	return nil
}

// sheet is the text of what was answered so far, checked as any sheet is; nil before
// name and payload.
func (g *newGimbal) sheet() ([]byte, error) {
	if g.payload == nil {
		return nil, nil
	}
	path := preset.GimbalPath(g.slug)
	w := file.NewWriter(path)
	w.Key("format", schema.Format)
	w.Key("kind", schema.KindGimbal)
	w.Key("name", g.name)
	w.Table("payload")
	if len(g.payload) > 1 {
		w.Key("min_kg", preset.Rounded(g.payload[0], 6))
	}
	w.Key("max_kg", preset.Rounded(g.payload[len(g.payload)-1], 6))
	if g.box != nil {
		w.Table("space")
		w.Key("box_mm", inMM(g.box))
	}
	if g.tilt != nil {
		w.Table("travel", "tilt")
		w.Key("up_deg", g.tilt[0])
		w.Key("down_deg", g.tilt[1])
	}
	for _, a := range g.adjustments {
		w.ArrayTable("adjustment")
		w.Key("name", a.Name)
		w.Key("stage", a.Stage.String())
		w.Key("moves", a.Along())
		w.Key("rising", a.Rising())
		w.Key("range_mm", inMM(a.Range[:]))
	}
	for _, d := range g.dials {
		w.Table(append([]string{"dial"}, strings.Split(d.key, ".")...)...)
		w.Key("shown_as", d.shown)
		w.Key("min", d.min)
		w.Key("max", d.max)
		w.Key("coarse", d.coarse)
		w.Key("fine", d.fine)
		w.Key("up", d.up)
	}
	doc, err := w.Doc()
	if err == nil {
		_, err = preset.ReadAs(g.k.cat, path, schema.KindGimbal, doc.Text(), nil)
	}
	if err != nil {
		return nil, err
	}
	return doc.Text(), nil
}

// keep saves the sheet as one revision, and says what each number left out would buy.
func (g *newGimbal) keep() error {
	text, err := g.sheet()
	if err != nil {
		return err
	}
	g.k.printf("\n")
	if err := g.k.addSheets([]library.NewFile{{Path: preset.GimbalPath(g.slug), Text: text, What: "gimbal sheet " + g.slug}}, "Add"); err != nil {
		return err
	}
	t := table{}
	for _, x := range []struct {
		left       bool
		what, buys string
	}{
		{g.box == nil, "clear space (space.box_mm)", "clearances: with a ruler, or the manual"},
		{g.tilt == nil, "tilt travel (travel.tilt)", "inertia and limits over the tilts in use"},
		{g.adjustments == nil, "slides ([[adjustment]])", "the marks of the next build"},
		{g.dials == nil, "dials ([dial…])", "ranges, steps and names; tunes keep numbers till then"},
		{true, "motor torque (motor.….torque_nm)", "efforts in mm and marks in effort"},
		{true, "loop delay (loop.delay_s)", "margins to oscillation"},
	} {
		if x.left {
			t.add(x.what, x.buys)
		}
	}
	g.k.printf("%s\n", g.k.paint.bold("Not known yet, and what it would buy"))
	g.k.write(t.render(g.k.paint, "  ", g.k.wide))
	g.k.say("Try: rigkeep unit new %s SERIAL\nTry: rigkeep edit gimbal:%s", g.slug, g.slug)
	return nil
}

func inMM(m []float64) []any {
	var out []any
	for _, v := range m {
		out = append(out, preset.Rounded(v*1000, 6))
	}
	return out
}

const aNumber, aUnit = `([-+]?\d+(?:[.,]\d+)?)`, `(?:\s*(kg|g|lb|oz|mm|cm|m|in)\b)?`

// span is two numbers with a word or sign between: "0 to 120", "0.8-4kg", "-20..20".
var span = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(aNumber + aUnit + `\s*(?:to|\.\.|-|–)\s*` + aNumber + aUnit)
})

// spanOf reads a range in one unit, or a number alone.
func spanOf(s string, kind unit.Kind, bare string) ([]float64, error) {
	s = strings.TrimSpace(s)
	m := span().FindStringSubmatch(s)
	if m == nil || m[0] != s {
		v, err := unit.ParseIn(kind, s, bare)
		return []float64{v}, err
	}
	if m[4] != "" {
		bare = m[4]
	}
	if m[2] == "" {
		m[2] = bare
	}
	lo, err := unit.ParseIn(kind, m[1]+m[2], bare)
	if err != nil {
		return nil, err
	}
	hi, err := unit.ParseIn(kind, m[3]+bare, bare)
	if err != nil {
		return nil, err
	}
	if lo >= hi {
		return nil, fmt.Errorf("%q: the least comes first", s)
	}
	return []float64{lo, hi}, nil
}

// alongAxis is the direction of each motor axis, as Adjustment.Moves has it.
var alongAxis = map[schema.Axis]int{schema.Roll: 0, schema.Tilt: 1, schema.Pan: 2}

// slideOf reads an adjustment: name, axis, range and direction, in any order behind the name.
func slideOf(s string) (a schema.Adjustment, err error) {
	m := span().FindStringIndex(s)
	if m == nil {
		return a, fmt.Errorf("%q has no marks; write its least and greatest, as 0 to 120", s)
	}
	mm, err := spanOf(s[m[0]:m[1]], unit.Length, "mm")
	if err != nil {
		return a, err
	}
	a.Range = &[2]float64{mm[0], mm[1]}
	var name []string
	axis := false
	for _, w := range strings.FieldsFunc(s[:m[0]]+" "+s[m[1]:], func(r rune) bool { return r == ',' || r == ' ' || r == '(' || r == ')' }) {
		x, isAxis := schema.ParseAxis(strings.ToLower(w))
		moves, sign, isWay := schema.ParseRising(strings.ToLower(w))
		switch {
		case isAxis && !axis:
			a.Stage, axis = x, true
		case isWay && a.Direction == 0:
			a.Moves, a.Direction = moves, sign
		case slices.Contains([]string{"rises", "rising", "mm"}, strings.ToLower(w)):
		default:
			name = append(name, w)
		}
	}
	a.Name = strings.Join(name, " ")
	switch {
	case a.Name == "":
		return a, fmt.Errorf("%q has no name", s)
	case !axis:
		return a, fmt.Errorf("which axis does %s balance? add pan, tilt or roll", a.Name)
	case a.Direction != 0 && a.Moves == alongAxis[a.Stage]:
		return a, fmt.Errorf("%s moves the camera along the %s axis, which balances nothing about it; name another axis or way", a.Name, a.Stage)
	case a.Direction == 0:
		return a, fmt.Errorf("where does the camera go with a larger mark of %s? add forward, back, left, right, up or down", a.Name)
	}
	return a, nil
}

// dialNames are the names in a list with commas, or as a manual prints them: "Brace 1/2/3" is
// Brace 1, Brace 2 and Brace 3.
func dialNames(s string, most int) []string {
	var out []string
	for _, n := range strings.FieldsFunc(s, func(r rune) bool { return r == ',' || r == ';' }) {
		out = append(out, strings.TrimSpace(n))
	}
	if len(out) != 1 || most < 2 {
		return out
	}
	head, tail := "", out[0]
	if i := strings.LastIndexByte(tail, ' '); i >= 0 {
		head, tail = tail[:i+1], tail[i+1:]
	}
	ends := strings.Split(tail, "/")
	if len(ends) < 2 || len(ends) > most || slices.Contains(ends, "") {
		return out
	}
	out = nil
	for _, e := range ends {
		out = append(out, head+e)
	}
	return out
}

// dialsOf reads the names of dials and the range that they share.
func dialsOf(s string, axes []string) ([]newDial, error) {
	m := span().FindAllStringIndex(s, -1)
	if m == nil {
		return nil, fmt.Errorf("%q has no range; write its least and greatest number, as 0 to 120", s)
	}
	at := m[len(m)-1]
	d := newDial{fine: 1}
	ends := span().FindStringSubmatch(s[at[0]:at[1]])
	var err error
	if d.min, err = unit.Number(ends[1]); err != nil {
		return nil, err
	}
	if d.max, err = unit.Number(ends[3]); err != nil {
		return nil, err
	}
	if d.min >= d.max {
		return nil, fmt.Errorf("the least number comes first, as 0 to 120")
	}
	rest := strings.Trim(strings.ToLower(ends[4]+s[at[1]:]), " ,;")
	if rest = strings.TrimSpace(strings.TrimPrefix(strings.TrimPrefix(rest, "in"), " ")); rest != "" {
		rest = strings.TrimSpace(strings.TrimLeft(strings.TrimPrefix(rest, "step"), "s of"))
		if d.fine, err = unit.Number(rest); err != nil || d.fine <= 0 || d.fine > d.max-d.min {
			return nil, fmt.Errorf("%q is not a step of it; write it last, as step 1", rest)
		}
	}
	d.coarse = schema.CoarseStep(d.min, d.max, d.fine)
	var out []newDial
	for _, n := range dialNames(strings.TrimRight(strings.TrimSpace(s[:at[0]]), ":,; "), len(axes)) {
		d.shown = n
		out = append(out, d)
	}
	switch {
	case len(out) == 0:
		return nil, fmt.Errorf("what does the controller call it? write the name before the range")
	case len(out) > len(axes):
		return nil, fmt.Errorf("%s, where %d are asked for", schema.Count(len(out), "name", "names"), len(axes))
	case len(axes) > 1 && len(out) == 1:
		return nil, fmt.Errorf("one name each for %s, with commas between, a - where there is none", strings.Join(axes, ", "))
	}
	return out, nil
}
