package device

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"rigkeep/preset/link"
	"rigkeep/preset/link/wire"
)

// Clock is the time that a client goes by.
type Clock interface {
	Now() time.Time
	After(time.Duration) <-chan time.Time
}

// Who we are on the line: the numbers that ground software has by custom.
const (
	ownSystem    = 255
	ownComponent = 190
)

const (
	beatEvery = time.Second
	atOnce    = 16 // requests under way at the same time
	maxAnswer = time.Second
)

// What can be wrong with a device on a line. Find them with errors.Is.
var (
	ErrSilent    = errors.New("no sign of life from the unit")
	ErrLost      = errors.New("the unit has gone quiet")
	ErrRestarted = errors.New("the unit restarted meanwhile")
	ErrTwo       = errors.New("two devices answer under one number")
	ErrUnsteady  = errors.New("what the unit says of itself does not agree from one answer to the next")
)

// Pair is the number of one device: which system, and which part of it.
type Pair struct{ System, Component byte }

// Client speaks with one device.
type Client struct {
	Timing link.Timing
	Pair   Pair
	// Signed is set when the device signs its frames. They are read, their signatures
	// are not verified; a device that demands signatures ignores what is written.
	Signed bool

	rw      io.ReadWriteCloser
	clock   Clock
	in      chan []byte
	failed  chan error
	stop    chan struct{}
	err     error
	reader  wire.Reader
	pending []wire.Frame // found, not yet given out
	watch   link.Watch
	version int
	seq     byte
	beaten  time.Time // when we last sent a sign of life
	heard   time.Time // when the last value of any setting came
	beats   map[Pair]int
}

// New makes a client for an open port; Close closes both.
func New(rw io.ReadWriteCloser, clock Clock) *Client {
	c := &Client{Timing: link.DefaultTiming(), rw: rw, clock: clock, version: 2,
		in: make(chan []byte, 64), failed: make(chan error, 1), stop: make(chan struct{}), beats: map[Pair]int{}}
	go c.pump()
	return c
}

// pump takes bytes off the port until it is closed.
func (c *Client) pump() {
	b := make([]byte, 4096)
	for {
		n, err := c.rw.Read(b)
		if n > 0 {
			select {
			case c.in <- slices.Clone(b[:n]):
			case <-c.stop:
				return
			}
		}
		if err != nil {
			c.failed <- err
			return
		}
		select {
		case <-c.stop:
			return
		default:
		}
	}
}

// Close ends the client and closes its port.
func (c *Client) Close() error {
	select {
	case <-c.stop:
		return nil
	default:
	}
	close(c.stop)
	return c.rw.Close()
}

// send sends a message in the version of the standard that the device speaks.
func (c *Client) send(m wire.Message) error {
	b, err := wire.Append(nil, wire.Frame{Version: c.version, Seq: c.seq, System: ownSystem, Component: ownComponent, Message: m})
	if err != nil {
		return err
	}
	c.seq++
	if _, err := c.rw.Write(b); err != nil {
		return fmt.Errorf("%w: %w", ErrLost, err)
	}
	return nil
}

// beat gives a sign of life once a second: a device on UDP learns by it where to answer.
func (c *Client) beat() error {
	now := c.clock.Now()
	if !c.beaten.IsZero() && now.Sub(c.beaten) < beatEvery {
		return nil
	}
	c.beaten = now
	return c.send(wire.Heartbeat{Type: 6, Autopilot: 8, Status: 4, Version: 3})
}

// next is the next frame of any device; false when the time has come.
func (c *Client) next(ctx context.Context, until time.Time) (wire.Frame, bool, error) {
	for {
		if len(c.pending) == 0 {
			if f, ok := c.reader.Next(); ok {
				c.pending = append(c.pending, f)
			}
		}
		if len(c.pending) > 0 {
			f := c.pending[0]
			c.pending = c.pending[1:]
			c.hear(f)
			return f, true, nil
		}
		if c.err != nil {
			return wire.Frame{}, false, c.err
		}
		if err := c.beat(); err != nil {
			return wire.Frame{}, false, err
		}
		now := c.clock.Now()
		if !now.Before(until) {
			// a beginning whose rest has not come hides nothing behind it
			if f, ok := c.reader.GiveUp(); ok {
				c.pending = append(c.pending, f)
				continue
			}
			return wire.Frame{}, false, nil
		}
		select {
		case b := <-c.in:
			c.reader.Feed(b)
		case err := <-c.failed:
			if errors.Is(err, io.EOF) {
				err = errors.New("the line was closed")
			}
			c.err = fmt.Errorf("%w: %w", ErrLost, err)
		case <-c.clock.After(min(until.Sub(now), beatEvery)):
		case <-ctx.Done():
			return wire.Frame{}, false, ctx.Err()
		}
	}
}

