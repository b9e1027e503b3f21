package schema

import "testing"

// A slide that cannot be, or two that nothing tells apart, are refused.
func TestAdjustmentsRefuse(t *testing.T) {
	slide := func(name, stage, moves, rising string) Tree {
		return Tree{"name": name, "stage": stage, "moves": moves, "rising": rising}
	}
	for _, c := range []struct {
		slides []any
		key    string
		what   string
	}{
		{[]any{slide("plate", "tilt", "x", "up")}, "adjustment[0].rising", "cannot rise up"},
		{[]any{slide("side", "tilt", "y", "left")}, "adjustment[0].moves", "balances nothing about the tilt axis"},
		{[]any{slide("bar", "roll", "x", "forward")}, "adjustment[0].moves", "balances nothing about the roll axis"},
		{[]any{slide("post", "pan", "z", "up")}, "adjustment[0].moves", "balances nothing about the pan axis"},
		{[]any{slide("plate", "tilt", "x", "forward"), slide("Plate", "tilt", "z", "up")}, "adjustment[1].name", "another adjustment is called"},
		{[]any{slide("plate", "tilt", "x", "forward"), slide("carriage", "tilt", "x", "back")}, "adjustment[1].moves", "on the tilt stage already"},
		{[]any{slide("", "tilt", "x", "forward")}, "adjustment[0].name", "empty"},
		{[]any{slide("plate", "tilt", "w", "forward")}, "adjustment[0].moves", "the value is"},
	} {
		doc := base(t, KindGimbal)
		change(t, doc, "adjustment", c.slides)
		one(t, Default().Validate(KindGimbal, doc, nil), c.key, c.what)
	}
	doc := base(t, KindGimbal)
	plate := slide("plate", "tilt", "x", "forward")
	plate["range_mm"] = []any{120.0, 0.0}
	change(t, doc, "adjustment", []any{plate})
	one(t, Default().Validate(KindGimbal, doc, nil), "adjustment[0].range_mm", "is not below the largest")
}

// A mark that is not on the scale of the sheet is a problem of the record.
func TestBalanceMarksOnTheScale(t *testing.T) {
	doc := base(t, KindGimbal)
	change(t, doc, "adjustment", []any{Tree{"name": "plate", "stage": "tilt", "moves": "x", "rising": "forward", "range_mm": []any{0.0, 120.0}}})
	s, ps := Default().Sheet("quay-large", doc)
	if s == nil {
		t.Fatal(ps)
	}
	rec := base(t, KindBalance)
	change(t, rec, "mark[0].name", "plate")
	change(t, rec, "mark[0].mm", 121.0)
	one(t, Default().Validate(KindBalance, rec, s), "mark[0].mm", "not on the scale")
	change(t, rec, "mark[0].mm", 120.0)
	if ps := Default().Validate(KindBalance, rec, s); len(ps) > 0 {
		t.Error(ps)
	}
	change(t, rec, "ended", rec["began"])
	if ps := Default().Validate(KindBalance, rec, s); len(ps) > 0 {
		t.Error(ps)
	}
}
