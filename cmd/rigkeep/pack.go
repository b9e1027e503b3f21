package main

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func packSub() command {
	return command{name: "pack", pages: true, args: "JOB", short: "the packing list of a job, and what is wanted twice", reads: true, minArgs: 1, maxArgs: 1, argKind: []string{"job"},
		long:    "Units and parts with how many are wanted and how many there are. Rigs that go on one unit share its parts. Wanted twice is what two units of the job want, or another open job on one of its days; it ends with exit code 1.",
		example: "rigkeep job pack pilot-station", run: runJobPack}
}

type jsonPack struct {
	Format int            `json:"format"`
	Job    string         `json:"job"`
	From   string         `json:"from"`
	To     string         `json:"to"`
	Units  []jsonPackUnit `json:"units"`
	Parts  []jsonPackPart `json:"parts"`
	Twice  []jsonTwice    `json:"wanted_twice"`
	Said   []string       `json:"said"`
}

type jsonPackUnit struct {
	Gimbal  string   `json:"gimbal"`
	Serial  string   `json:"serial,omitempty"` // none while no unit is chosen
	Label   string   `json:"label,omitempty"`
	Trouble string   `json:"trouble,omitempty"`
	Rigs    []string `json:"rigs"`
}

type jsonPackPart struct {
	Part   string   `json:"part,omitempty"` // its file in the shop
	Name   string   `json:"name"`
	Slot   string   `json:"slot"`
	Wanted int      `json:"wanted"`
	Have   *int     `json:"have,omitempty"` // none where the shop does not say
	Owner  string   `json:"owner,omitempty"`
	Rigs   []string `json:"rigs"`
}

type jsonTwice struct {
	Part   string `json:"part,omitempty"`
	Unit   string `json:"unit,omitempty"`
	Wanted int    `json:"wanted"`
	Have   *int   `json:"have,omitempty"`
	Text   string `json:"text"`
}

func runJobPack(k *invocation) error {
	slug, j, err := k.jobNamed(k.args[0])
	if err != nil {
		return err
	}
	p, err := k.lib.Jobs().Pack(slug)
	if err != nil {
		return err
	}
	out := jsonPackOf(slug, p)
	switch {
	case k.json():
		if err := k.encode(out); err != nil {
			return err
		}
	case len(j.Pins) == 0:
		k.say("no rig is pinned to %s", slug)
		k.say("Try: rigkeep job add %s RIG", slug)
		return nil
	default:
		jobRun{k}.printPack(j.Name, out)
	}
	if len(out.Twice) > 0 {
		return errFindings
	}
	return nil
}

func jsonPackOf(slug string, p library.Packing) jsonPack {
	out := jsonPack{1, slug, schema.SayDate(p.Job.From), schema.SayDate(p.Job.To), []jsonPackUnit{}, []jsonPackPart{}, []jsonTwice{}, append([]string{}, p.Said...)}
	known := func(n int) *int {
		if n < 0 {
			return nil
		}
		return &n
	}
	for _, u := range p.Units {
		out.Units = append(out.Units, jsonPackUnit{u.Gimbal, u.Serial, u.Label, u.Trouble, append([]string{}, u.Rigs...)})
	}
	for _, x := range p.Parts {
		out.Parts = append(out.Parts, jsonPackPart{x.Part, x.Name, x.Slot, x.Wanted, known(x.Have), x.Owner, append([]string{}, x.Rigs...)})
	}
	for _, x := range p.Twice {
		out.Twice = append(out.Twice, jsonTwice{x.Part, x.Unit, x.Wanted, known(x.Have), x.Text})
	}
	return out
}

func (k jobRun) printPack(job string, p jsonPack) {
	days := p.From
	if p.To != p.From {
		days += " to " + p.To
	}
	k.printf("%s  %s: %s, %s\n", k.paint.bold(safe.Line(job)), days, schema.Count(len(p.Units), "unit", "units"), schema.Count(len(p.Parts), "part", "parts"))
	if len(p.Twice) > 0 {
		k.printf("\n%s\n", k.paint.bold("WANTED TWICE"))
		t := table{}
		for _, x := range p.Twice {
			t.add(cmp.Or(x.Part, "unit "+x.Unit), x.Text)
		}
		k.write(t.render(k.paint, "  ", k.wide))
	}
	k.printf("\n%s\n", k.paint.bold("Units"))
	t := table{}
	for _, u := range p.Units {
		name := strings.TrimSpace(u.Serial + "  " + u.Label)
		if u.Serial == "" {
			name = "one, not chosen yet"
		}
		what := "with " + strings.Join(u.Rigs, ", ")
		if u.Trouble != "" {
			what += "; trouble: " + u.Trouble
		}
		t.add(name, u.Gimbal, what)
	}
	k.write(t.render(k.paint, "  ", k.wide))
	k.printf("\n%s\n", k.paint.bold("Parts"))
	t = table{right: map[int]bool{0: true}}
	for _, x := range p.Parts {
		have := ""
		if x.Have != nil {
			have = fmt.Sprintf("of %d", *x.Have)
		}
		of := strings.Join(x.Rigs, ", ")
		if x.Owner != "" {
			of += "; of " + x.Owner
		}
		t.add(strconv.Itoa(x.Wanted), have, x.Name, of)
	}
	k.write(t.render(k.paint, "  ", k.wide))
	for _, s := range p.Said {
		k.say("%s", safe.Line(s))
	}
}
