package serve

import (
	"errors"
	"fmt"
	"math"
	"net/url"
	"path"
	"strconv"
	"strings"

	"rigkeep/diffview/pages"
	"rigkeep/preset"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

// balancing is the open balance record of the rig, else a new one on the unit that was
// chosen; nil where that is still to be chosen.
func (t *task) balancing() (*library.Balancing, error) {
	b, err := t.l.Balance().Open(t.d, t.unit)
	if b != nil || err != nil || !t.chosen() {
		return b, err
	}
	return t.l.Balance().New(t.d, t.unit, t.dev.who.Name, t.now())
}

// balanceAt is what a balance asks: an adjustment, else a point, else nothing more.
type balanceAt struct {
	b       *library.Balancing
	answers []preset.MarkAnswer
	points  []preset.BalancePoint
	mark    int
	point   int
	try     preset.Try // of a mark that a sign led to; By is 0 for none
}

func (t *task) balanceAt() (*balanceAt, error) {
	b, err := t.balancing()
	if b == nil || err != nil {
		return nil, err
	}
	q, err := t.l.Balance().MarkQuery(t.d.Rig, t.d.Sheet, b.Record.Unit)
	if err != nil {
		return nil, err
	}
	x := &balanceAt{b: b, points: preset.BalancePoints(t.d.Sheet)}
	if x.answers, err = preset.Marks(q); err != nil {
		return nil, err
	}
	x.mark, x.point = b.Record.Next(t.d.Sheet)
	if i, err := strconv.Atoi(t.req.URL.Query().Get("step")); err == nil && i >= 0 && i < len(x.answers) {
		x.mark, x.point = i, -1 // once more
	}
	if v, err := url.ParseQuery(t.req.URL.RawQuery); err == nil && x.mark >= 0 {
		x.try = tryOf(x.answers[x.mark].Adjustment, v)
	}
	return x, nil
}

// tryOf reads a mark that is tried from the address; one off the scale is none.
func tryOf(adj schema.Adjustment, v url.Values) preset.Try {
	mark, err := preset.ParseMark(adj, v.Get("try"))
	by, berr := strconv.ParseFloat(v.Get("by"), 64)
	way := v.Get("way")
	if err != nil || berr != nil || !(by > 0 && by <= 1000) || way != adj.Rising() && way != adj.Falling() {
		return preset.Try{}
	}
	return preset.Try{Mark: mark, By: by / 1000, Way: way}
}

// id names the question: how many answers there are, and what is asked.
func (x *balanceAt) id() string {
	return fmt.Sprintf("%d-%d-%d", len(x.b.Record.Marks)+len(x.b.Record.Efforts), x.mark, x.point)
}

func mm(m float64) string { return schema.Sig(m*1000, 4) }

func showBalance(t *task) (pages.Stand, error) {
	x, err := t.balanceAt()
	if err != nil {
		return pages.Stand{}, err
	}
	if x == nil {
		return t.begin("balance", preset.BalanceCautions), nil
	}
	rec := x.b.Record
	p := pages.Stand{Title: t.title(rec.Unit), ID: x.id(), Version: x.id()}
	if x.b.Saved() {
		n := len(rec.Marks) + len(rec.Efforts)
		p.Version = path.Base(x.b.Path) + " " + x.id()
		p.Saved = schema.Count(n, "answer", "answers") + " saved"
	}
	if err := t.s.stands.busy(t.l, t.d.Rig.ID); err != nil {
		p.Version += " busy"
		p.Refused = words(err)
	}
	for i, a := range x.answers {
		st := pages.StandStep{Name: fmt.Sprintf("%d  %s", i+1, a.Adjustment.Name), Now: i == x.mark, Href: "?" + url.Values{"unit": {rec.Unit}, "step": {strconv.Itoa(i)}}.Encode()}
		if m, ok := rec.Mark(a.Adjustment.Name); ok {
			st.Value = "left out"
			if m.Mark != nil {
				st.Value = "✓ " + mm(*m.Mark) + " mm"
			}
		} else if to, _, ok := a.Expected(); ok {
			st.Value = fmt.Sprintf("%.0f mm", to*1000)
		}
		p.Steps = append(p.Steps, st)
	}
	switch {
	case x.mark >= 0:
		t.balanceMark(&p, x)
	case x.point >= 0:
		t.balanceEffort(&p, x)
	default:
		p.Step = "done"
		p.Lines = rec.Found(t.d.Sheet, t.d.Rig)
		if q, err := t.l.Balance().MarkQuery(t.d.Rig, t.d.Sheet, rec.Unit); err == nil {
			if ds, err := preset.MarkDoubts(q); err == nil {
				for _, d := range ds {
					p.Lines = append(p.Lines, "Check: "+d.Words()+". Check the mark, its scale and every clamp, or whether a part changed.")
				}
			}
		}
		p.Forms = []pages.Form{{Fields: []pages.Field{why(x.b.Subject(t.d))}, Buttons: []pages.Button{{Value: "save", Word: "Save the balance", Size: "main", Said: "The save"}}}}
	}
	return p, nil
}

// balanceMark asks for the mark of one adjustment.
func (t *task) balanceMark(p *pages.Stand, x *balanceAt) {
	a := x.answers[x.mark]
	adj := a.Adjustment
	p.Step = fmt.Sprintf("step %d of %d", x.mark+1, len(x.answers)+len(x.points))
	p.Caution = preset.BalanceCautions[:1]
	p.Lines = []string{preset.LookFor(adj)}
	sc := &pages.Scale{Name: adj.Name, Left: adj.Falling(), Right: adj.Rising()}
	if adj.Range != nil {
		sc.Lo, sc.Hi = adj.Range[0]*1000, adj.Range[1]*1000
	}
	form := pages.Form{Fields: []pages.Field{{Name: "mm", Label: "Mark found", Kind: "number", Unit: "mm"}}, Buttons: []pages.Button{{Value: "mark", Word: "Keep this mark", Size: "main", Said: "The mark"}, {Value: "skip", Word: "Leave it out", Size: "full low", Said: "Leaving it out"}}}
	to, found, ok := a.Expected()
	if !ok {
		p.Set = &pages.SetTo{Do: adj.Name, Number: "no mark yet"}
		p.Lines = append([]string{"No mark is expected yet: " + a.Unknown + "."}, p.Lines...)
		p.Forms = []pages.Form{form}
		return
	}
	num, how := fmt.Sprintf("%.0f", math.Round(to*1000)+0), ""
	if found {
		num = mm(to)
		how = "found " + schema.SayDay(a.Found.At, t.now().Location())
		if a.In.Unit != "" {
			how += " on " + a.In.Unit
		}
	} else if a.Mark != nil {
		lo, hi := a.Lo*1000, a.Hi*1000
		sc.SetLo, sc.SetHi = &lo, &hi
		how = "from " + schema.Count(a.Mark.N, "record", "records")
	}
	p.Set = &pages.SetTo{Do: adj.Name + " to", Number: num, Unit: "mm", As: how}
	half := 0.0
	if !found {
		half = (a.Hi - a.Lo) / 2
	}
	at := to * 1000
	try := preset.Try{Mark: to}
	if x.try.By > 0 {
		try = x.try
		num, at = mm(try.Mark), try.Mark*1000
		p.Set.Number, p.Set.As = num, mm(try.By)+" mm "+try.Way
	}
	sc.Set = &at
	if m, ok := x.b.Record.Mark(adj.Name); ok && m.Mark != nil {
		now := *m.Mark * 1000
		sc.Now = &now
	}
	if sc.Hi > sc.Lo {
		p.Scale = sc
	}
	if a.Out > 0 {
		p.Lines = append(p.Lines, fmt.Sprintf("The scale ends %.0f mm before.", math.Round(a.Out*1000)))
	}
	p.Forms = []pages.Form{{Buttons: []pages.Button{saw("stays", "Stays at "+num+" mm", "", "good", "full", "")}}, form}
	p.Forms[0].Fields = []pages.Field{{Name: "mm", Kind: "hidden", Value: num}}
	how, signs := preset.Signs(adj)
	p.Lines[0] = how // the buttons say the rest
	for _, s := range signs {
		to := try.Next(adj, s, half)
		next := "to " + mm(to.Mark) + " mm, " + s.Way
		if to.Mark == try.Mark {
			next = "the scale ends here"
		}
		q := url.Values{"unit": {x.b.Record.Unit}, "step": {strconv.Itoa(x.mark)}, "try": {mm(to.Mark)}, "by": {mm(to.By)}, "way": {to.Way}}
		p.Forms[0].Buttons = append(p.Forms[0].Buttons, pages.Button{Word: s.Short, Hint: next, Href: "?" + q.Encode()})
	}
}

// balanceEffort asks for a resting effort.
func (t *task) balanceEffort(p *pages.Stand, x *balanceAt) {
	point := x.points[x.point]
	p.Step = fmt.Sprintf("step %d of %d", len(x.answers)+x.point+1, len(x.answers)+len(x.points))
	p.Caution = []string{"Tighten every clamp. Power on, hands clear."}
	p.Set = &pages.SetTo{Do: "resting effort", Number: point.Text, As: "in percent, as the controller shows it"}
	p.Forms = []pages.Form{{Fields: []pages.Field{{Name: "effort", Label: "Resting effort", Kind: "number", Unit: "%", Hint: "Two readings, from either side, as 2.8/1.2 tell friction apart."}},
		Buttons: []pages.Button{{Value: "effort", Word: "Keep the reading", Size: "main", Said: "The reading"}, {Value: "skip", Word: "Not read", Size: "low", Said: "Not read"}, {Value: "none", Word: "None is shown", Size: "low", Said: "None is shown"}}}}
}

func actBalance(t *task) (pages.Stand, error) {
	if t.get("do") == "begin" {
		if err := t.begun(); err != nil {
			return t.refused(showBalance, err)
		}
		return pages.Stand{}, nil
	}
	x, err := t.balanceAt()
	if err != nil || x == nil {
		return t.refused(showBalance, errors.Join(err, errStale))
	}
	if err := t.s.stands.hold(t.l, t.d.Rig.ID, t.dev); err != nil {
		return t.refused(showBalance, err)
	}
	if t.get("id") != x.id() {
		return t.refused(showBalance, errStale)
	}
	if err := t.balanceAnswer(x); err != nil {
		return t.refused(showBalance, err)
	}
	if t.to == "" {
		t.at(x.b.Record.Unit)
	}
	return pages.Stand{}, nil
}

func (t *task) balanceAnswer(x *balanceAt) error {
	do := t.get("do")
	switch {
	case do == "save" && x.mark < 0 && x.point < 0:
		plan, err := t.l.Balance().Plan(t.d, x.b, t.now())
		if err != nil {
			return err
		}
		if err := t.save(plan, x.b.Subject(t.d), strings.Join(x.b.Record.Found(t.d.Sheet, t.d.Rig), "\n")); err != nil {
			return err
		}
		t.s.stands.drop(t.d.Rig.ID)
		return nil
	case x.mark >= 0:
		adj := x.answers[x.mark].Adjustment
		m := preset.BalanceMark{Name: adj.Name, At: t.now()}
		switch do {
		case "mark", "stays":
			v, err := preset.ParseMark(adj, t.get("mm"))
			if err != nil {
				return err
			}
			m.Mark = &v
		case "skip":
		default:
			return errStale
		}
		return t.l.Balance().AddMark(t.ctx, x.b, t.d.Sheet, m)
	case x.point >= 0:
		point := x.points[x.point]
		switch do {
		case "effort":
			v, err := preset.ParseEfforts(t.get("effort"))
			if err != nil {
				return err
			}
			read, err := preset.ReadEffort(t.d.Sheet, t.d.Rig, point, v)
			if err != nil {
				return err
			}
			if err := t.l.Balance().AddEffort(t.ctx, x.b, t.d.Sheet, preset.NewEffort(point, v, t.now())); err != nil {
				return err
			}
			t.told(read.Words)
			return nil
		case "skip":
			return t.l.Balance().AddEffort(t.ctx, x.b, t.d.Sheet, preset.NewEffort(point, nil, t.now()))
		case "none":
			for _, p := range x.points[x.point:] {
				if err := t.l.Balance().AddEffort(t.ctx, x.b, t.d.Sheet, preset.NewEffort(p, nil, t.now())); err != nil {
					return err
				}
			}
			return nil
		}
	}
	return errStale
}
