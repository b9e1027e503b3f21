package library

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"rigkeep/preset/bench"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// session begins one on the first rig of a shop.
func session(t *testing.T, l *Library, fp string) (*Loaded, *Session) {
	t.Helper()
	d, err := l.Names().Load(fp, false)
	if err != nil {
		t.Fatal(err)
	}
	s, err := l.Sessions().New(d, SessionRequest{Unit: "QL-0031", By: "A-cam operator", Now: day, Axes: []schema.Axis{schema.Tilt}})
	if err != nil {
		t.Fatal(err)
	}
	return d, s
}

// Two people who answer the same session do not overwrite each other: the second
// is told, and neither log nor session moves.
func TestTwoAnswersToOneQuestion(t *testing.T) {
	l, fps := shop(t, 2)
	ctx := context.Background()
	d, s := session(t, l, fps[0])
	if err := l.Sessions().Answer(ctx, s, bench.Event{Saw: bench.Clean}, day); err != nil {
		t.Fatal(err)
	}
	other := open(t, l.Store.Root())
	d2, err := other.Names().Load(fps[0], false)
	if err != nil {
		t.Fatal(err)
	}
	s2, err := other.Sessions().Open(d2)
	if err != nil || s2 == nil {
		t.Fatal(s2, err)
	}
	if !reflect.DeepEqual(s.State.Next(), s2.State.Next()) {
		t.Errorf("%+v, then %+v", s.State.Next(), s2.State.Next())
	}
	if err := other.Sessions().Answer(ctx, s2, bench.Event{Saw: bench.Chatter, Hz: 20}, day); err != nil {
		t.Fatal(err)
	}
	was := s.State.Next()
	if err := l.Sessions().Answer(ctx, s, bench.Event{Saw: bench.Clean}, day); !errors.Is(err, store.ErrChanged) {
		t.Fatalf("%v, want that it was changed meanwhile", err)
	}
	// by the question's id it is told apart from a log that somebody edited: at the same
	// moment, and later, by whoever reads the log again
	for _, x := range []*Session{s, s2} {
		var twice *bench.AnsweredError
		if err := l.Sessions().Answer(ctx, x, bench.Event{Saw: bench.Clean, Question: was.ID}, day); !errors.As(err, &twice) || twice.Now.ID != s2.State.Next().ID || twice.Now.ID == was.ID {
			t.Fatalf("%v, want that %s was answered and %s is asked", err, was.ID, s2.State.Next().ID)
		}
	}
	if !reflect.DeepEqual(was, s.State.Next()) || len(s.Log.Steps) != 1 {
		t.Error("a refused write moved the session")
	}
	if _, err := l.Sessions().Plan(d, s, day); err == nil {
		t.Error("a session without a kept value was planned")
	}
	again, err := other.Sessions().Open(d2)
	if err != nil || len(again.Log.Steps) != 2 || again.Log.Steps[1].Saw != "chatter" {
		t.Errorf("%+v %v", again, err)
	}
}

