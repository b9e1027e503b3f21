package wire

import (
	"bytes"
	"encoding/hex"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
	"pgregory.net/rapid"
)

// vectors are frames that node-mavlink 2.3.0 made and two other programs read back.
type vectors struct {
	Frame []struct {
		Name, Hex, Message string
		Mavlink            int
		Seq, Sysid, Compid int
		Msgid              int
		PayloadBytes       int `toml:"payload_bytes"`
		Signed             bool
		Fields             map[string]any
	}
	Reject  []struct{ Name, Hex, Why string }
	Lenient []struct {
		Name, Hex string
		ReadAs    string `toml:"read_as"`
	}
	Stream []struct {
		Name, Hex string
		Frames    []string
	}
}

func load(t testing.TB) vectors {
	t.Helper()
	var v vectors
	if _, err := toml.DecodeFile("testdata/vectors.toml", &v); err != nil {
		t.Fatal(err)
	}
	if len(v.Frame) != 25 || len(v.Reject) != 6 || len(v.Lenient) != 2 || len(v.Stream) != 2 {
		t.Fatalf("%d frames, %d rejected, %d lenient, %d streams", len(v.Frame), len(v.Reject), len(v.Lenient), len(v.Stream))
	}
	return v
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// all reads whatever frames are in the bytes, the quiet line at the end included.
func all(b []byte) []Frame {
	var r Reader
	r.Feed(b)
	var out []Frame
	for {
		f, ok := r.Next()
		if !ok {
			f, ok = r.GiveUp()
		}
		if !ok {
			return out
		}
		out = append(out, f)
	}
}

// The check value of the catalogue of parametrised CRC algorithms.
func TestChecksum(t *testing.T) {
	c := uint16(0xffff)
	for _, x := range []byte("123456789") {
		c = crc(c, x)
	}
	if c != 0x6f91 {
		t.Errorf("CRC-16/MCRF4XX of 123456789 is %#x, want 0x6f91", c)
	}
}

// names gives a message's fields as the vectors call them.
func names(m Message) map[string]any {
	n := func(v any) any { return reflect.ValueOf(v).Convert(reflect.TypeFor[int64]()).Interface() }
	switch m := m.(type) {
	case Heartbeat:
		return map[string]any{"custom_mode": n(m.Custom), "type": n(m.Type), "autopilot": n(m.Autopilot), "base_mode": n(m.Mode), "system_status": n(m.Status), "mavlink_version": n(m.Version)}
	case ReadAll:
		return map[string]any{"target_system": n(m.System), "target_component": n(m.Component)}
	case ReadOne:
		return map[string]any{"param_index": n(m.Index), "target_system": n(m.System), "target_component": n(m.Component), "param_id": m.ID}
	case Value:
		return map[string]any{"value_bits": n(m.Bits), "param_count": n(m.Count), "param_index": n(m.Index), "param_id": m.ID, "param_type": n(m.Type)}
	case Set:
		return map[string]any{"value_bits": n(m.Bits), "target_system": n(m.System), "target_component": n(m.Component), "param_id": m.ID, "param_type": n(m.Type)}
	case Command:
		out := map[string]any{"command": n(m.Command), "target_system": n(m.System), "target_component": n(m.Component), "confirmation": n(m.Confirmation)}
		for i, p := range m.Params {
			out["param"+string(rune('1'+i))] = float64(p)
		}
		return out
	case Ack:
		return map[string]any{"command": n(m.Command), "result": n(m.Result), "progress": n(m.Progress), "result_param2": n(m.Result2), "target_system": n(m.System), "target_component": n(m.Component)}
	case Version:
		return map[string]any{"capabilities": int64(m.Capabilities), "uid": int64(m.UID), "flight_sw_version": n(m.Firmware)}
	}
	return nil
}

func TestVectorsDecodeAndEncode(t *testing.T) {
	encoded := 0
	for _, v := range load(t).Frame {
		b := unhex(t, v.Hex)
		got := all(b)
		if len(got) != 1 {
			t.Errorf("%s: %d frames", v.Name, len(got))
			continue
		}
		f := got[0]
		if f.Version != v.Mavlink || int(f.Seq) != v.Seq || int(f.System) != v.Sysid || int(f.Component) != v.Compid || int(f.Message.layout().id) != v.Msgid || f.Signed != v.Signed || int(b[1]) != v.PayloadBytes {
			t.Errorf("%s: %+v", v.Name, f)
		}
		have := names(f.Message)
		compared := 0
		for k, want := range v.Fields {
			x, ok := have[k]
			if !ok && v.Message == "AUTOPILOT_VERSION" && want == int64(0) {
				continue // of no use here
			}
			if x != want && !(strings.HasPrefix(k, "_param") && have[k[1:]] == want) {
				t.Errorf("%s: %s is %v (%T), want %v (%T)", v.Name, k, x, x, want, want)
			}
			compared++
		}
		if compared == 0 {
			t.Errorf("%s: nothing compared", v.Name)
		}
		out, err := Append(nil, f)
		if v.Signed {
			if err == nil {
				t.Errorf("%s: signed, and encoded", v.Name)
			}
			continue
		}
		if err != nil || !bytes.Equal(out, b) {
			t.Errorf("%s: encoded as %x, want %x, %v", v.Name, out, b, err)
		}
		encoded++
	}
	if encoded != 24 {
		t.Errorf("%d encoded", encoded)
	}
}

func TestRejected(t *testing.T) {
	for _, v := range load(t).Reject {
		if got := all(unhex(t, v.Hex)); len(got) != 0 {
			t.Errorf("%s (%s): %+v", v.Name, v.Why, got)
		}
	}
}

// Frames of a peer that is not quite right are read, and never sent so.
func TestLenient(t *testing.T) {
	want := map[string]Message{
		"request-list-all-zero-v2": ReadAll{},
		"command-ack-v1-long":      Ack{Command: CommandStore, Result: AckAccepted},
	}
	for _, v := range load(t).Lenient {
		b := unhex(t, v.Hex)
		got := all(b)
		if len(got) != 1 || got[0].Message != want[v.Name] {
			t.Errorf("%s: %+v", v.Name, got)
			continue
		}
		if out, err := Append(nil, got[0]); err != nil || bytes.Equal(out, b) {
			t.Errorf("%s: sent the same way, %v", v.Name, err)
		}
	}
}

// Streams, at once and byte by byte: what is found does not depend on how it came.
func TestStreams(t *testing.T) {
	v := load(t)
	byName := map[string]Frame{}
	for _, f := range v.Frame {
		byName[f.Name] = all(unhex(t, f.Hex))[0]
	}
	for _, s := range v.Stream {
		b := unhex(t, s.Hex)
		var r Reader
		var slow []Frame
		for _, x := range b {
			r.Feed([]byte{x})
			for f, ok := r.Next(); ok; f, ok = r.Next() {
				slow = append(slow, f)
			}
		}
		got := all(b)
		if !reflect.DeepEqual(got, slow) || len(got) != len(s.Frames) {
			t.Errorf("%s: %+v at once, %+v byte by byte", s.Name, got, slow)
			continue
		}
		for i, name := range s.Frames {
			want, ok := byName[name]
			if !ok { // "start byte inside a value"
				if x, is := got[i].Message.(Value); !is || x.Bits != 0xfdfdfefe {
					t.Errorf("%s: %+v", s.Name, got[i])
				}
				continue
			}
			if !reflect.DeepEqual(got[i], want) {
				t.Errorf("%s: %+v, want %+v", s.Name, got[i], want)
			}
		}
	}
}

// 500 frames with rubbish before every second one, and a checksum broken in every
// fifth: all whole ones come through, and nothing else.
func TestRubbishHidesNoFrame(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	var stream []byte
	want := 0
	for i := range 500 {
		if i%2 == 0 {
			for range 1 + rnd.IntN(20) {
				x := byte(rnd.IntN(256))
				switch rnd.IntN(6) {
				case 0:
					x = start1
				case 1:
					x = start2
				}
				stream = append(stream, x)
			}
		}
		var err error
		stream, err = Append(stream, Frame{Version: 1 + i%2, Seq: byte(i), System: 1, Component: 154, Message: Value{Bits: rnd.Uint32(), Count: 500, Index: uint16(i), ID: "SETTING", Type: 9}})
		if err != nil {
			t.Fatal(err)
		}
		if i%5 == 4 {
			stream[len(stream)-1] ^= 0x55
		} else {
			want++
		}
	}
	var got []uint16
	for _, f := range all(stream) {
		got = append(got, f.Message.(Value).Index)
	}
	if len(got) != want || !slices.IsSorted(got) {
		t.Errorf("%d frames, want %d", len(got), want)
	}
}

// Noise gives no frame: 4 MiB each time, 256 MiB with RIGKEEP_STORM. By arithmetic one
// frame in some 10 GiB is to be expected, so a seed is fixed.
func TestNoise(t *testing.T) {
	mib := 4
	if os.Getenv("RIGKEEP_STORM") != "" {
		mib = 256
	}
	rnd := rand.NewChaCha8([32]byte{7})
	var r Reader
	block := make([]byte, 1<<16)
	for range mib << 4 {
		_, _ = rnd.Read(block)
		r.Feed(block)
		for f, ok := r.Next(); ok; f, ok = r.Next() {
			t.Errorf("a frame out of noise: %+v", f)
		}
	}
	t.Logf("%d MiB of noise: %d wrong checksums, no frame", mib, r.BadSums)
	if mib == 256 && r.BadSums == 0 {
		t.Error("256 MiB without one head of a frame")
	}
}

func draw(t *rapid.T) Message {
	id := rapid.StringMatching(`[A-Z_0-9]{0,16}`).Draw(t, "id")
	u8 := rapid.Byte()
	u16s, u32s := rapid.Uint16(), rapid.Uint32()
	switch rapid.IntRange(0, 7).Draw(t, "message") {
	case 0:
		return Heartbeat{u32s.Draw(t, "a"), u8.Draw(t, "b"), u8.Draw(t, "c"), u8.Draw(t, "d"), u8.Draw(t, "e"), u8.Draw(t, "f")}
	case 1:
		return ReadOne{rapid.Int16().Draw(t, "index"), u8.Draw(t, "sys"), u8.Draw(t, "comp"), id}
	case 2:
		return ReadAll{u8.Draw(t, "sys"), u8.Draw(t, "comp")}
	case 3:
		return Value{u32s.Draw(t, "bits"), u16s.Draw(t, "count"), u16s.Draw(t, "index"), id, u8.Draw(t, "type")}
	case 4:
		return Set{u32s.Draw(t, "bits"), u8.Draw(t, "sys"), u8.Draw(t, "comp"), id, u8.Draw(t, "type")}
	case 5:
		c := Command{Command: u16s.Draw(t, "command"), System: u8.Draw(t, "sys"), Component: u8.Draw(t, "comp"), Confirmation: u8.Draw(t, "n")}
		for i := range c.Params {
			c.Params[i] = rapid.Float32().Draw(t, "param")
		}
		return c
	case 6:
		return Ack{u16s.Draw(t, "command"), u8.Draw(t, "result"), u8.Draw(t, "progress"), rapid.Int32().Draw(t, "result 2"), u8.Draw(t, "sys"), u8.Draw(t, "comp")}
	}
	v := Version{Capabilities: rapid.Uint64().Draw(t, "can"), UID: rapid.Uint64().Draw(t, "uid"), Firmware: u32s.Draw(t, "firmware")}
	copy(v.UID2[:], rapid.SliceOfN(u8, 18, 18).Draw(t, "uid2"))
	return v
}

// What is written is read as it was, in both versions; version 1 loses the later fields.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := draw(t)
		f := Frame{Version: rapid.IntRange(1, 2).Draw(t, "version"), Seq: rapid.Byte().Draw(t, "seq"), System: rapid.Byte().Draw(t, "from"), Component: rapid.Byte().Draw(t, "part"), Message: m}
		b, err := Append(nil, f)
		if err != nil {
			t.Fatal(err)
		}
		if f.Version == 1 {
			switch x := m.(type) {
			case Ack:
				f.Message = Ack{Command: x.Command, Result: x.Result}
			case Version:
				x.UID2 = [18]byte{}
				f.Message = x
			}
		}
		if got := all(b); len(got) != 1 || !same(got[0], f) {
			t.Fatalf("%+v came back as %+v", f, got)
		}
		if f.Version == 2 && b[1] > 1 && b[9+b[1]] == 0 {
			t.Fatalf("a zero byte at the end of the payload of %x", b)
		}
	})
}

