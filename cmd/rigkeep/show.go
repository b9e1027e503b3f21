package main

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"rigkeep/diffview/safe"
	"rigkeep/diffview/sheet"
	"rigkeep/preset"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

func showVerb() command {
	return command{
		name: "show", args: "RIG[/TUNE][@WHEN]", short: "show a tune, now or at a job, date or revision",
		long:    "Shows the values with units, the proof and its state, and unsaved edits. --all lists each key with its SI value; --raw prints the file.",
		example: "rigkeep show a-cam-prime\nrigkeep show a-cam-prime@~1\nrigkeep show a-cam-prime@night-pilotage --json",
		flags:   boolFlags("all", "list every key, with its SI value where the gimbal sheet has a conversion", "raw", "print the file itself, also of an unreadable tune"),
		pages:   true, reads: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, run: runShow,
	}
}

// jsonTune is the documented shape of a tune.
type jsonTune struct {
	Format   int                  `json:"format"`
	Rig      string               `json:"rig"`
	Alias    string               `json:"alias"`
	Gimbal   string               `json:"gimbal"`
	Tune     string               `json:"tune"`
	Revision string               `json:"revision,omitempty"`
	When     *time.Time           `json:"when,omitempty"`
	By       string               `json:"by,omitempty"`
	Job      string               `json:"job,omitempty"`
	Note     string               `json:"note,omitempty"`
	Values   map[string]jsonValue `json:"values"`
	Proof    *jsonProof           `json:"proof,omitempty"` // of stiffness and filters
	Groups   []jsonGroup          `json:"groups"`          // every group of values, and whether it is proved
	Unsaved  []string             `json:"unsaved"`
}

type jsonValue struct {
	Value  any      `json:"value"`
	Unit   string   `json:"unit,omitempty"`
	SI     *float64 `json:"si,omitempty"`
	SIUnit string   `json:"si_unit,omitempty"`
	// outside the points of a measured map
	Extrapolated bool `json:"extrapolated,omitempty"`
}

// jsonGroup is how one group of a tune's values stands.
type jsonGroup struct {
	Group   string     `json:"group"` // "hold", "limits", "horizon", "style.NAME"
	State   string     `json:"state"` // "proved", "not proved", "out of date"
	At      *time.Time `json:"at,omitempty"`
	By      string     `json:"by,omitempty"`
	Unit    string     `json:"unit,omitempty"`
	Place   string     `json:"place,omitempty"`
	Reasons []string   `json:"reasons"` // it is out of date
}

type jsonProof struct {
	At       time.Time          `json:"at"`
	By       string             `json:"by,omitempty"`
	Unit     string             `json:"unit,omitempty"`
	Place    string             `json:"place,omitempty"`
	Firmware string             `json:"firmware,omitempty"`
	Minutes  float64            `json:"minutes,omitempty"`
	Effort   map[string]float64 `json:"effort_pct,omitempty"`
	Onset    map[string]float64 `json:"onset,omitempty"`
	OnsetHz  map[string]float64 `json:"onset_hz,omitempty"`
	Styles   []string           `json:"styles,omitempty"`
	Note     string             `json:"note,omitempty"`
	Holds    bool               `json:"holds"`
	Stale    []string           `json:"stale"`
}

func byName(m map[schema.Axis]float64) map[string]float64 {
	out := map[string]float64{}
	for a, v := range m {
		out[a.String()] = v
	}
	return out
}

func runShow(k *invocation) error {
	raw := k.c.Bool("raw")
	if !raw {
		go k.cat.Prepare() // while the rig is found
	}
	ref, err := library.ParseRef(k.args[0])
	if err != nil {
		return err
	}
	rr, err := k.lib.Names().Find(ref.Rig)
	if err != nil {
		return err
	}
	if raw {
		text, err := k.lib.Names().Text(rr, ref)
		if err == nil {
			k.verbatim(text)
		}
		return err
	}
	s, err := showRun{k}.load(rr, ref)
	if err != nil {
		return err
	}
	if k.json() {
		return k.encode(showRun{k}.jsonTune(s))
	}
	if k.c.Bool("all") {
		showRun{k}.printValues(s.Loaded)
		showRun{k}.printProof(s.Loaded, s.stale)
	} else {
		showRun{k}.printTune(s.Loaded)
	}
	showRun{k}.printOthers(s.Loaded)
	k.printUnsaved(s.dirty)
	return nil
}

// shown is a tune with what is said of it.
type shown struct {
	*library.Loaded
	stale []preset.Staleness
	dirty []store.Change // unsaved edits of the rig, where the tune is shown as it is now
}

