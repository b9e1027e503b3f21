// Package devicetest starts the pretend device of the tests: a program for node that
// serves a table of settings and misbehaves on request. Its frames are made by
// node-mavlink 2.3.0 (LGPL-3.0), a tool of the tests that .ci/test installs; nothing of it
// is copied here or shipped. What it saw of writes it logs by itself: the tests' witness.
package devicetest

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"rigkeep/preset/link/wire"
)

// Device is a pretend device that runs.
type Device struct {
	Kind string // "udp" or "tcp"
	Port int
	log  string
	cmd  *exec.Cmd
}

// Seen is one thing that the device logged: a write, a command, a restart.
type Seen struct {
	Event   string
	ID      string
	Old     any
	Asked   any
	Now     any
	Why     string
	Command int
	Param1  float64
}

// Start starts a device on this machine for a test, and ends it with the test. kind is
// "udp" or "tcp"; args are the options of peer/device.mjs.
func Start(t testing.TB, kind string, args ...string) *Device {
	t.Helper()
	d, err := Run(t.TempDir(), kind+":127.0.0.1:0", args...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(d.Kill)
	return d
}

// Run starts a device. dir is an empty folder for its program and its log, listen is
// where it listens, as KIND:HOST:PORT.
func Run(dir, listen string, args ...string) (*Device, error) {
	_, here, _, _ := runtime.Caller(0)
	program, err := os.ReadFile(filepath.Join(filepath.Dir(here), "peer", "device.mjs"))
	if err != nil {
		return nil, err
	}
	cache, err := os.UserCacheDir()
	if err != nil {
		return nil, err
	}
	modules := filepath.Join(cache, "rigkeep-ci", "device", "node_modules")
	if _, err := os.Stat(filepath.Join(modules, "node-mavlink")); err != nil {
		return nil, fmt.Errorf("the pretend device is not installed: bash .ci/test installs it (%w)", err)
	}
	main := filepath.Join(dir, "device.mjs")
	if err := os.WriteFile(main, program, 0o644); err != nil {
		return nil, err
	}
	if err := os.Symlink(modules, filepath.Join(dir, "node_modules")); err != nil {
		return nil, err
	}
	d := &Device{log: filepath.Join(dir, "seen.jsonl")}
	d.cmd = exec.Command("node", append([]string{main, "--listen", listen, "--log", d.log}, args...)...)
	d.cmd.Stderr = os.Stderr
	out, err := d.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := d.cmd.Start(); err != nil {
		return nil, err
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		d.Kill()
		return nil, fmt.Errorf("the pretend device did not start: %w", err)
	}
	var ready struct {
		Ready string
		Port  int
	}
	if err := json.Unmarshal([]byte(line), &ready); err != nil {
		d.Kill()
		return nil, err
	}
	d.Kind, d.Port = ready.Ready, ready.Port
	return d, nil
}

// Address is how the device is reached.
func (d *Device) Address() string { return fmt.Sprintf("%s:127.0.0.1:%d", d.Kind, d.Port) }

// Help is what the pretend device says of itself.
func Help(t testing.TB) string {
	t.Helper()
	_, here, _, _ := runtime.Caller(0)
	program, err := os.ReadFile(filepath.Join(filepath.Dir(here), "peer", "device.mjs"))
	if err != nil {
		t.Fatal(err)
	}
	_, text, _ := strings.Cut(string(program), "const HELP = `")
	text, _, _ = strings.Cut(text, "`")
	return text
}

// CutBehind puts a line between us and a device that ends for good behind the first frame that last
// says yes to; that frame still reaches the device. It gives the address of the line.
func CutBehind(t testing.TB, d *Device, last func(wire.Message) bool) string {
	t.Helper()
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	there, err := net.Dial(d.Kind, fmt.Sprintf("127.0.0.1:%d", d.Port))
	check(err)
	t.Cleanup(func() { _ = there.Close() })
	var cut atomic.Bool
	var r wire.Reader
	// out passes bytes on to the device, and says whether they were the last
	out := func(b []byte) bool {
		if cut.Load() {
			return true
		}
		_, _ = there.Write(b)
		r.Feed(b)
		for f, ok := r.Next(); ok; f, ok = r.Next() {
			if last(f.Message) {
				cut.Store(true)
			}
		}
		return cut.Load()
	}
	// back passes on what the device says
	back := func(to func([]byte)) {
		b := make([]byte, 4096)
		for {
			n, err := there.Read(b)
			if err != nil {
				return
			}
			if !cut.Load() {
				to(b[:n])
			}
		}
	}
	if d.Kind == "udp" {
		c, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
		check(err)
		t.Cleanup(func() { _ = c.Close() })
		go func() {
			var once sync.Once
			b := make([]byte, 4096)
			for {
				n, from, err := c.ReadFrom(b)
				if err != nil {
					return
				}
				once.Do(func() { go back(func(b []byte) { _, _ = c.WriteTo(b, from) }) })
				out(b[:n])
			}
		}()
		return "udp:" + c.LocalAddr().String()
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	check(err)
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		c, err := l.Accept()
		_ = l.Close() // nobody calls twice
		if err != nil {
			return
		}
		defer c.Close()
		go back(func(b []byte) { _, _ = c.Write(b) })
		b := make([]byte, 4096)
		for {
			n, err := c.Read(b)
			if out(b[:n]) || err != nil {
				return
			}
		}
	}()
	return "tcp:" + l.Addr().String()
}

// Log is the file in which the device notes what it saw.
func (d *Device) Log() string { return d.log }

// Kill ends the device at once.
func (d *Device) Kill() {
	_ = d.cmd.Process.Kill()
	_ = d.cmd.Wait()
}

// Seen is what the device logged so far.
func (d *Device) Seen(t testing.TB) []Seen {
	t.Helper()
	b, err := os.ReadFile(d.log)
	if os.IsNotExist(err) {
		return nil
	}
	if err != nil {
		t.Fatal(err)
	}
	var out []Seen
	for _, line := range strings.Split(strings.TrimSpace(string(b)), "\n") {
		var s Seen
		if err := json.Unmarshal([]byte(line), &s); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		out = append(out, s)
	}
	return out
}

// Writes are the writes that the device saw, in a few words each.
func (d *Device) Writes(t testing.TB) []string {
	t.Helper()
	var out []string
	for _, s := range d.Seen(t) {
		switch s.Event {
		case "set":
			out = append(out, fmt.Sprintf("%s %v→%v: %s, has %v", s.ID, s.Old, s.Asked, s.Why, s.Now))
		case "set-unknown":
			out = append(out, s.ID+": no such setting")
		}
	}
	return out
}

// Group plays subtests beside each other. They mostly wait for a line, so there may be
// more of them at a time than there are processors, which t.Parallel would keep to.
type Group struct {
	t     *testing.T
	place chan struct{}
	wait  sync.WaitGroup
}

// Together begins a group; Wait must be called before the test returns.
func Together(t *testing.T) *Group { return &Group{t: t, place: make(chan struct{}, 12)} }

// Run plays a subtest as soon as there is a place.
func (g *Group) Run(name string, f func(*testing.T)) {
	g.wait.Go(func() {
		g.place <- struct{}{}
		defer func() { <-g.place }()
		g.t.Run(name, f)
	})
}

// Wait waits for all of them.
func (g *Group) Wait() { g.wait.Wait() }
