package main

import (
	"bytes"
	"cmp"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/card"
)

func labelVerb() command {
	return command{
		name: "label", args: "RIG | unit:UNIT", short: "a small page for the case, with a code",
		long:    "Writes a page of 100 × 62 mm: what is in the case, and a QR code whose text is the command that shows its present state. The page goes to NAME-label.html, or where --html says.",
		example: "rigkeep label a-cam-prime\nrigkeep label unit:QL-0031 --html case.html",
		flags:   []cli.Flag{&cli.StringFlag{Name: "html", Usage: "write the page to this `FILE`, - for standard output"}},
		minArgs: 1, maxArgs: 1, argKind: []string{"target"}, run: runLabel,
	}
}

func runLabel(k *invocation) error {
	l := card.Label{Foot: "As of " + k.on(k.Now())}
	name := ""
	if strings.HasPrefix(k.args[0], "unit:") {
		u, err := k.lib.Units().Find(k.args[0])
		if err != nil {
			return err
		}
		name = u.Serial
		l.Title, l.Command = u.Serial, "rigkeep unit show "+u.Serial
		l.Lines = append(l.Lines, "gimbal "+u.Gimbal)
		if u.Label != "" && u.Label != u.Serial {
			l.Lines = append(l.Lines, u.Label)
		}
		if u.Firmware != "" {
			l.Lines = append(l.Lines, "firmware "+u.Firmware)
		}
		if u.Trouble != "" {
			l.Warn = "Trouble: " + u.Trouble
		}
	} else {
		rr, err := k.lib.Names().Find(k.args[0])
		if err != nil {
			return err
		}
		r, err := k.lib.Rig("", rr.Fingerprint)
		if err != nil {
			return err
		}
		name = cmp.Or(r.Alias, r.ID)
		l.Title, l.Command = name, "rigkeep show "+name
		l.Lines = append(l.Lines, "on "+r.Gimbal+", "+k.units().kg(r.Mass()))
		for _, slot := range []string{"body", "lens"} {
			for _, p := range r.Parts {
				if p.Slot == slot {
					l.Lines = append(l.Lines, p.Name)
				}
			}
		}
		l.Lines = append(l.Lines, "build "+r.ID)
	}
	var b bytes.Buffer
	if err := card.WriteLabel(&b, l); err != nil {
		return err
	}
	file := cmp.Or(k.c.String("html"), name+"-label.html")
	if err := k.writeOut(file, b.Bytes()); err != nil {
		return err
	}
	if file != "-" {
		k.say("wrote %s", file)
	}
	return nil
}
