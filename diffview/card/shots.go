package card

import "rigkeep/schema"

// shots are the shots of the jobs that name a follow style, the newest job first.
func shots(r Rig) table {
	out := table{Caption: "Shots and their follow styles", Head: []string{"shot", "style", "lens", "job"}}
	for i := len(r.Jobs) - 1; i >= 0; i-- {
		for _, s := range r.Jobs[i].Shots {
			if s.Style == "" || !s.For(r.Rig) {
				continue
			}
			lens := ""
			if s.LensMM > 0 {
				lens = schema.Num(s.LensMM) + " mm"
			}
			out.Rows = append(out.Rows, row{s.Name, []string{s.Style, lens, r.Jobs[i].Name}})
		}
	}
	return out
}
