package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"rigkeep/cmd/rigkeep/device/devicetest"
	"rigkeep/preset/link"
	"rigkeep/preset/link/wire"
)

// linkedSheet gives quay-large a link: the stiffness of tilt with a fraction, the lag of
// pan in whole numbers.
func linkedSheet(t testing.TB, s *fixture, integers, permanent string) {
	t.Helper()
	name := filepath.Join(s.dir, "gimbals", "quay-large.toml")
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(string(b), "[dial.stiffness.pan]", fmt.Sprintf("[link]\nprotocol = \"mavlink\"\nsystem = 1\ncomponent = 154\nintegers = %q\npermanent = %q\n\n[dial.stiffness.pan]", integers, permanent), 1)
	for dial, l := range map[string]string{
		"stiffness.tilt": `id = "TILT_STIFF", type = "real32", write = true, lowest = 5, highest = 80, step = 3`,
		"follow.lag.pan": `id = "PAN_LAG", type = "uint8", write = true, lowest = 5, highest = 80, step = 30`,
	} {
		at := strings.Index(text, "[dial."+dial+"]\n")
		end := at + strings.Index(text[at:], "\n\n")
		text = text[:end] + "\nlink = { " + l + " }" + text[end:]
	}
	if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// linkTable is what the pretend device has: 38 where the tune wants 26, 12 where it wants 40.
func linkTable(t testing.TB) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "table.json")
	text := `[{"id":"TILT_STIFF","type":"REAL32","value":38,"min":0,"max":100},{"id":"PAN_LAG","type":"UINT8","value":12,"min":0,"max":100},{"id":"OTHER","type":"INT32","value":-5}]`
	if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

// linkShop is a library whose rig a-cam-prime has a tune for a linked gimbal.
func linkShop(t testing.TB) *fixture {
	t.Helper()
	s := newFixture(t)
	s.ok(t, "start", "a-cam-prime", "--write")
	s.ok(t, "set", "a-cam-prime", "stiffness.tilt=26", "follow.walk.lag.pan=40")
	linkedSheet(t, s, "by value", "on command")
	s.ok(t, "set", "unit:QL-0044", "label=Large B")
	s.ok(t, "save", "a-cam-prime", "gimbal:quay-large", "unit:QL-0044", "-m", "Tune and link")
	return s
}

// copyShop is the same library in another place.
func copyShop(t testing.TB, s *fixture) *fixture {
	t.Helper()
	c := *s
	c.dir = filepath.Join(t.TempDir(), "lib")
	if err := os.CopyFS(c.dir, os.DirFS(s.dir)); err != nil {
		t.Fatal(err)
	}
	return &c
}

// command is the program as a process of its own.
func (s *fixture) command(t testing.TB, args ...string) *exec.Cmd {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(exe)
	c.Args, c.Dir = append([]string{"rigkeep"}, args...), s.dir
	c.Env = []string{"PATH=" + os.Getenv("PATH"), "RIGKEEP_NOW=" + s.now.Format(time.RFC3339)}
	for k, v := range s.env {
		c.Env = append(c.Env, k+"="+v)
	}
	return c
}

func (s *fixture) child(t testing.TB, stdin string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errw bytes.Buffer
	c := s.command(t, args...)
	c.Stdin, c.Stdout, c.Stderr = strings.NewReader(stdin), &out, &errw
	err := c.Run()
	var ee *exec.ExitError
	if err != nil && !errors.As(err, &ee) {
		t.Fatal(err)
	}
	return c.ProcessState.ExitCode(), out.String(), errw.String()
}

// writesOf are the logs of unit QL-0044, oldest first.
func writesOf(t testing.TB, s *fixture) [][]link.Event {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(s.dir, "units", "quay-large", "QL-0044", "writes", "*.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(names)
	var out [][]link.Event
	for _, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		es, err := link.ParseLog(b)
		if err != nil {
			t.Fatal(n, err)
		}
		out = append(out, es)
	}
	return out
}

