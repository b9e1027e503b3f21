package device

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"rigkeep/cmd/rigkeep/device/devicetest"
	"rigkeep/preset/link"
	"rigkeep/preset/link/wire"
	"rigkeep/schema"
)

type wall struct{}

func (wall) Now() time.Time                         { return time.Now() }
func (wall) After(d time.Duration) <-chan time.Time { return time.After(d) }

var pair = Pair{1, 154}

// dial opens a device's port and waits for its sign of life.
func dial(t *testing.T, address string) *Client {
	t.Helper()
	c, err := try(t, address)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func try(t *testing.T, address string) (*Client, error) {
	t.Helper()
	a, err := link.ParseAddress(address)
	if err != nil {
		t.Fatal(err)
	}
	rw, err := Open(t.Context(), a, false)
	if err != nil {
		t.Fatal(err)
	}
	c := New(rw, wall{})
	t.Cleanup(func() { _ = c.Close() })
	return c, c.Connect(t.Context(), pair)
}

// overPTY puts a pseudo terminal between a device on TCP and a serial port.
func overPTY(t *testing.T, d *devicetest.Device) string {
	t.Helper()
	conn, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", d.Port))
	if err != nil {
		t.Fatal(err)
	}
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = conn.Close()
		_ = master.Close()
		_ = slave.Close()
	})
	go func() { _, _ = io.Copy(conn, master) }()
	go func() { _, _ = io.Copy(master, conn) }()
	return "serial:" + slave.Name() + ":57600"
}

func f32(v float64) uint32 { return math.Float32bits(float32(v)) }

// What the device has when it starts, and how its numbers travel.
func check(t *testing.T, got []link.Reading, integers string) {
	t.Helper()
	want := map[string]float64{"PAN_STIFF": 42.5, "TILT_STIFF": 38, "PAN_SMOOTH": 12, "TILT_DEADBAND": -3, "MOTOR_OUT_LIMIT": 1000, "SIXTEEN_CHARS_ID": -5000000, "MINUS_ONE": -1, "TINY": -128, "BIG_COUNT": 16777217}
	if integers == schema.ByValue {
		want["BIG_COUNT"] = 16777216 // rounded on its way
	}
	for id, v := range want {
		i := slices.IndexFunc(got, func(r link.Reading) bool { return r.ID == id })
		if i < 0 {
			t.Errorf("no %s", id)
			continue
		}
		x, err := link.Number(got[i].Bits, got[i].Type, integers)
		if err != nil || x != v {
			t.Errorf("%s is %v, %v, want %v", id, x, err, v)
		}
	}
}

// Each way, each version of the standard, each form of whole numbers, at three corners, and
// bytes that come one by one.
func TestReadsOverAllWays(t *testing.T) {
	g := devicetest.Together(t)
	defer g.Wait()
	for _, c := range []struct {
		way, kind, integers string
		args                []string
	}{
		{"udp", "udp", schema.ByValue, []string{"--mavlink", "1"}},
		{"tcp", "tcp", schema.Bytewise, []string{"--mavlink", "2", "--encoding", "bytewise", "--split"}},
		{"serial", "tcp", schema.ByValue, []string{"--mavlink", "2"}},
		{"signed", "tcp", schema.Bytewise, []string{"--sign", "a test key", "--encoding", "bytewise"}},
	} {
		g.Run(c.way, func(t *testing.T) {
			d := devicetest.Start(t, c.kind, append(c.args, "--heartbeat", "300")...)
			address := d.Address()
			if c.way == "serial" {
				address = overPTY(t, d)
			}
			cl := dial(t, address)
			all, err := cl.ReadAll(t.Context())
			if err != nil || len(all) != 11 {
				t.Fatalf("%d settings, %v", len(all), err)
			}
			check(t, all, c.integers)
			some, err := cl.Read(t.Context(), []string{"TILT_STIFF", "SIXTEEN_CHARS_ID", "NOT_THERE"})
			if err != nil || len(some) != 2 || some["TILT_STIFF"].Bits != f32(38) {
				t.Errorf("%+v, %v", some, err)
			}
			v, ok, err := cl.Capabilities(t.Context())
			told := map[string]uint64{schema.ByValue: wire.CanByValue, schema.Bytewise: wire.CanBytewise}[c.integers]
			if err != nil || !ok || v.Capabilities&told == 0 {
				t.Errorf("%+v %v %v", v, ok, err)
			}
			o, _, read, err := cl.Write("TILT_STIFF", link.Real32, f32(38), f32(39.5))
			if err != nil || o != link.Written || *read != f32(39.5) {
				t.Errorf("%q, %v", o, err)
			}
			if o, err := cl.Keep(); o != link.Written || err != nil {
				t.Errorf("keeping: %q, %v", o, err)
			}
			if w := d.Writes(t); len(w) != 1 || w[0] != "TILT_STIFF 38→39.5: set, has 39.5" {
				t.Errorf("the device saw %q", w)
			}
			if cl.Signed != (c.way == "signed") || len(cl.Others()) != 0 {
				t.Errorf("signed %v, others %v", cl.Signed, cl.Others())
			}
		})
	}
}

