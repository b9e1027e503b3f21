package start

import (
	"sync"

	"rigkeep/preset/domain"
)

// Finals gives where each stiffness of a request should end, by parameter key: the
// Final of Start's offers, without the evidence that Start writes out. A stiffness
// of which nothing is known has none. Errors as Start's.
//
// Source: as Start.
func Finals(q Request) (map[string]Range, error) {
	room := rooms.Get().(*scratch) // a review asks for many rigs, one after the other
	defer rooms.Put(room)
	s, err := newEstimator(q, room)
	if err != nil {
		return nil, err
	}
	out := map[string]Range{}
	for _, p := range q.Params {
		sc := newScale(p.Dial)
		if p.Kind != Stiffness || sc.broken != "" {
			continue
		}
		f := s.gather(p, sc, q.Rig, q.Unit, leaveNone, false)
		r, err := s.final(p, sc, f)
		if err != nil {
			return nil, err
		}
		if r != nil {
			out[p.Key] = *r
		}
	}
	return out, nil
}

// rooms are of requests that are done.
var rooms = sync.Pool{New: func() any { return new(scratch) }}

// final fits the line and gives the interval, nil where nothing is known.
func (s *estimator) final(p Param, sc scale, f *fit) (*Range, error) {
	if err := s.solve(p, sc, f, true); err != nil {
		return nil, err
	}
	if len(f.points) == 0 && !f.anchor {
		return nil, nil
	}
	best, soft, stiff := sc.number(f.mid), sc.number(f.lo), sc.number(f.hi)
	c := domain.Checker{Model: "start"}
	for _, v := range []float64{best, soft, stiff} {
		c.Finite("interval of "+p.Key, v)
	}
	return span(best, soft, stiff, s.o.Level), c.Err()
}