// fault is one way in which a device or its line misbehaves.
type fault struct {
	name     string
	args     []string
	kind     string // "udp" where it is not said
	sheet    string // form of whole numbers in the sheet, "by value" where it is not said
	exits    []int  // how the command may end; more than one where chance decides
	says     string // must be in what it says
	sent     bool   // whether a write may have reached the device
	answers  string // "Large B" and yes to everything where it is not said
	unsteady bool   // chance decides, so the row of the table is an example
	cut      bool   // the line ends for good behind the first write that went through
}

var linkFaults = []fault{
	{name: "none", exits: []int{0}, says: "written: stiffness.tilt, follow.walk.lag.pan", sent: true},
	// link, version and form of whole numbers at three corners
	{name: "none: TCP, version 1, bytewise, bytes one at a time", kind: "tcp", args: []string{"--mavlink", "1", "--encoding", "bytewise", "--split"}, sheet: "bytewise", exits: []int{0}, says: "written:", sent: true},
	{name: "none: UDP, version 1", args: []string{"--mavlink", "1"}, exits: []int{0}, says: "written:", sent: true},
	{name: "none: TCP, version 2, bytewise, does not say its form", kind: "tcp", args: []string{"--mavlink", "2", "--encoding", "bytewise", "--no-caps"}, sheet: "bytewise", exits: []int{0}, says: "written:", sent: true},
	// the wrong form of whole numbers
	{name: "other form than the sheet says", args: []string{"--encoding", "bytewise"}, exits: []int{4}, says: "whole numbers in the other form: nothing was written"},
	{name: "other form, and it does not say so", args: []string{"--encoding", "bytewise", "--no-caps"}, exits: []int{4}, says: "whole numbers in the other form: nothing was written"},
	{name: "other form the other way round, and it does not say so", args: []string{"--no-caps"}, sheet: "bytewise", exits: []int{4}, says: "whole numbers in the other form: nothing was written"},
	// the line
	{name: "30 % lost each way", args: []string{"--drop", "30", "--drop-in", "30"}, exits: []int{0, 4, 6}, sent: true, unsteady: true},
	{name: "everything twice", args: []string{"--dup", "100"}, exits: []int{4}, says: "two devices answer under one number"},
	{name: "one in three twice", args: []string{"--dup", "30"}, exits: []int{0}, says: "written:", sent: true},
	{name: "order mixed up", args: []string{"--reorder", "40"}, exits: []int{0, 6}, sent: true, unsteady: true},
	{name: "checksums wrong in one of five", args: []string{"--badcrc", "20"}, exits: []int{0, 6}, sent: true, unsteady: true},
	{name: "rubbish between the frames", kind: "tcp", args: []string{"--garbage", "50"}, exits: []int{0}, says: "written:", sent: true},
	{name: "answers 0.4 s late", args: []string{"--late", "400"}, exits: []int{0}, says: "written:", sent: true},
	{name: "other and unknown messages all the time", args: []string{"--chatter", "20"}, exits: []int{0}, says: "written:", sent: true},
	{name: "half of the answers 0.4 s late", args: []string{"--late", "400", "--late-pct", "50"}, exits: []int{0, 6}, sent: true, unsteady: true},
	{name: "TCP ends behind the first write, for good", kind: "tcp", cut: true, exits: []int{6}, says: "NOT RESTORED: stiffness.tilt is UNKNOWN; before it was 38", sent: true},
	{name: "UDP goes silent behind the first write, for good", cut: true, exits: []int{6}, says: "NOT RESTORED: stiffness.tilt is UNKNOWN; before it was 38", sent: true},
	// the device
	{name: "refuses", args: []string{"--refuse", "TILT_STIFF"}, exits: []int{4}, says: "refused", sent: true},
	{name: "neither sets nor answers", args: []string{"--silent", "TILT_STIFF"}, exits: []int{6}, says: "no answer", sent: true},
	{name: "sets, and does not answer", args: []string{"--mute-ok", "TILT_STIFF"}, exits: []int{0}, says: "written:", sent: true},
	{name: "limits the value", args: []string{"--clamp", "TILT_STIFF:30:60"}, exits: []int{4}, says: "changed to another", sent: true},
	{name: "rounds the value to its own steps", args: []string{"--quantise", "TILT_STIFF:4"}, exits: []int{4}, says: "changed to another", sent: true},
	{name: "has no number there", args: []string{"--nan", "TILT_STIFF"}, exits: []int{4}, says: "not a number"},
	{name: "confirms the new value, keeps the old", args: []string{"--lie", "TILT_STIFF"}, exits: []int{4}, says: "still old", sent: true},
	{name: "the same 0.4 s late: a stale confirmation", args: []string{"--lie", "TILT_STIFF", "--late", "400"}, exits: []int{4}, says: "still old", sent: true},
	{name: "insists on the kind of number", args: []string{"--type-strict"}, exits: []int{0}, says: "written:", sent: true},
	{name: "restarts half-way, keeps its values", args: []string{"--restart-after", "4"}, exits: []int{0, 6, 130}, sent: true, unsteady: true},
	{name: "restarts half-way, forgets what was not stored", args: []string{"--restart-after", "4", "--volatile"}, exits: []int{4, 6}, sent: true, unsteady: true},
	// five seconds are over before a slow machine asks again
	{name: "restarts half-way, and stays away for 5 s", args: []string{"--restart-after", "4", "--dark", "5000"}, exits: []int{0, 6}, sent: true, unsteady: true},
	{name: "restarts half-way, and stays away for a minute", args: []string{"--restart-after", "4", "--dark", "60000"}, exits: []int{6}, sent: true, unsteady: true},
	{name: "a second part with the same settings", args: []string{"--twin", "155"}, exits: []int{0}, says: "written:", sent: true},
	{name: "two devices under one number", args: []string{"--clone"}, exits: []int{4}, says: "two devices answer under one number"},
	{name: "answers a write without an index", args: []string{"--echo-index", "65535"}, exits: []int{0}, says: "written:", sent: true},
	{name: "one more setting appears", args: []string{"--grow", "3"}, exits: []int{0}, says: "written:", sent: true},
	{name: "denies to store", args: []string{"--storage", "denied"}, exits: []int{4}, says: "refused to keep them: held until power-off", sent: true},
	{name: "does not answer about storing", args: []string{"--storage", "silent"}, exits: []int{6}, says: "UNKNOWN whether the unit keeps them", sent: true},
	{name: "takes its time to store", args: []string{"--storage", "progress"}, exits: []int{0}, says: "The unit keeps them", sent: true},
	{name: "signs what it sends", args: []string{"--sign", "a test key"}, exits: []int{0}, says: "signs what it sends", sent: true},
	{name: "gives no sign of life", args: []string{"--heartbeat", "0"}, exits: []int{6}, says: "no sign of life"},
	{name: "has another number", args: []string{"--sysid", "9"}, exits: []int{6}, says: "no sign of life"},
	// the person
	{name: "another label is typed", answers: "Large A\n", exits: []int{2}, says: "the label typed is not this unit's"},
	{name: "the head is not ready", answers: "Large B\nn\n", exits: []int{2}, says: "the head was not ready"},
	{name: "putting back is declined", args: []string{"--refuse", "PAN_LAG"}, answers: "Large B\ny\nn\n", exits: []int{4}, says: "refused", sent: true},
}