func (c *Client) hear(f wire.Frame) {
	now := c.clock.Now()
	if _, ok := f.Message.(wire.Heartbeat); ok && f.System != ownSystem {
		c.beats[Pair{f.System, f.Component}]++
	}
	c.watch.Hear(now, f)
	if !c.ours(f) {
		return
	}
	c.Signed = c.Signed || f.Signed
	switch f.Message.(type) {
	case wire.Heartbeat:
		c.version = f.Version // it is spoken with as it speaks
	case wire.Value:
		c.heard = now
	}
}

func (c *Client) ours(f wire.Frame) bool {
	return f.System == c.Pair.System && f.Component == c.Pair.Component
}

// Trouble is what is wrong with how the device's frames come, nil for nothing.
func (c *Client) Trouble() error {
	switch c.watch.Trouble(c.clock.Now()) {
	case link.Lost:
		return ErrLost
	case link.Restarted:
		return ErrRestarted
	case link.Two:
		return ErrTwo
	}
	return nil
}

// Connect waits for the device's sign of life. It is ErrSilent where none comes in 3 s;
// the error names the devices that are there instead.
func (c *Client) Connect(ctx context.Context, p Pair) error {
	c.Pair = p
	c.watch = link.Watch{System: p.System, Component: p.Component}
	until := c.clock.Now().Add(link.LostAfter + 200*time.Millisecond)
	for {
		f, ok, err := c.next(ctx, until)
		switch {
		case err != nil:
			return err
		case !ok:
			return c.silent()
		}
		if _, beat := f.Message.(wire.Heartbeat); beat && c.ours(f) {
			return nil
		}
	}
}

func (c *Client) silent() error {
	others := c.Others()
	if len(others) == 0 {
		return ErrSilent
	}
	var names []string
	for _, p := range others {
		names = append(names, fmt.Sprintf("system %d, component %d", p.System, p.Component))
	}
	return fmt.Errorf("%w with system %d, component %d; there is %s", ErrSilent, c.Pair.System, c.Pair.Component, strings.Join(names, "; "))
}

// Others lists the devices that gave a sign of life, but for the one spoken with.
func (c *Client) Others() []Pair {
	var out []Pair
	for p := range c.beats {
		if p != c.Pair {
			out = append(out, p)
		}
	}
	slices.SortFunc(out, func(a, b Pair) int {
		return int(a.System)<<8 + int(a.Component) - int(b.System)<<8 - int(b.Component)
	})
	return out
}

// Find listens for 2.5 s and gives the devices that are there.
func (c *Client) Find(ctx context.Context) ([]Pair, error) {
	until := c.clock.Now().Add(2500 * time.Millisecond)
	for {
		_, ok, err := c.next(ctx, until)
		if err != nil {
			return nil, err
		}
		if !ok {
			return c.Others(), nil
		}
	}
}

// Watch listens for a while, so that two devices under one number are noticed.
func (c *Client) Watch(ctx context.Context, d time.Duration) error {
	until := c.clock.Now().Add(d)
	for {
		_, ok, err := c.next(ctx, until)
		if err != nil {
			return err
		}
		if !ok {
			return c.Trouble()
		}
	}
}

// slower makes the timeout fit a device that took this long to answer, first to last try.
func (c *Client) slower(took time.Duration, tries int) {
	want := 3 * took
	if tries > 1 { // to which of them it answered nobody knows
		want = took + took/2
	}
	c.Timing.Answer = min(maxAnswer, max(c.Timing.Answer, want))
}

// asked is one request that has no answer yet.
type asked struct {
	first, again time.Time
	tries        int
}

