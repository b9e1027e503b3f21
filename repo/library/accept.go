package library

import (
	"fmt"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
)

// Accept plans to write into a job that findings of a review are accepted. One
// that was accepted before is renewed in its place.
func (l Planner) Accept(slug string, as []preset.Accepted) (*Plan, error) {
	p, err := l.emptyPlan()
	if err != nil {
		return nil, err
	}
	path := preset.JobPath(slug)
	for _, a := range as {
		j, err := l.plannedJob(p, slug)
		if err != nil {
			return nil, err
		}
		t := file.Table{{Key: "finding", Value: a.Finding}, {Key: "why", Value: a.Why}, {Key: "by", Value: a.By}, {Key: "seen", Value: a.Seen}, {Key: "until", Value: Day(a.Until)}}
		at := -1
		for i, b := range j.Accepted {
			if b.Finding == a.Finding {
				at = i
			}
		}
		if at < 0 {
			if err := l.planAppend(p, path, "accepted", t); err != nil {
				return nil, err
			}
			continue
		}
		var edits []file.Edit
		for _, f := range t[1:] {
			edits = append(edits, file.Edit{Key: file.Join("accepted", at, f.Key), Value: f.Value})
		}
		if err := l.planEdit(p, path, edits...); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// Open finds the one open job that pins a tune and is not over; an error says
// that there is none, or several.
func (l Jobs) Open(rr RigRef, tune string, pick func(preset.Job) bool) (string, error) {
	pins, err := l.Of(rr, tune)
	if err != nil {
		return "", err
	}
	var open []string
	for _, p := range pins {
		if p.Job.State == "open" && pick(p.Job) {
			open = append(open, p.Job.Slug)
		}
	}
	switch len(open) {
	case 1:
		return open[0], nil
	case 0:
		return "", &store.Error{Kind: store.ErrNotFound, Msg: "no open job pins " + rr.Alias, Hint: "Name the job with --job; they are listed by: rigkeep job list"}
	}
	return "", &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%d open jobs pin %s: %s", len(open), rr.Alias, strings.Join(open, ", ")), Hint: "Name one with --job"}
}

// PinnedTune reads a tune as a job pins it; nil where that cannot be found or read.
func (l Jobs) PinnedTune(p JobPin, rr RigRef) *preset.Tune {
	rev, fp, err := l.pinned(p.Job.Slug, rr, p.Pin.Tune)
	if err != nil {
		return nil
	}
	path := preset.TunePath(fp, p.Pin.Tune)
	data, err := l.Store.Revisions().ReadAt(rev, path)
	if err != nil {
		return nil
	}
	return reviewFacts(l).decode(path, data)
}