const faultsFile = "testdata/link-faults.md"

// TestLinkFaults plays every fault of the pretend device once: nothing is said to be written
// that is not, and what is not known is said to be unknown. The device's own log is the
// witness. RIGKEEP_UPDATE writes the table of what was said and seen.
func TestLinkFaults(t *testing.T) {
	t.Parallel()
	base := linkShop(t)
	table := linkTable(t)
	rows := make([]string, len(linkFaults))
	g := devicetest.Together(t)
	for i, f := range linkFaults {
		g.Run(f.name, func(t *testing.T) { rows[i] = playFault(t, base, table, f) })
	}
	g.Wait()
	// each fault that the device knows is in a row
	_, known, _ := strings.Cut(devicetest.Help(t), "Faults on the line")
	for _, flag := range regexp.MustCompile(`--[a-z-]+`).FindAllString(known, -1) {
		if !slices.ContainsFunc(linkFaults, func(f fault) bool { return slices.Contains(f.args, flag) }) {
			t.Errorf("no row plays %s", flag)
		}
	}
	if t.Failed() {
		return
	}
	var b strings.Builder
	b.WriteString("# What Rigkeep said of each fault, and what the device saw\n\nWritten by TestLinkFaults (RIGKEEP_UPDATE=1), which plays each fault of the pretend device\n(device/devicetest/peer) against `load a-cam-prime --unit QL-0044 --link`. The unit has 38 and 12 where the tune\nwants 26 and 40. All questions are answered with yes, putting the old values back included, where nothing else is said.\nIn rows with * chance decides; they are one example. The last column is the device's own log of writes:\nsetting, value before → value asked for, what it did, value after.\n\n| fault | exit | what Rigkeep said | what the device's log shows |\n|---|---|---|---|\n")
	for _, r := range rows {
		b.WriteString(r + "\n")
	}
	if os.Getenv("RIGKEEP_UPDATE") != "" {
		if err := os.WriteFile(faultsFile, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(faultsFile)
	if err != nil {
		t.Fatal(err)
	}
	there := strings.Split(strings.TrimSpace(string(want)), "\n")
	have := strings.Split(strings.TrimSpace(b.String()), "\n")
	if len(there) != len(have) {
		t.Fatalf("%s has %d lines, not %d; write it again with RIGKEEP_UPDATE=1", faultsFile, len(there), len(have))
	}
	for i, line := range have {
		if steady(line) != steady(there[i]) && !strings.Contains(line, " * |") {
			t.Errorf("%s, line %d:\n%s\nnow:\n%s", faultsFile, i+1, there[i], line)
		}
	}
}

// again is a write of what already exists: one more try, where an answer came too late.
var again = regexp.MustCompile(`<br>[A-Z_]+ (\d+)→(\d+): set, has \d+( \(\d+ times\))?| \(\d+ times\)`)

// steady is a row without what depends on how busy the machine is.
func steady(row string) string {
	return again.ReplaceAllStringFunc(row, func(s string) string {
		if m := again.FindStringSubmatch(s); m[1] == m[2] {
			return ""
		}
		return s
	})
}

// playFault writes a tune to a device with a fault and gives its row of the table.
func playFault(t *testing.T, base *fixture, table string, f fault) string {
	kind, answers := f.kind, f.answers
	if kind == "" {
		kind = "udp"
	}
	if answers == "" {
		answers = "Large B\n" + strings.Repeat("y\n", 40)
	}
	s := copyShop(t, base)
	if f.sheet != "" {
		name := filepath.Join(s.dir, "gimbals", "quay-large.toml")
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, bytes.Replace(b, []byte(`integers = "by value"`), []byte(`integers = "`+f.sheet+`"`), 1), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	d := devicetest.Start(t, kind, append([]string{"--table", table, "--heartbeat", "300"}, f.args...)...)
	address := d.Address()
	if f.cut {
		address = devicetest.CutBehind(t, d, func(m wire.Message) bool { _, is := m.(wire.Set); return is })
	}
	code, out, errw := s.child(t, answers, "load", "a-cam-prime", "--unit", "QL-0044", "--link", "--plain", "--from", address)
	all := out + errw
	if !slices.Contains(f.exits, code) || !strings.Contains(all, f.says) {
		t.Errorf("exit %d, want %v with %q:\n%s%s", code, f.exits, f.says, out, errw)
	}
	seen := d.Seen(t)
	last := map[string]any{"TILT_STIFF": 38.0, "PAN_LAG": 12.0}
	sent := 0
	for _, x := range seen {
		switch x.Event {
		case "set":
			sent++
			last[x.ID] = x.Now
		case "command":
			if x.Command == 245 && x.Param1 != 1 {
				t.Errorf("command 245 with %v", x.Param1)
			}
		case "restart":
			if slices.Contains(f.args, "--volatile") {
				last = map[string]any{"TILT_STIFF": 38.0, "PAN_LAG": 12.0}
			}
		}
	}
	if sent > 0 && !f.sent {
		t.Errorf("%d writes reached the device: %v", sent, d.Writes(t))
	}
	// what is said to be written is on the device, by its own log
	var res link.Result
	for _, es := range writesOf(t, s) {
		if es[0].Event != link.EvBegin {
			t.Errorf("the log begins with %q", es[0].Event)
		}
		for _, e := range es {
			if e.Result != nil {
				res = *e.Result
			}
		}
	}
	truth := map[string][3]any{"stiffness.tilt": {"TILT_STIFF", 26.0, 38.0}, "follow.walk.lag.pan": {"PAN_LAG", 40.0, 12.0}}
	for i, keys := range [][]string{append(slices.Clone(res.Written), res.Partly...), res.Restored} {
		for _, key := range keys {
			x := truth[key]
			if got := last[x[0].(string)]; got != x[i+1] {
				t.Errorf("%s is said to be %v, and the device has %v:\n%s%s", key, x[i+1], got, out, errw)
			}
		}
	}
	if code == 0 && (res.Outcome != link.Written || len(res.Written) != 2) {
		t.Errorf("exit 0 with %+v", res)
	}
	// one word for how it ended: said, in the log, and 6 where nobody knows what a dial has
	if res.Outcome != "" && res.Outcome != link.Written && !strings.Contains(out, "result: "+string(res.Outcome)+"\n") {
		t.Errorf("the log says %q:\n%s", res.Outcome, out)
	}
	if slices.ContainsFunc(res.Left, func(l link.Left) bool { return l.Has == nil }) && (code != exitNetwork || !strings.Contains(out, "is UNKNOWN; before it was")) {
		t.Errorf("exit %d with %+v:\n%s", code, res, out)
	}
	if f.cut && res.Outcome != link.Unknown {
		t.Errorf("the line ended, and the log says %+v", res)
	}
	if (res.Outcome == link.Written) != strings.Contains(out, "written: stiffness.tilt, follow.walk.lag.pan") {
		t.Errorf("%+v, and it says\n%s", res, out)
	}
	star := ""
	if f.unsteady {
		star = " *"
	}
	return fmt.Sprintf("| %s%s | %d | %s | %s |", f.name, star, code, strings.Join(saidOf(out, errw), "<br>"), strings.Join(writesSeen(d.Writes(t)), "<br>"))
}

// saidOf are the lines of an answer that say how it ended.
func saidOf(out, errw string) []string {
	var got []string
	for _, line := range strings.Split(errw+out, "\n") {
		line = strings.TrimSpace(line)
		for _, begin := range []string{"rigkeep:", "written:", "has its", "stopped:", "result:", "NOT RESTORED", "The unit keeps", "Held until", "UNKNOWN", "Nothing was written", "The unit signs", "The unit refused"} {
			if strings.HasPrefix(line, begin) {
				got = append(got, line)
			}
		}
	}
	return got
}

// writesSeen are the writes of a device's log, the same ones in a row counted.
func writesSeen(writes []string) []string {
	var out []string
	n := 0
	for i, w := range writes {
		n++
		if i+1 < len(writes) && writes[i+1] == w {
			continue
		}
		if n > 1 {
			w += fmt.Sprintf(" (%d times)", n)
		}
		out, n = append(out, w), 0
	}
	if out == nil {
		return []string{"nothing"}
	}
	return out
}

// TestLinkPlanSendsNothing: the peer's log is the proof.
func TestLinkPlanSendsNothing(t *testing.T) {
	t.Parallel()
	s := linkShop(t)
	d := devicetest.Start(t, "udp", "--table", linkTable(t), "--heartbeat", "300")
	s.ok(t, "set", "unit:QL-0044", "link.address="+d.Address())
	s.ok(t, "unit", "read", "QL-0044", "--record", "--style", "walk")
	before := len(d.Seen(t)) // that it was asked what it can do
	var j jsonLoadLink
	if err := json.Unmarshal([]byte(s.ok(t, "load", "a-cam-prime", "--unit", "QL-0044", "--link", "--plan", "--json")), &j); err != nil {
		t.Fatal(err)
	}
	// the same bytes as node-mavlink makes for this write (vector set-real32 has its form)
	if len(j.Plan.Steps) != 2 || len(j.Frames) != 5 || !strings.HasPrefix(j.Frames[0].Hex, "fd17000000ffbe1700000000d041019a54494c545f5354494646") {
		t.Errorf("%+v", j)
	}
	if got := d.Seen(t); len(got) != before {
		t.Errorf("the device saw %+v", got[before:])
	}
	if len(writesOf(t, s)) != 0 {
		t.Error("a log was begun")
	}
}

// TestLinkInterrupted stops a writing with Ctrl-C at a question: nothing more is sent but
// what the person says yes to. Meanwhile nobody else works on that rig.
func TestLinkInterrupted(t *testing.T) {
	t.Parallel()
	if runtime.GOOS == "windows" {
		t.Skip("no interrupt can be sent there")
	}
	s := linkShop(t)
	s.ok(t, "set", "a-cam-prime", "stiffness.tilt=44")
	s.ok(t, "save", "a-cam-prime", "-m", "Raise tilt")
	s.ok(t, "rig", "new", "d-cam", "--gimbal", "quay-large", "--mass", "2kg")
	s.ok(t, "set", "d-cam", "stiffness.tilt=26")
	d := devicetest.Start(t, "udp", "--table", linkTable(t), "--heartbeat", "300")
	cmd := s.command(t, "load", "a-cam-prime", "--unit", "QL-0044", "--link", "--plain", "--from", d.Address())
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	said := ""
	until := func(words string) {
		t.Helper()
		b := make([]byte, 4096)
		for !strings.Contains(said, words) {
			n, err := out.Read(b)
			said += string(b[:n])
			if err != nil {
				t.Fatalf("no %q in\n%s", words, said)
			}
		}
		_, said, _ = strings.Cut(said, words)
	}
	until("Type the label")
	if code, _, errw := s.child(t, "", "load", "a-cam-prime", "--unit", "QL-0031", "--link", "--plain", "--from", d.Address()); code != 4 || !strings.Contains(errw, "in another window") {
		t.Errorf("exit %d: %s", code, errw)
	}
	if code, _, errw := s.child(t, "", "load", "d-cam", "--unit", "QL-0044", "--link", "--plain", "--from", d.Address()); code != 4 || !strings.Contains(errw, "this unit is being written to in another window") {
		t.Errorf("exit %d: %s", code, errw)
	}
	_, _ = io.WriteString(in, "Large B\ny\n")
	until("still quiet?") // the lag went first, tilt is at 41
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	until("Put the old values back?")
	_, _ = io.WriteString(in, "y\n")
	rest, _ := io.ReadAll(out)
	if err := cmd.Wait(); err == nil || cmd.ProcessState.ExitCode() != exitInterrupt {
		t.Errorf("exit %d: %s", cmd.ProcessState.ExitCode(), rest)
	}
	last := map[string]any{}
	for _, x := range d.Seen(t) {
		if x.Event == "set" {
			last[x.ID] = x.Now
		}
	}
	if last["TILT_STIFF"] != 38.0 {
		t.Errorf("the device has %v: %v", last, d.Writes(t))
	}
	logs := writesOf(t, s)
	if len(logs) != 1 || !slices.ContainsFunc(logs[0], func(e link.Event) bool { return e.Event == link.EvAbort && e.Text == "interrupted" }) {
		t.Errorf("%+v", logs)
	}
}

// TestLinkKilled ends the program with kill −9 after each event of a writing, and at moments that chance
// picks (RIGKEEP_STORM: 60 of them): the old values are on disk before the device saw a write, the next command offers to put them back, and
// the log says no more than what the device did.
func TestLinkKilled(t *testing.T) {
	t.Parallel()
	base := linkShop(t)
	// the raise gives a write with a question behind it
	base.ok(t, "set", "a-cam-prime", "stiffness.tilt=44")
	base.ok(t, "save", "a-cam-prime", "-m", "Raise tilt")
	table := linkTable(t)
	g := devicetest.Together(t)
	defer g.Wait()
	type moment struct {
		name    string
		answers string        // before it is killed
		until   string        // what its log has to hold first
		after   time.Duration // or how long it runs
	}
	moments := []moment{
		{"at the label", "", link.EvBegin, 0},
		{"before anything was sent", "Large B\n", link.EvLabel, 0},
		{"in the first write", "Large B\ny\n", link.EvSend, 0},
		{"at the question behind it", "Large B\ny\n", link.EvOutcome, 0},
		{"in the second write", "Large B\ny\ny\n", link.EvQuiet, 0},
		{"at the question whether to keep them", "Large B\ny\ny\ny\ny\n", link.EvReadBack, 0},
		{"while they are kept", "Large B\ny\ny\ny\ny\ny\n", link.EvStore, 0},
		{"when it is all but done", "Large B\ny\ny\ny\ny\ny\n", link.EvEnd, 0},
	}
	chance := rand.New(rand.NewPCG(16, 9))
	for range map[bool]int{false: 4, true: 60}[os.Getenv("RIGKEEP_STORM") != ""] {
		d := time.Duration(2500+chance.IntN(8000)) * time.Millisecond
		moments = append(moments, moment{"after " + d.String(), "Large B\ny\ny\ny\ny\ny\n", "", d})
	}
	for _, c := range moments {
		g.Run(c.name, func(t *testing.T) {
			s := copyShop(t, base)
			d := devicetest.Start(t, "udp", "--table", table, "--heartbeat", "300")
			cmd := s.command(t, "load", "a-cam-prime", "--unit", "QL-0044", "--link", "--plain", "--from", d.Address())
			in, err := cmd.StdinPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			if _, err := io.WriteString(in, c.answers); err != nil {
				t.Fatal(err)
			}
			time.Sleep(c.after)
			deadline := time.Now().Add(60 * time.Second)
			for c.until != "" {
				names, _ := filepath.Glob(filepath.Join(s.dir, "units", "quay-large", "QL-0044", "writes", "*.jsonl"))
				if len(names) == 1 {
					b, _ := os.ReadFile(names[0])
					if strings.Contains(string(b), `"event":"`+c.until+`"`) {
						break
					}
				}
				if time.Now().After(deadline) {
					t.Fatal("it did not come that far")
				}
				time.Sleep(5 * time.Millisecond)
			}
			_ = cmd.Process.Kill()
			_ = cmd.Wait()

			logs := writesOf(t, s)
			if c.until == "" && len(logs) == 0 {
				if w := d.Writes(t); len(w) > 0 {
					t.Errorf("no log, and the device saw %v", w)
				}
				return
			}
			if len(logs) != 1 || logs[0][0].Begin == nil || logs[0][0].Begin.Plan.Changes[0].Old != 38 && logs[0][0].Begin.Plan.Changes[1].Old != 38 {
				t.Fatalf("%+v", logs)
			}
			sends := 0
			for _, e := range logs[0] {
				if e.Event == link.EvSend {
					sends++
				}
			}
			distinct, last := 0, devicetest.Seen{} // a write whose answer is late is sent again
			for _, x := range d.Seen(t) {
				if x.Event == "set" && (x.ID != last.ID || x.Asked != last.Asked) {
					distinct, last = distinct+1, x
				}
			}
			if distinct > sends {
				t.Errorf("the log has %d writes, the device saw %v", sends, d.Writes(t))
			}
			code, out, errw := s.child(t, "", "unit", "read", "QL-0044", "--from", d.Address())
			ended := logs[0][len(logs[0])-1].Event == link.EvEnd
			if open := sends > 0 && !ended; open != strings.Contains(errw, "did not end") {
				t.Errorf("%d writes were begun; unit read says:\n%s%s(exit %d)", sends, out, errw, code)
			}
			if ended { // nothing to put back: what it has is read, and the log is saved with it
				s.child(t, "", "unit", "read", "QL-0044", "--from", d.Address(), "--record", "--style", "walk")
				s.ok(t, "save", "unit:QL-0044", "-m", "What it has")
				if out := s.git(t, "status", "--porcelain", "units"); out != "" {
					t.Error(out)
				}
			}
			if sends == 0 || ended {
				return
			}
			// the next writing offers to put back what was there
			code, out, errw = s.child(t, "y\nLarge B\n"+strings.Repeat("y\n", 20), "load", "a-cam-prime", "--unit", "QL-0044", "--link", "--plain", "--from", d.Address())
			if code != 0 || !strings.Contains(errw, "Put the old values back first?") {
				t.Fatalf("exit %d\n%s%s", code, out, errw)
			}
			has := map[string]any{}
			for _, x := range d.Seen(t) {
				if x.Event == "set" {
					has[x.ID] = x.Now
				}
			}
			for id, old := range map[string]float64{"TILT_STIFF": 38, "PAN_LAG": 12} {
				if now, ok := has[id]; ok && now != old {
					t.Errorf("%s has %v, not %v:\n%s%s", id, now, old, out, errw)
				}
			}
			// and then there is nothing left to do
			if _, _, errw = s.child(t, "", "unit", "read", "QL-0044", "--from", d.Address()); strings.Contains(errw, "did not end") {
				t.Error(errw)
			}
		})
	}
}

// numberedDevice is a device that tells a number of its own, as few do: it says its two settings, and
// notes whether it was written to.
func numberedDevice(t *testing.T, uid uint64) (address string, written *atomic.Bool) {
	t.Helper()
	c, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	written = &atomic.Bool{}
	has := map[string]wire.Value{
		"TILT_STIFF": {Bits: math.Float32bits(38), Count: 2, ID: "TILT_STIFF", Type: byte(link.Real32)},
		"PAN_LAG":    {Bits: math.Float32bits(12), Count: 2, Index: 1, ID: "PAN_LAG", Type: byte(link.Uint8)},
	}
	go func() {
		var r wire.Reader
		b := make([]byte, 512)
		for seq := byte(0); ; {
			n, from, err := c.ReadFrom(b)
			if err != nil {
				return
			}
			r.Feed(b[:n])
			for f, ok := r.Next(); ok; f, ok = r.Next() {
				var answer wire.Message
				switch m := f.Message.(type) {
				case wire.Heartbeat:
					answer = wire.Heartbeat{Version: 3}
				case wire.ReadOne:
					answer = has[m.ID]
				case wire.Command:
					answer = wire.Version{Capabilities: wire.CanByValue, UID: uid}
				case wire.Set:
					written.Store(true)
				}
				if answer != nil {
					out, _ := wire.Append(nil, wire.Frame{Version: 2, Seq: seq, System: 1, Component: 154, Message: answer})
					seq++
					_, _ = c.WriteTo(out, from)
				}
			}
		}
	}()
	return "udp:" + c.LocalAddr().String(), written
}

// TestOtherDevice: a record keeps the number that a device tells of itself. Another one at the same
// address is not read as that unit, and is not written to.
func TestOtherDevice(t *testing.T) {
	t.Parallel()
	s := linkShop(t)
	first, _ := numberedDevice(t, 0xabcd)
	s.ok(t, "unit", "read", "QL-0044", "--from", first, "--record", "--style", "walk")
	text, err := os.ReadFile(filepath.Join(s.dir, "units", "quay-large", "QL-0044", "unit.toml"))
	if err != nil || !strings.Contains(string(text), `device_id = "000000000000abcd"`) {
		t.Errorf("%v\n%s", err, text)
	}
	s.ok(t, "unit", "read", "QL-0044", "--from", first)
	other, written := numberedDevice(t, 0xabce)
	for want, args := range map[int][]string{exitFindings: {"unit", "read", "QL-0044", "--record", "--style", "walk"}, exitConflict: {"load", "a-cam-prime", "--unit", "QL-0044", "--link", "--plain"}} {
		code, out, errw := s.child(t, "Large B\n"+strings.Repeat("y\n", 40), append(args, "--from", other)...)
		if code != want || !strings.Contains(out+errw, "this is not unit QL-0044: the device says it is 000000000000abce, and the record has 000000000000abcd") {
			t.Errorf("%v: exit %d\n%s%s", args, code, out, errw)
		}
	}
	if written.Load() || len(writesOf(t, s)) > 0 {
		t.Error("it was written to")
	}
}