// A log that somebody edited by hand keeps its remarks; one that no longer makes a
// session is said with its file.
func TestLogEditedByHand(t *testing.T) {
	l, fps := shop(t, 1)
	ctx := context.Background()
	d, s := session(t, l, fps[0])
	for _, saw := range []bench.Outcome{bench.Clean, bench.Clean} {
		if err := l.Sessions().Answer(ctx, s, bench.Event{Saw: saw}, day); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(l.Store.Root(), filepath.FromSlash(s.Path))
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	edited := strings.Replace(string(data), "[[step]]", "# the plate was loose before\n[[step]]", 1)
	if err := os.WriteFile(path, []byte(edited), 0o644); err != nil {
		t.Fatal(err)
	}
	again, err := l.Sessions().Open(d)
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Sessions().Answer(ctx, again, bench.Event{Saw: bench.Chatter}, day.Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if now, _ := os.ReadFile(path); !strings.HasPrefix(string(now), edited) {
		t.Errorf("the hand's remark or order went: \n%s", now)
	}
	if err := os.WriteFile(path, []byte(strings.Replace(edited, `saw = "clean"`, `saw = "withdraw"`, 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	_, err = l.Sessions().Open(d)
	if es := file.List(err); len(es) == 0 || !strings.Contains(err.Error(), "step 1 of the bench log") || es[0].File != s.Path {
		t.Errorf("%v", err)
	}
}

// A session is saved with the tune in one revision, and its log serves as evidence.
func TestSessionIsSavedAndServes(t *testing.T) {
	l, fps := shop(t, 1)
	ctx := context.Background()
	d, s := session(t, l, fps[0])
	for i := 0; s.State.Next().Stage != bench.Done; i++ {
		if i > 60 {
			t.Fatal("it does not end")
		}
		p := s.State.Next()
		e := bench.Event{Saw: bench.Clean}
		switch {
		case p.Stage == bench.InHand:
			e.Saw = bench.Hand
		case p.Value >= 44:
			e.Saw, e.Hz = bench.Chatter, 21
		}
		if err := l.Sessions().Answer(ctx, s, e, day); err != nil {
			t.Fatal(err)
		}
	}
	p, err := l.Sessions().Plan(d, s, day.Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Items) != 2 {
		t.Fatalf("%v", p.Paths())
	}
	if _, err := l.Plans().Commit(ctx, p, "Session", "", technician, day.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	if open, err := l.Sessions().Open(d); open != nil || err != nil {
		t.Errorf("still open: %v %v", open, err)
	}
	now, err := l.Names().Load(fps[0], true)
	if err != nil {
		t.Fatal(err)
	}
	last, path, err := l.Evidence().LastSession(now, "QL-0031")
	if err != nil || last == nil || path != s.Path || *last.Results[schema.Tilt].Onset != 44 || !last.Hand {
		t.Fatalf("%+v %s %v", last, path, err)
	}
	rec, err := l.Evidence().Onsets(now)
	if err != nil || rec[0].Onset != 44 || rec[0].Hz != 21 || rec[0].Unit != "QL-0031" {
		t.Errorf("%+v %v", rec, err)
	}
	q, _, err := l.Evidence().StartRequest(now.Rig, now.Sheet, now.Tune, "Large A", day.Add(2*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	found := false
	for _, x := range q.Tunes {
		found = found || x.Unit == "QL-0031" && x.Onset["stiffness.tilt"] == 44
	}
	if !found {
		t.Errorf("the session is no evidence: %+v", q.Tunes)
	}
	facts, err := l.Evidence().UnitFacts(now.Sheet, "QL-0031")
	if err != nil || len(facts.Units) != 1 || facts.Units[0].OnsetObservations != 1 {
		t.Errorf("%+v %v", facts, err)
	}
}

// Somebody saves the tune while the session is at the stand: the plan that was made
// from what was read before is refused, and theirs stays. Both readings of an effort
// go through the file.
func TestTuneSavedMeanwhile(t *testing.T) {
	for _, fresh := range []bool{true, false} { // without a tune at the beginning, and with one
		l, fps := shop(t, 1)
		ctx := context.Background()
		write := func(values map[string]any) {
			t.Helper()
			o := open(t, l.Store.Root())
			d, err := o.Names().Load(fps[0], false)
			if err != nil {
				t.Fatal(err)
			}
			e, err := o.Edits().PutTune(d, values)
			if err != nil {
				t.Fatal(err)
			}
			p, err := o.Plans().Edited(d, e)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := o.Plans().Commit(ctx, p, "At the desk", "", technician, day); err != nil {
				t.Fatal(err)
			}
		}
		if !fresh {
			write(map[string]any{"stiffness.tilt": 11})
			l = open(t, l.Store.Root())
		}
		d, s := session(t, l, fps[0])
		e := bench.Event{Saw: bench.Note, Text: "Cable tied back"}
		for p := s.State.Next(); p.Stage != bench.InHand; p = s.State.Next() {
			if err := l.Sessions().Answer(ctx, s, e, day); err != nil {
				t.Fatal(err)
			}
			e = bench.Event{Saw: bench.Clean}
			if s.State.Next().Value >= 44 {
				e.Saw = bench.Chatter
			}
		}
		write(map[string]any{"stiffness.tilt": 12, "filters.drive": 4})
		now, err := l.Store.Work().Read(d.TunePath())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.Sessions().Plan(d, s, day); !errors.Is(err, store.ErrChanged) {
			t.Errorf("%v, want that it was changed meanwhile", err)
		}
		d, err = l.Names().Load(fps[0], true)
		if err != nil {
			t.Fatal(err)
		}
		p, err := l.Sessions().Plan(d, s, day)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.Plans().Commit(ctx, p, "Session", "", technician, day); err != nil {
			t.Fatal(err)
		}
		after, err := l.Store.Work().Read(d.TunePath())
		if err != nil || !strings.Contains(string(now), "drive = 4") || !strings.Contains(string(after), "drive = 4") || string(now) == string(after) {
			t.Errorf("%v: was %s\nis %s", err, now, after)
		}
		if d, err = l.Names().Load(fps[0], true); err != nil {
			t.Fatal(err)
		}
		log, _, err := l.Evidence().LastSession(d, "")
		if err != nil || log == nil || log.Steps[0].Text != "Cable tied back" {
			t.Errorf("%+v %v", log, err)
		}
	}
}