// A unit that calls us: we listen, and speak with whoever calls first.
func TestListens(t *testing.T) {
	probe, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	port := probe.LocalAddr().(*net.UDPAddr).Port
	_ = probe.Close()
	unit := func(delay time.Duration, bits uint32) {
		time.Sleep(delay)
		c, err := net.Dial("udp", fmt.Sprintf("127.0.0.1:%d", port))
		if err != nil {
			return
		}
		defer c.Close()
		var r wire.Reader
		seq := byte(0)
		say := func(m wire.Message) {
			b, _ := wire.Append(nil, wire.Frame{Version: 2, Seq: seq, System: 1, Component: 154, Message: m})
			seq++
			_, _ = c.Write(b)
		}
		b := make([]byte, 512)
		for end := time.Now().Add(5 * time.Second); time.Now().Before(end); {
			say(wire.Heartbeat{Version: 3})
			_ = c.SetReadDeadline(time.Now().Add(500 * time.Millisecond))
			n, _ := c.Read(b)
			r.Feed(b[:n])
			for f, ok := r.Next(); ok; f, ok = r.Next() {
				if m, is := f.Message.(wire.ReadOne); is {
					say(wire.Value{Bits: bits, Count: 1, ID: m.ID, Type: 9})
				}
			}
		}
	}
	go unit(300*time.Millisecond, f32(7))
	go unit(900*time.Millisecond, f32(8)) // nobody listens to this one
	c := dial(t, fmt.Sprintf("udp-in:127.0.0.1:%d", port))
	for range 3 {
		got, err := c.Read(t.Context(), []string{"X"})
		if err != nil || got["X"].Bits != f32(7) {
			t.Errorf("%+v %v", got, err)
		}
	}
}

// Bad lines still give the whole list, and never a wrong value.
func TestReadsOverBadLines(t *testing.T) {
	g := devicetest.Together(t)
	defer g.Wait()
	for name, args := range map[string][]string{
		"10 % lost":              {"--drop", "10", "--count", "300"},
		"30 % lost each way":     {"--drop", "30", "--drop-in", "30", "--count", "60"},
		"rubbish between":        {"--garbage", "50", "--count", "300"},
		"a checksum in five":     {"--badcrc", "20", "--count", "300"},
		"twice and disordered":   {"--dup", "30", "--reorder", "30", "--count", "100"},
		"late":                   {"--late", "400"},
		"other messages as well": {"--chatter", "5", "--count", "100"},
		"no index in the answer": {"--echo-index", "65535"},
	} {
		g.Run(name, func(t *testing.T) {
			d := devicetest.Start(t, "udp", append(args, "--heartbeat", "300")...)
			c := dial(t, d.Address())
			all, err := c.ReadAll(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			check(t, all, schema.ByValue)
			for i, r := range all[11:] {
				if want := fmt.Sprintf("P_%04d", i+11); r.ID != want {
					t.Fatalf("setting %d is %s, not %s", i+11, r.ID, want)
				}
			}
		})
	}
}

// What must be noticed instead of read.
func TestReadingStops(t *testing.T) {
	g := devicetest.Together(t)
	defer g.Wait()
	for name, x := range map[string]struct {
		args []string
		want error
	}{
		"no heartbeat":             {[]string{"--heartbeat", "0"}, ErrSilent},
		"another number":           {[]string{"--sysid", "7"}, ErrSilent},
		"two under one number":     {[]string{"--clone"}, ErrTwo},
		"one more setting appears": {[]string{"--count", "60", "--grow", "20"}, ErrUnsteady},
	} {
		g.Run(name, func(t *testing.T) {
			d := devicetest.Start(t, "udp", append([]string{"--heartbeat", "300"}, x.args...)...)
			c, err := try(t, d.Address())
			if err == nil {
				_, err = c.ReadAll(t.Context())
			}
			if !errors.Is(err, x.want) {
				t.Errorf("%v, want %v", err, x.want)
			}
			if name == "another number" && !strings.Contains(err.Error(), "system 7, component 154") {
				t.Error(err)
			}
		})
	}
	g.Run("a second part of the unit is not mixed in", func(t *testing.T) {
		d := devicetest.Start(t, "udp", "--twin", "155", "--heartbeat", "300")
		c := dial(t, d.Address())
		all, err := c.ReadAll(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		check(t, all, schema.ByValue)
		if o := c.Others(); !slices.Equal(o, []Pair{{1, 155}}) {
			t.Errorf("others: %v", o)
		}
	})
	g.Run("a device that dies", func(t *testing.T) {
		d := devicetest.Start(t, "tcp", "--heartbeat", "300")
		c := dial(t, d.Address())
		d.Kill()
		if _, err := c.Read(t.Context(), []string{"PAN_STIFF"}); !errors.Is(err, ErrLost) {
			t.Error(err)
		}
		if o, _, _, err := c.Write("PAN_STIFF", link.Real32, f32(42.5), f32(44)); o != link.Unknown || !errors.Is(err, ErrLost) {
			t.Errorf("%q, %v", o, err)
		}
	})
	g.Run("Ctrl-C", func(t *testing.T) {
		d := devicetest.Start(t, "udp", "--heartbeat", "300", "--drop", "100", "--count", "500")
		a, _ := link.ParseAddress(d.Address())
		rw, err := Open(t.Context(), a, false)
		if err != nil {
			t.Fatal(err)
		}
		c := New(rw, wall{})
		defer c.Close()
		ctx, stop := context.WithTimeout(t.Context(), 200*time.Millisecond)
		defer stop()
		if err := c.Connect(ctx, pair); !errors.Is(err, context.DeadlineExceeded) {
			t.Error(err)
		}
	})
}

func TestPortsThatDoNotOpen(t *testing.T) {
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	closed := free.Addr().String()
	_ = free.Close()
	for address, want := range map[string]string{
		"tcp:" + closed:               "connection refused",
		"serial:/dev/rigkeep-no-port": "no such",
		"serial:" + os.DevNull:        "does not open",
	} {
		a, err := link.ParseAddress(address)
		if err != nil {
			t.Fatal(err)
		}
		rw, err := Open(t.Context(), a, false)
		var oe *OpenError
		if err == nil || !errors.As(err, &oe) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, %v", address, rw, err)
		}
	}
}
