package review

import (
	"cmp"
	"fmt"
	"strings"

	"rigkeep/preset"
	"rigkeep/schema"
)

func init() {
	tests["unreadable"] = unreadable
	tests["tune-missing"] = tuneMissing
	whole["unsaved"] = unsaved
	whole["library-behind"] = behind
	whole["library-ahead"] = ahead
}

func unreadable(l *look, x *Subject) {
	if len(x.Faults) == 0 {
		return
	}
	var words []string
	var ev []Evidence
	for _, f := range x.Faults {
		words = append(words, f.What)
		ev = append(ev, Evidence{Text: f.What, File: f.Path, Line: f.Line})
	}
	l.on(x, hit{what: strings.Join(words, "; "), evidence: ev})
}

func tuneMissing(l *look, x *Subject) {
	if x.Lost != "" && x.Pin < 0 {
		l.on(x, hit{what: x.Lost, evidence: []Evidence{x.RigFile.fact("the build of "+x.Rig.Alias, "alias", "part[0]")}})
	}
}

func unsaved(l *look) {
	say := func(x *Subject, of string, edits []Edit, commands []string) {
		var words []string
		var ev []Evidence
		for _, e := range edits {
			words = append(words, e.Path+" "+e.Kind)
			ev = append(ev, Evidence{Text: e.Kind + ", in no revision", File: e.Path})
		}
		l.on(x, hit{of: of, what: strings.Join(words, ", "), evidence: ev, commands: commands})
	}
	done := map[string]bool{}
	for i := range l.s.Subjects {
		x := &l.s.Subjects[i]
		if len(x.Unsaved) == 0 || done[x.Rig.Alias] {
			continue
		}
		done[x.Rig.Alias] = true
		say(x, x.Rig.Alias, x.Unsaved, nil)
	}
	for _, e := range l.s.Unsaved {
		name := strings.TrimSuffix(e.Path[strings.LastIndexByte(e.Path, '/')+1:], ".toml")
		kind := "job:"
		switch place, _ := preset.Locate(e.Path); place.Kind {
		case schema.KindGimbal:
			kind = "gimbal:"
		case schema.KindUnit:
			kind, name = "unit:", place.Name
		}
		say(nil, name, []Edit{e}, []string{"rigkeep save " + kind + name + " -m WHY", "rigkeep git diff -- " + e.Path})
	}
}

func behind(l *look) {
	x := l.s.Exchange
	if x == nil {
		l.cannot(nil, "%s", cmp.Or(l.s.NoExchange, "no server is known"))
		return
	}
	if x.Behind == 0 {
		return
	}
	what := fmt.Sprintf("%s has %s more than this library, as last fetched", x.Ref, schema.Count(x.Behind, "revision", "revisions"))
	if x.Ahead > 0 {
		what += fmt.Sprintf("; it lacks %s that this library has", schema.Count(x.Ahead, "revision", "revisions"))
	}
	l.on(nil, hit{of: x.Ref, what: what, evidence: []Evidence{x.Theirs.told("", "its newest")}, seen: []string{x.Theirs.Revision}})
}

func ahead(l *look) {
	x := l.s.Exchange
	if x == nil {
		l.cannot(nil, "%s", cmp.Or(l.s.NoExchange, "no server is known"))
		return
	}
	if x.Ahead == 0 {
		return
	}
	l.on(nil, hit{of: x.Ref, what: fmt.Sprintf("%s lacks %s of this library, as last fetched", x.Ref, schema.Count(x.Ahead, "revision", "revisions")),
		// accepting is a revision itself: what is newest here would end every acceptance at once
		evidence: []Evidence{x.Ours.told("", "the newest here")}, seen: []string{x.Theirs.Revision}})
}
