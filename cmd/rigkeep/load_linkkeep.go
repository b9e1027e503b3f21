package main

import (
	"errors"
	"maps"
	"path"
	"slices"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/link"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func unsent(err error) error {
	if errors.Is(err, errStopped) {
		return &failure{code: exitInterrupt, text: "interrupted; nothing was written"}
	}
	return linkFailure(err)
}

// finish records what the unit holds, saves the log, and says how it went.
func (r *linkRun) finish(d *library.Loaded, plan link.Plan, others []string, res link.Result) error {
	var done []string
	if d != nil && res.Outcome == link.Written {
		done = r.tickByHand(d, others)
	}
	if err := r.keep(d, plan, res, others, done); err != nil {
		r.say("%s", safe.Line(err.Error()))
		r.say("The log is in %s.", r.log)
	}
	if r.json() {
		tune := ""
		if d != nil {
			tune = d.Label()
		}
		if err := r.encode(jsonLoadLink{Format: 1, Unit: r.u.Serial, Tune: tune, Plan: plan, Log: r.log, Result: res}); err != nil {
			return err
		}
	} else {
		r.printResult(res)
	}
	return resultExit(res, d == nil)
}

// byHand are the values of a tune that no link is for, as they are keyed in.
func (r *linkRun) byHand(d *library.Loaded, others []string) []preset.KeyLine {
	return slices.DeleteFunc(preset.KeyLines(r.cat, r.sheet, d.Tune.Values), func(l preset.KeyLine) bool { return !slices.Contains(others, l.Key) })
}

// tickByHand asks for each value that no link is for whether it is keyed in, and gives the
// keys of those that are.
func (r *linkRun) tickByHand(d *library.Loaded, others []string) (done []string) {
	lines := r.byHand(d, others)
	if len(lines) > 0 {
		r.say("By hand: %s that the link does not reach.", schema.Count(len(lines), "value", "values"))
	}
	for i, l := range lines {
		s, err := r.ask("%d of %d  %s  %s  [Enter done, s skip, q quit]", i+1, len(lines), safe.Line(l.Label()), withUnit(valueText(l.Value), l.Unit))
		switch s = strings.ToLower(s); {
		case err != nil, s == "q":
			return done
		case s == "" || s == "d" || s == "y":
			done = append(done, l.Key)
		}
	}
	return done
}

// keep saves the log, and in the unit's record what it holds now: the tune, or what is
// known of its values. done are those of the others that were keyed in by hand.
func (r *linkRun) keep(d *library.Loaded, plan link.Plan, res link.Result, others, done []string) error {
	touched := len(res.Written) + len(res.Partly) + len(res.Left)
	var h *schema.Held
	if touched > 0 {
		who, err := r.who()
		if err != nil {
			return err
		}
		h = &schema.Held{At: r.Now(), By: who.Name, Memory: r.memory}
		if d != nil && res.Outcome == link.Written && len(done) == len(others) {
			*h = r.lib.Units().HeldOf(d, r.memory, who.Name, r.Now())
		} else {
			held, _ := r.u.Holds(r.memory)
			h.Values = maps.Clone(held.Values)
			if h.Values == nil {
				h.Values = map[string]any{}
			}
			for _, c := range plan.Changes {
				switch {
				case slices.Contains(res.Written, c.Key), slices.Contains(res.Partly, c.Key):
					h.Values[c.Key] = c.New
				case slices.Contains(res.Restored, c.Key):
					h.Values[c.Key] = c.Old
				default:
					delete(h.Values, c.Key)
				}
			}
			for _, l := range res.Left {
				if l.Has != nil {
					h.Values[l.Key] = *l.Has
				}
			}
			for _, key := range done {
				h.Values[key] = d.Tune.Values[key]
			}
			h.Digest = preset.Tune{Values: h.Values}.Digest()
		}
	}
	p, err := r.lib.Units().PlanWritten(r.u, r.log, h)
	if err != nil {
		return err
	}
	what := firstOf(string(res.Outcome), "stopped")
	rev, err := r.record(p, "Write to unit "+r.u.Serial+" over its link: "+what, "", nil)
	if err == nil && !r.json() {
		r.say("the log is saved as %s: %s", rev.Short(), path.Base(r.log))
	}
	return err
}

// resultExit is the exit code of how a session ended.
func resultExit(res link.Result, restoring bool) error {
	for _, l := range res.Left {
		if l.Has == nil {
			return &failure{code: exitNetwork}
		}
	}
	if restoring && len(res.Left) == 0 && len(res.Partly) == 0 {
		return nil
	}
	switch res.Outcome {
	case link.Written:
		switch res.Kept {
		case "unknown":
			return &failure{code: exitNetwork}
		case "refused":
			return &failure{code: exitConflict}
		}
		return nil
	case link.Refused, link.Changed, link.StillOld:
		return &failure{code: exitConflict}
	case link.Silent, link.Unknown:
		return &failure{code: exitNetwork}
	}
	switch {
	case res.Stopped == "interrupted":
		return &failure{code: exitInterrupt}
	case strings.HasPrefix(res.Stopped, "not quiet"):
		return errFindings
	case len(res.Written)+len(res.Partly)+len(res.Restored)+len(res.Left) == 0 && isAnswer(res.Stopped):
		return &failure{code: exitUsage}
	}
	return &failure{code: exitNetwork}
}

// isAnswer reports whether a session was stopped by an answer, before anything was sent.
func isAnswer(why string) bool {
	return slices.Contains([]string{link.StopRecord, link.StopLabel, link.StopReady}, why)
}