func (k showRun) load(rr library.RigRef, ref library.Ref) (shown, error) {
	var s shown
	var beside sync.WaitGroup // the last revision is looked into while the tune is read
	if ref.When == "" {
		beside.Go(func() {
			s.dirty = k.unsaved(preset.RigDir(rr.Fingerprint) + "/")
		})
	}
	var err error
	if s.Loaded, err = k.lib.Names().LoadFound(rr, ref, true); err == nil {
		s.stale, err = k.staleness(s.Loaded)
	}
	beside.Wait()
	return s, err
}

func (k showRun) jsonTune(s shown) jsonTune {
	d := s.Loaded
	j := jsonTune{Format: 1, Rig: d.Rig.ID, Alias: d.Rig.Alias, Gimbal: d.Rig.Gimbal, Tune: d.Ref.Tune, Job: d.Job, Note: d.Tune.Note, Values: map[string]jsonValue{}, Groups: k.groups(d), Unsaved: []string{}}
	if d.Commit != nil {
		j.Revision, j.When, j.By = string(d.Commit.ID), &d.Commit.When, d.Commit.Author.Name
	}
	for _, c := range s.dirty {
		j.Unsaved = append(j.Unsaved, c.Path)
	}
	for key := range d.Tune.Values {
		j.Values[key] = k.jsonValue(d, key)
	}
	if p := d.Tune.Proof; p != nil {
		x := jsonProof{At: p.At, By: p.By, Unit: p.Unit, Place: p.Place, Firmware: p.Firmware, Minutes: p.Minutes, Effort: byName(p.Effort), Onset: byName(p.Onset), OnsetHz: byName(p.OnsetHz), Styles: d.Tune.ProvedStyles(), Note: p.Note, Holds: len(s.stale) == 0, Stale: []string{}}
		for _, w := range s.stale {
			x.Stale = append(x.Stale, w.Text)
		}
		j.Proof = &x
	}
	return j
}

// jsonValue is a value of a tune in its own unit, and in SI where its dial is mapped.
func (k showRun) jsonValue(d *library.Loaded, key string) jsonValue {
	x := jsonValue{Value: d.Tune.Values[key]}
	p, ok := k.cat.Param(key)
	if !ok {
		return x
	}
	x.Unit = p.Unit
	dial, hasDial := d.Sheet.DialOf(k.cat, key)
	if hasDial {
		x.Unit = dial.Unit
	}
	if p.Dial == "" {
		return x
	}
	if si, unit, err := preset.SI(k.cat, d.Sheet, *d.Tune, key); err == nil {
		x.SI, x.SIUnit = &si, unit
		if n, ok := d.Tune.Num(key); ok {
			x.Extrapolated = dial.Extrapolated(n)
		}
	}
	return x
}

// printTune is a tune as it is read at the stand: the state first, then each group on a line,
// follow styles as a table, and the proof.
func (k showRun) printTune(d *library.Loaded) {
	if hold := k.shortTune(d); hold.State != preset.Proved && d.Ref.When == "" {
		k.printf("Try: rigkeep prove %s\n", shellWord(safe.Line(d.Label())))
	}
	k.printf("Each key, SI values: --all\n")
}