// Read reads settings by name. What does not answer is not in the result. It is
// ErrTwo where two answers differ, and whatever is wrong with the device.
func (c *Client) Read(ctx context.Context, ids []string) (map[string]link.Reading, error) {
	got := map[string]link.Reading{}
	open := map[string]*asked{}
	todo := slices.Clone(ids)
	var settle time.Time // after the last answer, for a second one that differs
	for len(todo) > 0 || len(open) > 0 || c.clock.Now().Before(settle) {
		now := c.clock.Now()
		for len(open) < atOnce && len(todo) > 0 {
			open[todo[0]] = &asked{first: now, again: now}
			todo = todo[1:]
		}
		until := now.Add(c.Timing.Answer)
		if len(open) == 0 {
			until = settle
		}
		for _, id := range slices.Sorted(maps.Keys(open)) {
			a := open[id]
			if !now.Before(a.again) {
				if a.tries == c.Timing.Reads {
					delete(open, id)
					continue
				}
				if err := c.send(wire.ReadOne{Index: -1, System: c.Pair.System, Component: c.Pair.Component, ID: id}); err != nil {
					return nil, err
				}
				a.again = now.Add(c.Timing.Answer << min(a.tries, 2))
				a.tries++
			}
			if a.again.Before(until) {
				until = a.again
			}
		}
		f, ok, err := c.next(ctx, until)
		if err != nil {
			return nil, err
		}
		if err := c.Trouble(); err != nil {
			return nil, err
		}
		v, is := f.Message.(wire.Value)
		if !ok || !is || !c.ours(f) || !slices.Contains(ids, v.ID) {
			continue
		}
		r := link.Reading{ID: v.ID, Type: link.Type(v.Type), Bits: v.Bits}
		if old, there := got[v.ID]; there && old != r {
			return nil, fmt.Errorf("%w: %s came with two values", ErrTwo, v.ID)
		}
		got[v.ID] = r
		if a, there := open[v.ID]; there {
			c.slower(c.clock.Now().Sub(a.first), a.tries)
			delete(open, v.ID)
		}
		settle = c.clock.Now().Add(c.Timing.Answer)
	}
	return got, nil
}

// ReadAll reads all settings, in the device's order: the whole list, then what is missing
// of it. A device that restarts meanwhile is begun with again, once.
func (c *Client) ReadAll(ctx context.Context) ([]link.Reading, error) {
	out, err := c.readAll(ctx)
	if errors.Is(err, ErrRestarted) {
		if err = c.Connect(ctx, c.Pair); err == nil {
			out, err = c.readAll(ctx)
		}
	}
	return out, err
}

// list is what came of a list so far.
type list struct {
	count int
	by    map[uint16]link.Reading
	index map[string]uint16
}

// noIndex is what devices say that do not know the index of what they answer.
const noIndex = 65535

func (l *list) take(v wire.Value) error {
	if v.Index == noIndex || int(v.Index) >= int(v.Count) {
		return nil
	}
	r := link.Reading{ID: v.ID, Type: link.Type(v.Type), Bits: v.Bits}
	if l.count == 0 {
		l.count = int(v.Count)
	}
	if l.count != int(v.Count) {
		return fmt.Errorf("%w: first it had %d settings, then %d", ErrUnsteady, l.count, v.Count)
	}
	if old, ok := l.by[v.Index]; ok && old != r {
		return fmt.Errorf("%w: %s came with two values", ErrTwo, v.ID)
	}
	if i, ok := l.index[v.ID]; ok && i != v.Index {
		return fmt.Errorf("%w: %s is there twice", ErrUnsteady, v.ID)
	}
	l.by[v.Index], l.index[v.ID] = r, v.Index
	return nil
}

func (c *Client) readAll(ctx context.Context) ([]link.Reading, error) {
	l := &list{by: map[uint16]link.Reading{}, index: map[string]uint16{}}
	for try := 0; l.count == 0 && try < c.Timing.Reads; try++ {
		if err := c.send(wire.ReadAll{System: c.Pair.System, Component: c.Pair.Component}); err != nil {
			return nil, err
		}
		if err := c.gather(ctx, l, 2*c.Timing.Answer); err != nil {
			return nil, err
		}
	}
	if l.count == 0 {
		return nil, fmt.Errorf("%w: it gives no list of its settings", ErrSilent)
	}
	tries := map[uint16]int{}
	for len(l.by) < l.count {
		n := 0
		for i := uint16(0); int(i) < l.count && n < atOnce; i++ {
			if _, ok := l.by[i]; ok {
				continue
			}
			if tries[i]++; tries[i] > 2*c.Timing.Reads {
				return nil, fmt.Errorf("%w: no answer about setting %d of %d", ErrUnsteady, i+1, l.count)
			}
			if err := c.send(wire.ReadOne{Index: int16(i), System: c.Pair.System, Component: c.Pair.Component}); err != nil {
				return nil, err
			}
			n++
		}
		before := len(l.by)
		if err := c.gatherUntil(ctx, l, c.Timing.Answer, before+n); err != nil {
			return nil, err
		}
	}
	// once more a while for a second answer that differs
	if err := c.gather(ctx, l, c.Timing.Answer); err != nil {
		return nil, err
	}
	out := make([]link.Reading, l.count)
	for i, r := range l.by {
		out[i] = r
	}
	return out, nil
}

