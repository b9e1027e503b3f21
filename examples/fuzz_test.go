package examples

import "testing"

// FuzzScenario: a scenario is refused with its line, or each of its steps is one
// thing.
func FuzzScenario(f *testing.F) {
	text, err := demo.ReadFile("demo/scenario.txt")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(string(text))
	for _, s := range []string{"run", "run ?", "run ?1", "run ?x y", "run \"", "edit", "edit a", "edit a b | c", "edit a b | c | d", "at", "at x", "say", "as", "?", "run a \"b c\" d"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		steps, err := parseScenario(s)
		if err != nil {
			if err.Error() == "" {
				t.Error("no reason")
			}
			return
		}
		for _, st := range steps {
			n := 0
			for _, is := range []bool{st.Say != "", len(st.Command) > 0, st.Edit != nil, st.Stand != nil, !st.When.IsZero(), st.As != ""} {
				if is {
					n++
				}
			}
			if n != 1 || st.Line < 1 {
				t.Errorf("%q: step %+v is %d things", s, st, n)
			}
		}
	})
}