// shortTune prints the values of a tune in their groups and how far they are proved; it gives the standing of hold.
func (k showRun) shortTune(d *library.Loaded) preset.Standing {
	standing := d.Tune.Standing(d.Rig, d.Sheet, k.unitAt(d))
	hold := standing[0]
	state := strings.ToUpper(hold.State)
	if hold.State == preset.Proved {
		state += " " + k.on(hold.Proof.At) + ", " + safe.Line(hold.Proof.Unit)
	} else if hold.State == preset.OutOfDate {
		state = "PROOF OUT OF DATE"
	}
	head := fmt.Sprintf("%s on %s, %.3f kg", safe.Line(d.Label()), d.Rig.Gimbal, d.Rig.Mass())
	if gap := k.wide - sheet.Width(head) - sheet.Width(state); gap >= 2 {
		k.printf("%s%s%s\n", k.paint.bold(head), strings.Repeat(" ", gap), k.paint.bold(state))
	} else {
		k.printf("%s\n%s\n", k.paint.bold(head), k.paint.bold(state))
	}
	if d.Commit != nil {
		k.write(wrap(fmt.Sprintf("as of %s, %s, %s: %s", d.Commit.ID.Short(), k.clock(d.Commit.When), safe.Line(d.Commit.Author.Name), safe.Line(d.Commit.Subject)), "", k.wide))
	}
	if d.Tune.Note != "" {
		k.write(wrap(safe.Text(d.Tune.Note), "", k.wide))
	}
	k.printf("\n")
	for _, g := range k.cat.Groups() {
		var said []string
		units := map[string]bool{}
		var last string
		for _, key := range k.inOrder(*d.Tune) {
			if p, _ := k.cat.Param(key); p.Group == g.Name && !strings.HasPrefix(key, "follow.") {
				unit := k.unitOf(d, p, key)
				units[unit], last = true, unit
				name := strings.TrimPrefix(strings.TrimPrefix(p.Name, strings.ToLower(g.Title)+", "), "tilt limit ")
				said = append(said, strings.TrimSuffix(name, " filter")+" "+valueText(d.Tune.Values[key])+"\x00"+unit)
			}
		}
		shared := len(units) == 1 && last != "" && last != "°"
		for i, s := range said {
			n, unit, _ := strings.Cut(s, "\x00")
			if !shared {
				n = withUnit(n, unit)
			}
			said[i] = n
		}
		if shared {
			said = append(said, last)
		}
		if said == nil && g.Name == "limits" {
			said = []string{"not set"}
		}
		if said != nil {
			k.labelled(strings.ToUpper(g.Title), said)
		}
	}
	k.write(k.styleTable(d))
	k.printf("\n")
	if p := hold.Proof; p != nil {
		k.shortProof(*p)
	}
	for _, s := range standing {
		if s.Group == preset.GroupHold {
			for _, r := range s.Reasons {
				k.write(wrap("OUT OF DATE: "+safe.Line(r.Text), strings.Repeat(" ", 12), k.wide))
			}
		}
	}
	by := map[string][]string{}
	for _, s := range standing[1:] {
		by[s.State] = append(by[s.State], preset.GroupWords(s.Group))
	}
	for _, state := range []string{preset.Proved, preset.NotProved, preset.OutOfDate} {
		if len(by[state]) > 0 {
			k.write(wrap(strings.ToUpper(state[:1])+state[1:]+": "+safe.Line(strings.Join(by[state], ", ")), "", k.wide))
		}
	}
	return hold
}

// unitOf is the unit of a value as the controller writes it.
func (k showRun) unitOf(d *library.Loaded, p schema.Param, key string) string {
	if dial, ok := d.Sheet.DialOf(k.cat, key); ok && dial.Unit != "" {
		return map[bool]string{true: "°", false: dial.Unit}[dial.Unit == "deg"]
	}
	return p.Unit
}

// styleTable sets the follow styles out, a line each, dead band and lag by axis.
func (k showRun) styleTable(d *library.Loaded) string {
	styles := d.Tune.Styles()
	if len(styles) == 0 {
		return ""
	}
	var keys []string // behind the style's name, in the catalogue's order
	for _, p := range k.cat.Params() {
		if rest, ok := strings.CutPrefix(p.Path, "follow.*."); ok {
			for _, s := range styles {
				if _, set := d.Tune.Values["follow."+s+"."+rest]; set {
					keys = append(keys, rest)
					break
				}
			}
		}
	}
	if k.wide < 60 { // no room for columns: a line for each style
		k.printf("FOLLOW\n")
		for _, s := range styles {
			var said []string
			for _, key := range k.inOrder(*d.Tune) {
				if rest, ok := strings.CutPrefix(key, "follow."+s+"."); ok {
					p, _ := k.cat.Param(key)
					said = append(said, strings.ReplaceAll(rest, ".", " ")+" "+withUnit(valueText(d.Tune.Values[key]), k.unitOf(d, p, key)))
				}
			}
			k.labelled("  "+safe.Line(s), said)
		}
		return ""
	}
	t := table{}
	head := []string{"FOLLOW"}
	for _, rest := range keys {
		head = append(head, strings.Replace(strings.ReplaceAll(rest, ".", " "), "deadband", "dead band", 1))
	}
	t.add(head...)
	for _, s := range styles {
		row := []string{"  " + safe.Line(s)}
		for _, rest := range keys {
			key := "follow." + s + "." + rest
			v := "–"
			if x, ok := d.Tune.Values[key]; ok {
				p, _ := k.cat.Param(key)
				v = withUnit(valueText(x), k.unitOf(d, p, key))
			}
			row = append(row, v)
		}
		t.add(row...)
	}
	return t.render(k.paint, "", k.wide)
}

