package vibration

// Table lists the limits in the units of the person.
//
// Source: common practice, no source.
func (l Limits) Table() []Limit {
	var out []Limit
	for _, r := range l.rows() {
		out = append(out, Limit{r.name, *r.to / r.scale, r.unit, r.meaning})
	}
	return out
}
