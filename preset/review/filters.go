package review

import (
	"fmt"
	"strings"

	"rigkeep/schema"
)

func init() { tests["filter-unexplained"] = filterUnexplained }

func filterUnexplained(l *look, x *Subject) {
	if x.Tune == nil {
		return
	}
	var words, keys, back []string
	var ev []Evidence
	for _, p := range l.s.Cat.Params() {
		if p.Group != "filters" {
			continue
		}
		v, ok := x.Tune.Num(p.Path)
		d, dialed := l.dial(x, p.Path)
		if !ok || !dialed {
			continue
		}
		if d.Default == nil {
			l.cannot(x, "the gimbal sheet has no default for %s", p.Path)
			continue
		}
		if v == *d.Default || explained(x.Logs, p.Path, v) {
			continue
		}
		keys = append(keys, p.Path)
		back = append(back, p.Path+"="+schema.Sig(*d.Default, 6))
		words = append(words, fmt.Sprintf("%s %s%s, default %s", p.Path, schema.Sig(v, 6), l.unit(x, p.Path), schema.Sig(*d.Default, 6)))
		ev = append(ev, x.TuneFile.fact(fmt.Sprintf("%s = %s", p.Path, schema.Sig(v, 6)), p.Path), x.SheetFile.fact("default "+schema.Sig(*d.Default, 6), "dial."+p.Dial+".default"))
	}
	if words == nil {
		return
	}
	logs := "no bench log of this rig is on record"
	if n := len(x.Logs); n > 0 {
		logs = fmt.Sprintf("%s of this rig, none tried it", schema.Count(n, "bench log", "bench logs"))
	}
	var commands []string
	for _, k := range keys {
		commands = append(commands, strings.ReplaceAll(l.rule.Commands[0], "{key}", k))
	}
	commands = append(commands, l.rule.Commands[1:]...)
	l.on(x, hit{what: strings.Join(words, "; ") + "; " + logs, evidence: ev, commands: commands, fill: []string{"{keys}", schema.List(keys), "{defaults}", strings.Join(back, " ")}})
}

// explained reports whether a bench log tried a filter at a value.
func explained(logs []Log, key string, v float64) bool {
	for _, b := range logs {
		for _, s := range b.Log.Steps {
			if s.Key == key && s.HasValue && s.Value == v {
				return true
			}
		}
	}
	return false
}