// shortProof is a proof in three lines.
func (k showRun) shortProof(p preset.Proof) {
	said := []string{map[string]string{"hand": "handheld", "stand": "on the stand only"}[p.Place]}
	if p.Minutes > 0 {
		said = append(said, schema.Num(p.Minutes)+" min")
	}
	said = append(said, safe.Line(p.By), k.clock(p.At))
	k.labelled("PROOF", []string{strings.Join(slices.DeleteFunc(said, func(s string) bool { return s == "" }), ", ")})
	axes := func(what string, m map[schema.Axis]float64, unit string) {
		out := []string{what}
		for _, a := range schema.Axes {
			if v, ok := m[a]; ok {
				out = append(out, a.String()+" "+schema.Num(v)+unit)
			}
		}
		if len(out) > 1 {
			k.labelled("", out)
		}
	}
	axes("resting effort", p.Effort, " %")
	axes("onset         ", p.Onset, "")
	if p.Note != "" {
		k.labelled("", []string{safe.Line(p.Note)})
	}
}

// labelled is a line of values behind a label; one too long for the screen is wrapped.
func (k showRun) labelled(label string, values []string) {
	const indent = 12
	l := fmt.Sprintf("%-*s%s", indent, label, strings.Join(values, "   "))
	if sheet.Width(l) > k.wide {
		l = strings.TrimSuffix(hang(fmt.Sprintf("%-*s", indent, label), strings.Join(values, ", "), k.wide), "\n")
	}
	k.printf("%s\n", l)
}

func (k showRun) printValues(d *library.Loaded) {
	k.printf("%s  %s on %s\n", k.paint.bold(safe.Line(d.Label())), d.Rig.ID, d.Rig.Gimbal)
	if d.Commit != nil {
		k.write(wrap(fmt.Sprintf("as of %s, %s, %s: %s", d.Commit.ID.Short(), k.clock(d.Commit.When), safe.Line(d.Commit.Author.Name), safe.Line(d.Commit.Subject)), "  ", k.wide))
	}
	if d.Tune.Note != "" {
		k.write(wrap(safe.Text(d.Tune.Note), "  ", k.wide))
	}
	for _, g := range k.cat.Groups() {
		t := table{right: map[int]bool{1: true}}
		for _, key := range k.inOrder(*d.Tune) {
			p, _ := k.cat.Param(key)
			if p.Group != g.Name {
				continue
			}
			value, si := k.inUnit(d, p, key), ""
			if p.Dial != "" {
				if v, unit, err := preset.SI(k.cat, d.Sheet, *d.Tune, key); err == nil {
					n, _ := d.Tune.Num(key)
					dial, _ := d.Sheet.DialOf(k.cat, key)
					si = dial.SIWords(n, v, unit)
				}
			}
			if si == value {
				si = "" // the dial is in SI
			}
			t.add(key, value, si)
		}
		if len(t.rows) > 0 {
			k.printf("\n%s\n%s", k.paint.bold(g.Title), t.render(k.paint, "  ", k.wide))
		}
	}
}

func (k showRun) printProof(d *library.Loaded, stale []preset.Staleness) {
	k.printf("\n%s\n", k.paint.bold("Proof"))
	k.write(wrap(k.proofWords(d, stale), "  ", k.wide))
	k.write(k.groupLines(d))
}

// groups says of every group of a tune how it stands.
func (k showRun) groups(d *library.Loaded) []jsonGroup {
	out := []jsonGroup{}
	for _, s := range d.Tune.Standing(d.Rig, d.Sheet, k.unitAt(d)) {
		g := jsonGroup{Group: s.Group, State: s.State, Reasons: []string{}}
		if p := s.Proof; p != nil {
			g.By, g.Unit, g.Place = p.By, p.Unit, p.Place
			if !p.At.IsZero() {
				g.At = &p.At
			}
		}
		for _, r := range s.Reasons {
			g.Reasons = append(g.Reasons, r.Text)
		}
		out = append(out, g)
	}
	return out
}

// groupLines are the groups but hold, whose proof stands in full above them: a line each.
func (k showRun) groupLines(d *library.Loaded) string {
	t := table{}
	for _, s := range d.Tune.Standing(d.Rig, d.Sheet, k.unitAt(d)) {
		if s.Group == preset.GroupHold {
			continue
		}
		words := ""
		if p := s.Proof; p != nil {
			words = k.on(p.At) + ", " + p.Unit
		}
		for i, r := range s.Reasons {
			if i == 0 {
				words = ""
			} else {
				words += "; "
			}
			words += r.Text
		}
		t.add(preset.GroupWords(s.Group), s.State, words)
	}
	return t.render(k.paint, "  ", k.wide)
}

