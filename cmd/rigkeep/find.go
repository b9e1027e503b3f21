package main

import (
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
)

// foundShown is how many of what was found a screen shows without --all.
const foundShown = 12

func searchVerb() command {
	return command{
		name: "find", args: "WORDS", short: "rigs, jobs, parts, units and gimbals by words",
		long:    "Searches aliases, parts, jobs, shots, notes, units, people and the names of photos, saved or not. All words must fit, in any order and any case. A rig is also found by a word of a job that it is on, and a job by a word of its rigs. A number stands alone: 85 does not find 185.",
		example: "rigkeep find prime 85\nrigkeep find operator --kind job",
		flags:   []cli.Flag{&cli.StringFlag{Name: "kind", Usage: "only this `KIND`: rig, job, part, unit or gimbal"}, &cli.BoolFlag{Name: "all", Usage: "list all that was found"}},
		reads:   true, pages: true, minArgs: 1, maxArgs: -1, argKind: []string{"none"}, run: runFind,
	}
}

type jsonFound struct {
	Kind        string    `json:"kind"`
	Name        string    `json:"name"`
	Title       string    `json:"title,omitempty"`
	Fingerprint string    `json:"fingerprint,omitempty"`
	Path        string    `json:"path"`
	Where       []jsonHit `json:"where"`
}

type jsonHit struct {
	Path string `json:"path"`
	Key  string `json:"key,omitempty"` // none for the name of a photo
	Text string `json:"text"`
}

func runFind(k *invocation) error {
	kind := k.c.String("kind")
	switch kind {
	case "", "rig", "job", "part", "unit", "gimbal":
	default:
		return usage("unknown kind %q", kind).hinted("one of: rig, job, part, unit, gimbal")
	}
	found, err := k.lib.Words().Search(k.args, -1)
	if err != nil {
		return err
	}
	rows := []jsonFound{}
	for _, f := range found {
		if kind != "" && f.Kind != kind {
			continue
		}
		row := jsonFound{f.Kind, f.Name, f.Title, f.Print, f.Path, []jsonHit{}}
		for _, h := range f.Where {
			row.Where = append(row.Where, jsonHit{h.Path, h.Key, h.Text})
		}
		rows = append(rows, row)
	}
	if len(rows) == 0 {
		return fail(exitNotFound, "nothing has %q", strings.Join(k.args, " ")).hinted("Try: rigkeep rig list")
	}
	if k.json() {
		return k.encode(struct {
			Format int         `json:"format"`
			Found  []jsonFound `json:"found"`
		}{1, rows})
	}
	n := len(rows)
	if !k.c.Bool("all") && n > foundShown+1 {
		rows = rows[:foundShown]
	}
	t := table{}
	for _, r := range rows {
		name := r.Name
		if r.Kind != "rig" {
			name = r.Kind + ":" + name
		}
		t.add(name, hitWords(r))
	}
	k.write(t.fitted(k.paint, "", k.wide, 40))
	if left := n - len(rows); left > 0 {
		k.printf("%d more\n", left)
		k.say("Try: rigkeep find %s --all", safe.Line(strings.Join(k.args, " ")))
		return nil
	}
	r := rows[0]
	next := map[string]string{"rig": "show " + r.Name, "job": "job show " + r.Name, "part": "part show " + r.Name, "gimbal": "gimbal show " + r.Name}[r.Kind]
	if next != "" {
		k.say("Try: rigkeep %s", safe.Line(next))
	}
	return nil
}

// hitWords says in one line where the words stand: the text of the name alone needs no label.
func hitWords(r jsonFound) string {
	var out []string
	seen := map[string]bool{}
	if r.Title != "" {
		out = append(out, r.Title)
		seen[r.Title] = true
	}
	for _, h := range r.Where {
		if h.Text == r.Name || seen[h.Text] {
			continue
		}
		seen[h.Text] = true
		label := hitLabel(h)
		if label == "" {
			out = append(out, h.Text)
		} else {
			out = append(out, label+" "+h.Text)
		}
	}
	return strings.Join(out, "; ")
}

// hitLabel is a key in a word: part of part[2].name, note of note.
func hitLabel(h jsonHit) string {
	if h.Key == "" {
		return "photo"
	}
	segs := strings.Split(h.Key, ".")
	word := func(s string) string { s, _, _ = strings.Cut(s, "["); return s }
	last, first := word(segs[len(segs)-1]), word(segs[0])
	switch {
	case h.Key == "follow":
		return "style"
	case last == "name" && first != last:
		return first // part[0].name, shot[1].name
	case last == "name":
		return ""
	case first == "crew" && last == "role":
		return "crew"
	}
	return strings.TrimSuffix(strings.ReplaceAll(last, "_", " "), " mm")
}
