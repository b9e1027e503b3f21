package merge

import (
	"fmt"
	"maps"
	"slices"
	"sort"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

type sideOf struct {
	t Tree
	l *renames
}

func (s *set) both() []sideOf { return []sideOf{{s.in.Ours, s.ours}, {s.in.Theirs, s.theirs}} }

// places refuses two rigs in one folder.
func (s *set) places() error {
	at := map[string]*group{}
	for _, g := range s.groups {
		if g.rig == nil {
			continue
		}
		other := at[g.final]
		at[g.final] = g
		path := preset.RigPath(g.final)
		taken := other != nil
		for _, side := range s.both() {
			if side.l.id(g.final) == g.id || taken {
				continue
			}
			text, err := side.t.Read(path)
			if err != nil {
				return err
			}
			taken = text != nil && !s.isRenamed(side.l.id(g.final), g.final)
		}
		if taken {
			s.out.Conflicts = append(s.out.Conflicts, Conflict{Path: s.ours.real(preset.RigPath(g.id)), Key: "part", Why: "merged, this build is the same as that of another rig, " + g.final,
				Ours: s.ours.fp(g.id), Theirs: s.theirs.fp(g.id)})
		}
	}
	return nil
}

// aliases refuses two rigs with one name: each side knew only one of them.
func (s *set) aliases() error {
	by := map[string][]*group{}
	for _, g := range s.groups {
		if g.rig != nil && g.alias != "" {
			by[g.alias] = append(by[g.alias], g)
		}
	}
	for _, alias := range slices.Sorted(maps.Keys(by)) {
		gs := by[alias]
		if len(gs) < 2 {
			continue
		}
		// Ours first, so that ours and theirs in the conflict mean what they say.
		sort.SliceStable(gs, func(i, j int) bool {
			return s.holds(s.in.Ours, s.ours, gs[i], alias) && !s.holds(s.in.Ours, s.ours, gs[j], alias)
		})
		for _, g := range gs[1:] {
			c := Conflict{Path: preset.RigPath(g.final), Key: "alias", Why: fmt.Sprintf("two rigs have the alias %s: %s and %s", alias, gs[0].final, g.final), Value: true,
				Ours: alias + " is " + gs[0].final, Theirs: alias + " is " + g.final,
				OursPath: preset.RigPath(s.ours.fp(gs[0].id)), TheirsPath: preset.RigPath(s.theirs.fp(g.id))}
			choose := s.in.Choices.chooser(schema.KindRig, append(s.names(preset.RigPath(g.id)), s.names(c.Path)...))
			ch, ok := Choice{}, false
			if choose != nil {
				ch, ok = choose(c, false)
			}
			rename, to := g, ""
			switch v, isText := ch.Value.(string); {
			case !ok:
				s.out.Conflicts = append(s.out.Conflicts, c)
				continue
			case ch.Take == "" && isText && preset.IsName(v) && len(by[v]) == 0:
				to = v
			case ch.Take == "":
				return &ChoiceError{fmt.Sprintf("%v cannot be the alias of a rig here", ch.Value), "Use another short name of a–z, 0–9, dot, dash and underscore"}
			case ch.Take == Theirs:
				rename = gs[0]
			}
			for n := 2; to == ""; n++ {
				if free := fmt.Sprintf("%s-%d", alias, n); len(by[free]) == 0 {
					to = free
				}
			}
			by[to] = append(by[to], rename)
			d, err := file.Parse("", rename.rig)
			if err == nil {
				d, err = d.Set("alias", to)
			}
			if err != nil {
				return err
			}
			rename.rig, rename.alias = d.Text(), to
			s.texts[preset.RigPath(rename.final)] = rename.rig
			s.note(preset.RigPath(rename.final), fmt.Sprintf("its alias is now %s", to))
		}
	}
	return nil
}

func (s *set) holds(t Tree, l *renames, g *group, alias string) bool {
	return s.aliasOf(t, l.fp(g.id)) == alias
}

// sheetsThere refuses a rig whose gimbal sheet the other side removed.
func (s *set) sheetsThere() error {
	for _, g := range s.groups {
		r, ok := s.decodeRig(g.rig)
		if !ok {
			continue
		}
		path := preset.GimbalPath(r.Gimbal)
		text, merged := s.texts[path]
		if !merged || text != nil {
			continue
		}
		b, o, t, err := s.sides(path)
		if err != nil {
			return err
		}
		s.out.Conflicts = append(s.out.Conflicts, Conflict{Path: path, Base: textOrNil(b), Ours: textOrNil(o), Theirs: textOrNil(t),
			Why: fmt.Sprintf("the sheet was removed on one side, and rig %s needs it", g.alias)})
	}
	return nil
}

// jobs merges jobs. A pin without a revision follows its rig wherever that ends up; one with a
// revision stays with the fingerprint under which that revision is found.
func (s *set) jobs(paths []string) error {
	final := map[string]string{} // by fingerprint on either side
	further := false
	for _, g := range s.groups {
		if g.rig == nil {
			continue
		}
		for _, fp := range []string{g.id, s.ours.fp(g.id), s.theirs.fp(g.id)} {
			if fp != g.final {
				final[fp] = g.final
			}
		}
		further = further || g.final != s.ours.fp(g.id) && g.final != s.theirs.fp(g.id)
	}
	if further {
		list, err := s.in.Ours.List("jobs/")
		if err != nil {
			return err
		}
		for _, p := range list {
			if _, ok := preset.Locate(p); ok {
				paths = append(paths, p)
			}
		}
		paths = unique(paths)
	}
	for _, p := range paths {
		b, o, t, err := s.sides(p)
		if err != nil {
			return err
		}
		no, nt := o, t
		if len(s.ours.to)+len(s.theirs.to) > 0 {
			no, nt = repin(p, o, s.ours.id), repin(p, t, s.theirs.id)
		}
		out, err := s.merge(Input{Path: p, Kind: schema.KindJob, Base: b, Ours: no, Theirs: nt}, p, p)
		if err != nil {
			return err
		}
		text := out.Text
		if len(final) > 0 {
			text = repin(p, text, func(fp string) string {
				if to, ok := final[fp]; ok {
					return to
				}
				return fp
			})
		}
		s.put(p, p, p, s.unpin(p, text))
	}
	return nil
}

// unpin takes out the pins of rigs that somebody decided to remove.
func (s *set) unpin(path string, text []byte) []byte {
	j, err := preset.UncheckedJob(path, text)
	if text == nil || err != nil {
		return text
	}
	var edits []file.Edit
	for i, pin := range j.Pins {
		if rig, merged := s.texts[preset.RigPath(pin.Rig)]; merged && rig == nil && pin.Revision == "" {
			edits = append([]file.Edit{{Key: file.Join("pin", i), Delete: true}}, edits...)
			s.note(path, fmt.Sprintf("the pin of rig %s is taken out, as the rig is removed", pin.Rig))
		}
	}
	if len(edits) == 0 {
		return text
	}
	d, err := file.Parse(path, text)
	if err == nil {
		d, err = d.Apply(edits...)
	}
	if err != nil {
		return text
	}
	return d.Text()
}

// repin points the pins without a revision of an open job elsewhere.
func repin(path string, text []byte, to func(fp string) string) []byte {
	if text == nil {
		return nil
	}
	j, err := preset.UncheckedJob(path, text)
	if err != nil {
		return text
	}
	var edits []file.Edit
	for i, pin := range j.Pins {
		if now := to(pin.Rig); pin.Revision == "" && now != pin.Rig && j.State == "open" {
			edits = append(edits, file.Edit{Key: file.Join("pin", i, "rig"), Value: now})
		}
	}
	if len(edits) == 0 {
		return text
	}
	d, err := file.Parse(path, text)
	if err != nil {
		return text
	}
	if d, err = d.Apply(edits...); err != nil {
		return text
	}
	return d.Text()
}