// staleness says why the proof does not hold: of a tune as it is now, today; of an earlier
// one, then, and on the unit of its job.
func (k showRun) staleness(d *library.Loaded) ([]preset.Staleness, error) {
	if d.Ref.When == "" {
		return k.lib.Past().StaleNow(d)
	}
	return d.Tune.Stale(d.Rig, d.Sheet, k.unitAt(d)), nil
}

// printOthers names the rig's other tunes, where one is shown as it is now.
func (k showRun) printOthers(d *library.Loaded) {
	var others []string
	if names, err := k.lib.Tunes(d.Rig.ID); err == nil && d.Ref.When == "" {
		for _, n := range names {
			if n != d.Ref.Tune {
				others = append(others, d.Rig.Alias+"/"+n)
			}
		}
	}
	if len(others) > 0 {
		k.printf("\n%s\n%s", k.paint.bold("Other tunes"), wrap(strings.Join(others, ", "), "  ", k.wide))
	}
}

// inUnit is a value of a tune with its unit, which for a dial is the controller's
// own word.
func (k showRun) inUnit(d *library.Loaded, p schema.Param, key string) string {
	return withUnit(valueText(d.Tune.Values[key]), k.unitOf(d, p, key))
}

// withUnit puts a unit behind a number.
func withUnit(number, unit string) string {
	if unit == "" || unit == "°" {
		return number + unit
	}
	return number + " " + unit
}

// unitAt is the unit that counts for the proof: the job's, where one was named.
func (k showRun) unitAt(d *library.Loaded) string {
	if d.Job == "" {
		return ""
	}
	return k.lib.Jobs().PinnedUnit(d.Job, d.Rig, d.Ref.Tune)
}

// inOrder lists a tune's keys as the catalogue works through them, styles apart.
func (k showRun) inOrder(t preset.Tune) []string {
	var out []string
	styles := t.Styles()
	for _, p := range k.cat.Params() {
		if !strings.Contains(p.Path, "*") {
			if _, ok := t.Values[p.Path]; ok {
				out = append(out, p.Path)
			}
		}
	}
	for _, s := range styles {
		for _, key := range k.cat.Expand([]string{s}) {
			if _, ok := t.Values[key]; ok && strings.HasPrefix(key, "follow.") {
				out = append(out, key)
			}
		}
	}
	return out
}

func valueText(v any) string {
	if n, ok := schema.Number(v); ok {
		return schema.Num(n)
	}
	return fmt.Sprint(v)
}

// proofWords says in words what proof a tune has and whether it still holds.
func (k showRun) proofWords(d *library.Loaded, stale []preset.Staleness) string {
	p := d.Tune.Proof
	if p == nil {
		return "Not proved on this build.\nTry: rigkeep prove " + d.Rig.Alias
	}
	place := map[string]string{"hand": "handheld", "stand": "on the stand only"}[p.Place]
	var b strings.Builder
	fmt.Fprintf(&b, "tested %s on %s", firstOf(place, "somewhere"), k.on(p.At))
	if p.By != "" {
		b.WriteString(" by " + safe.Line(p.By))
	}
	if p.Unit != "" {
		b.WriteString(", unit " + safe.Line(p.Unit))
	}
	if p.Minutes > 0 {
		fmt.Fprintf(&b, ", %s min", schema.Num(p.Minutes))
	}
	var parts []string
	for _, a := range schema.Axes {
		if v, ok := p.Effort[a]; ok {
			parts = append(parts, fmt.Sprintf("%s %s %%", a, schema.Num(v)))
		}
	}
	if len(parts) > 0 {
		b.WriteString("; resting effort " + strings.Join(parts, ", "))
	}
	parts = nil
	for _, a := range schema.Axes {
		if v, ok := p.Onset[a]; ok {
			parts = append(parts, fmt.Sprintf("%s %s", a, schema.Num(v)))
		}
	}
	if len(parts) > 0 {
		b.WriteString("; onset at " + strings.Join(parts, ", "))
	}
	if p.Note != "" {
		b.WriteString(". " + safe.Line(p.Note))
	}
	for _, s := range stale {
		b.WriteString("\nOUT OF DATE: " + safe.Line(s.Text))
	}
	if len(stale) == 0 {
		b.WriteString("\nvalid for this build and these values")
	}
	return b.String()
}