// gather takes values until none came for a while.
func (c *Client) gather(ctx context.Context, l *list, quiet time.Duration) error {
	return c.gatherUntil(ctx, l, quiet, 1<<16)
}

func (c *Client) gatherUntil(ctx context.Context, l *list, quiet time.Duration, enough int) error {
	until := c.clock.Now().Add(quiet)
	for len(l.by) < enough {
		f, ok, err := c.next(ctx, until)
		if err != nil {
			return err
		}
		if err := c.Trouble(); err != nil {
			return err
		}
		if !ok {
			return nil
		}
		if v, is := f.Message.(wire.Value); is && c.ours(f) {
			if err := l.take(v); err != nil {
				return err
			}
			until = c.clock.Now().Add(quiet)
		}
	}
	return nil
}

// Capabilities asks what the device says of itself; false where it does not answer, as
// many small ones do not.
func (c *Client) Capabilities(ctx context.Context) (wire.Version, bool, error) {
	for try := range 3 {
		m := wire.Command{Command: wire.CommandRequest, System: c.Pair.System, Component: c.Pair.Component, Confirmation: byte(try)}
		m.Params[0] = wire.VersionID
		if err := c.send(m); err != nil {
			return wire.Version{}, false, err
		}
		until := c.clock.Now().Add(c.Timing.Answer << try)
		for {
			f, ok, err := c.next(ctx, until)
			if err != nil {
				return wire.Version{}, false, err
			}
			if !ok {
				break
			}
			if v, is := f.Message.(wire.Version); is && c.ours(f) {
				return v, true, nil
			}
			if a, is := f.Message.(wire.Ack); is && c.ours(f) && a.Command == wire.CommandRequest && (a.Result == wire.AckUnknown || a.Result == wire.AckDenied) {
				return wire.Version{}, false, nil
			}
		}
	}
	return wire.Version{}, false, nil
}

// Write performs one write and verifies it, by the rules of link.Write. It is not cut
// short: what was begun is finished or times out. An error is a line that is down; the
// outcome is then Unknown.
func (c *Client) Write(id string, t link.Type, from, to uint32) (o link.Outcome, echo, read *uint32, err error) {
	w := link.NewWrite(c.Pair.System, c.Pair.Component, id, t, from, to, c.Timing, c.heard)
	for {
		m, until, finished := w.Next(c.clock.Now())
		if finished {
			o, echo, read = w.Result()
			return o, echo, read, nil
		}
		if m != nil {
			if err := c.send(m); err != nil {
				return link.Unknown, nil, nil, err
			}
		}
		f, ok, err := c.next(context.Background(), until)
		if err != nil {
			return link.Unknown, nil, nil, err
		}
		if v, is := f.Message.(wire.Value); ok && is && c.ours(f) {
			w.Heard(c.clock.Now(), v)
		}
	}
}

// Keep has the device keep its settings over a power cycle. It is Written where it says
// that it did, Refused where it says that it did not, Unknown where it says nothing.
func (c *Client) Keep() (link.Outcome, error) {
	for try := range 3 {
		if err := c.send(KeepMessage(c.Pair, byte(try))); err != nil {
			return link.Unknown, err
		}
		until := c.clock.Now().Add(max(time.Second, 2*c.Timing.Answer) << try)
		for {
			f, ok, err := c.next(context.Background(), until)
			if err != nil {
				return link.Unknown, err
			}
			if !ok {
				break
			}
			a, is := f.Message.(wire.Ack)
			if !is || !c.ours(f) || a.Command != wire.CommandStore {
				continue
			}
			switch a.Result {
			case wire.AckAccepted:
				return link.Written, nil
			case wire.AckInProgress:
				until = c.clock.Now().Add(10 * time.Second)
				continue
			}
			return link.Refused, nil
		}
	}
	return link.Unknown, nil
}

// KeepMessage is the command to keep the settings over a power cycle. Its other uses put
// stored values or defaults back, and are never sent.
func KeepMessage(p Pair, try byte) wire.Command {
	m := wire.Command{Command: wire.CommandStore, System: p.System, Component: p.Component, Confirmation: try}
	m.Params[0] = 1
	return m
}

// Bytes are the bytes of a message as it would be sent to a device whose version of the
// standard is not known yet.
func Bytes(m wire.Message, seq byte) ([]byte, error) {
	return wire.Append(nil, wire.Frame{Version: 2, Seq: seq, System: ownSystem, Component: ownComponent, Message: m})
}