// same compares bits, so that numbers that are none are equal to themselves.
func same(a, b Frame) bool {
	x, ok := a.Message.(Command)
	y, ok2 := b.Message.(Command)
	if !ok || !ok2 {
		return reflect.DeepEqual(a, b)
	}
	for i := range x.Params {
		if math.Float32bits(x.Params[i]) != math.Float32bits(y.Params[i]) {
			return false
		}
		x.Params[i], y.Params[i] = 0, 0
	}
	a.Message, b.Message = nil, nil
	return x == y && a == b
}

func TestRefusedToSend(t *testing.T) {
	for name, f := range map[string]Frame{
		"a name of 17 bytes":        {Version: 2, Message: Set{ID: "SEVENTEEN_CHARS_X"}},
		"a name with a zero in it":  {Version: 2, Message: ReadOne{ID: "A\x00B"}},
		"signed":                    {Version: 2, Signed: true, Message: ReadAll{}},
		"version 3":                 {Version: 3, Message: ReadAll{}},
		"nothing":                   {Version: 2},
		"a long name for an answer": {Version: 1, Message: Value{ID: strings.Repeat("é", 9)}},
	} {
		if b, err := Append(nil, f); err == nil {
			t.Errorf("%s: %x", name, b)
		}
	}
}

// FuzzReader holds that any bytes are read without a panic, that what is found does
// not depend on how they came, and that each frame found can be sent and read again.
func FuzzReader(f *testing.F) {
	v := load(f)
	for _, x := range v.Frame {
		f.Add(unhex(f, x.Hex))
	}
	for _, x := range v.Reject {
		f.Add(unhex(f, x.Hex))
	}
	for _, x := range v.Stream {
		f.Add(unhex(f, x.Hex))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		var r, slow Reader
		r.Feed(b)
		n := 0
		for x, ok := r.Next(); ok; x, ok = r.Next() {
			n++
			x.Signed = false
			out, err := Append(nil, x)
			if err != nil {
				t.Fatal(err)
			}
			if got := all(out); x.Version == 2 && (len(got) != 1 || !same(got[0], x)) {
				t.Fatalf("%+v came back as %+v", x, got)
			}
		}
		for _, c := range b {
			slow.Feed([]byte{c})
			for _, ok := slow.Next(); ok; _, ok = slow.Next() {
				n--
			}
		}
		if n != 0 {
			t.Fatalf("%d more frames at once than byte by byte", n)
		}
	})
}

func BenchmarkReader(b *testing.B) {
	one, _ := Append(nil, Frame{Version: 2, System: 1, Component: 154, Message: Value{Bits: 0x422a0000, Count: 11, ID: "PAN_STIFF", Type: 9}})
	b.SetBytes(int64(len(one)))
	var r Reader
	for b.Loop() {
		r.Feed(one)
		if _, ok := r.Next(); !ok {
			b.Fatal("no frame")
		}
	}
}
