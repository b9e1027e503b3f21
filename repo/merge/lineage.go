package merge

import (
	"maps"
	"slices"
	"sort"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

// renames says which rig of one side is which rig of the base, where it moved to a new
// fingerprint.
type renames struct {
	to   map[string]string // fingerprint on the side: identity
	from map[string]string // identity: fingerprint on the side
	news map[string][]string
	gone map[string]bool // rigs of the base that the side has no more under that fingerprint
	// units are the folders of units that the side renamed, new ones by their old ones.
	units map[string]string
}

// unitPath is a path of the base in the folder that its unit has on the side, or back.
func (l *renames) unitPath(path string, back bool) string {
	for from, to := range l.units {
		if back {
			from, to = to, from
		}
		if rest, ok := strings.CutPrefix(path, from+"/"); ok {
			return to + "/" + rest
		}
	}
	return path
}

func (l *renames) id(fp string) string {
	if id, ok := l.to[fp]; ok {
		return id
	}
	return fp
}

func (l *renames) fp(id string) string {
	if fp, ok := l.from[id]; ok {
		return fp
	}
	return id
}

// locate is preset.Locate, and knows the photos of a rig as well: files of no kind, which go where
// their rig goes and are never merged within.
func locate(path string) (preset.Place, bool) {
	if p, ok := preset.Locate(path); ok {
		return p, true
	}
	p, ok := preset.LocatePhoto(path)
	p.Kind = ""
	return p, ok
}

// aligned is the path under which a file of the side is laid beside the base's.
func (l *renames) aligned(path string) string {
	p, ok := locate(path)
	if !ok || p.Rig == "" || l.id(p.Rig) == p.Rig {
		return l.unitPath(path, true)
	}
	return strings.Replace(path, preset.RigDir(p.Rig), preset.RigDir(l.id(p.Rig)), 1)
}

// real is aligned the other way round.
func (l *renames) real(path string) string {
	p, ok := locate(path)
	if !ok || p.Rig == "" || l.fp(p.Rig) == p.Rig {
		return l.unitPath(path, false)
	}
	return strings.Replace(path, preset.RigDir(p.Rig), preset.RigDir(l.fp(p.Rig)), 1)
}

func (s *set) renames(side Tree, changed []string) (*renames, error) {
	l := &renames{to: map[string]string{}, from: map[string]string{}, news: map[string][]string{}, gone: map[string]bool{}, units: map[string]string{}}
	var arrived []string
	was := map[string][]string{}
	left, came := map[string]bool{}, map[string][]string{} // folders of units, and what those that came were before
	for _, path := range changed {
		p, ok := preset.Locate(path)
		if ok && p.Kind == schema.KindUnit {
			now, err := side.Read(path)
			if err != nil {
				return nil, err
			}
			dir := preset.UnitDir(p.Gimbal, p.Name)
			if now == nil {
				left[dir] = true
			} else if t, err := file.Values(path, now); err == nil {
				for _, w := range schema.Flatten(t).Strs("was") {
					came[dir] = append(came[dir], preset.UnitDir(p.Gimbal, w))
				}
			}
		}
		if !ok || p.Kind != schema.KindRig {
			continue
		}
		now, err := side.Read(path)
		if err != nil {
			return nil, err
		}
		if now == nil {
			l.gone[p.Rig] = true
			continue
		}
		then, err := s.in.Base.Read(path)
		if err != nil {
			return nil, err
		}
		if then == nil {
			arrived = append(arrived, p.Rig)
			if t, err := file.Values(path, now); err == nil {
				was[p.Rig] = schema.Flatten(t).Strs("was")
			}
		}
	}
	for _, dir := range slices.Sorted(maps.Keys(came)) {
		for _, w := range slices.Backward(came[dir]) {
			if left[w] && l.units[w] == "" {
				l.units[w] = dir
				break
			}
		}
	}
	sort.Strings(arrived)
	// A rig that says last where it was before goes first: two may name the same past.
	sort.SliceStable(arrived, func(i, j int) bool { return l.last(was[arrived[i]]) && !l.last(was[arrived[j]]) })
	for _, fp := range arrived {
		l.news[fp] = was[fp]
		for _, w := range slices.Backward(was[fp]) {
			if l.gone[w] && l.from[w] == "" {
				l.to[fp], l.from[w] = w, fp
				delete(l.news, fp)
				break
			}
		}
	}
	return l, nil
}

func (l *renames) last(was []string) bool { return len(was) > 0 && l.gone[was[len(was)-1]] }

// pairNew finds the rigs that both sides added and one of them has moved since.
func (s *set) pairNew() {
	for _, pair := range [][2]*renames{{s.ours, s.theirs}, {s.theirs, s.ours}} {
		a, b := pair[0], pair[1]
		for _, fp := range slices.Sorted(maps.Keys(b.news)) {
			for _, w := range slices.Backward(b.news[fp]) {
				if _, ok := a.news[w]; ok && b.news[w] == nil && b.from[w] == "" && a.to[w] == "" {
					b.to[fp], b.from[w] = w, fp
					break
				}
			}
		}
	}
}
