// Package wire writes and reads the frames by which a unit's settings are read and
// written over an open standard: the parameter protocol of MAVLink, versions 1 and 2.
// It knows the eight messages that this takes and no others. No I/O, no clock.
//
// Source: the published standard (mavlink.io: "Serialization", "Parameter Protocol",
// "Message Signing"; message set "common"). The checksum is CRC-16/MCRF4XX of the
// catalogue of parametrised CRC algorithms. The vectors in testdata were made by
// node-mavlink 2.3.0 and read back by two other programs.
//
// Why our own: the one Go library at hand loses frames behind rubbish on the line
// (378 of 500 with rubbish before one frame in ten; this reader gives 500), does not
// pass `go mod tidy`, and adds 590 kB.
package wire

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
)

// Bytes of a frame around its payload.
const (
	start1    = 0xfe
	start2    = 0xfd
	head1     = 6
	head2     = 10
	sumLen    = 2
	signature = 13
	signed    = 0x01 // of the flags of version 2: 13 bytes of signature follow
	// IDLen is how many bytes the name of a setting may have.
	IDLen = 16
)

// Message is the content of a frame: one of the types below.
type Message interface{ layout() layout }

// layout is what the standard says of a message. The sizes are those of the payload:
// in version 1 without the fields that were added later, and with them.
type layout struct {
	id     uint32
	size1  int
	size   int
	extra  byte // goes into the checksum, so that both sides mean the same fields
	decode func(b []byte) Message
}

// Heartbeat is sent once a second by whatever takes part.
type Heartbeat struct {
	Custom                        uint32
	Type, Autopilot, Mode, Status byte
	Version                       byte
}

// ReadOne asks for one setting: by name where Index is -1, else by its index.
type ReadOne struct {
	Index             int16
	System, Component byte
	ID                string
}

// ReadAll asks for all settings.
type ReadAll struct{ System, Component byte }

// Value says one setting. Bits are its four bytes as they are on the wire.
type Value struct {
	Bits         uint32
	Count, Index uint16
	ID           string
	Type         byte
}

// Set asks for one setting to be changed.
type Set struct {
	Bits              uint32
	System, Component byte
	ID                string
	Type              byte
}

// Command asks for something else to be done.
type Command struct {
	Params            [7]float32
	Command           uint16
	System, Component byte
	Confirmation      byte
}

// Ack answers a Command.
type Ack struct {
	Command           uint16
	Result, Progress  byte
	Result2           int32
	System, Component byte
}

// Version says what a device can do, and which one it is.
type Version struct {
	Capabilities uint64
	UID          uint64
	Firmware     uint32
	UID2         [18]byte
}

// Numbers of commands, and what an Ack says of them.
const (
	CommandStore   = 245 // keep the settings over a power cycle: first parameter 1, the others 0
	CommandRequest = 512 // send the message whose id is the first parameter
	VersionID      = 148 // the id of Version

	AckAccepted   = 0
	AckBusy       = 1
	AckDenied     = 2
	AckUnknown    = 3
	AckFailed     = 4
	AckInProgress = 5

	CanByValue  = 0x20000 // of Capabilities: whole numbers are sent as decimal numbers
	CanBytewise = 0x10    // of Capabilities: whole numbers are sent as their bytes
)

func (Heartbeat) layout() layout {
	return layout{0, 9, 9, 50, func(b []byte) Message {
		return Heartbeat{u32(b), b[4], b[5], b[6], b[7], b[8]}
	}}
}

func (ReadOne) layout() layout {
	return layout{20, 20, 20, 214, func(b []byte) Message {
		return ReadOne{int16(u16(b)), b[2], b[3], name(b[4:20])}
	}}
}

func (ReadAll) layout() layout {
	return layout{21, 2, 2, 159, func(b []byte) Message { return ReadAll{b[0], b[1]} }}
}

func (Value) layout() layout {
	return layout{22, 25, 25, 220, func(b []byte) Message {
		return Value{u32(b), u16(b[4:]), u16(b[6:]), name(b[8:24]), b[24]}
	}}
}

func (Set) layout() layout {
	return layout{23, 23, 23, 168, func(b []byte) Message {
		return Set{u32(b), b[4], b[5], name(b[6:22]), b[22]}
	}}
}

func (Command) layout() layout {
	return layout{76, 33, 33, 152, func(b []byte) Message {
		c := Command{Command: u16(b[28:]), System: b[30], Component: b[31], Confirmation: b[32]}
		for i := range c.Params {
			c.Params[i] = math.Float32frombits(u32(b[4*i:]))
		}
		return c
	}}
}

func (Ack) layout() layout {
	return layout{77, 3, 10, 143, func(b []byte) Message {
		return Ack{u16(b), b[2], b[3], int32(u32(b[4:])), b[8], b[9]}
	}}
}

func (Version) layout() layout {
	return layout{VersionID, 60, 78, 178, func(b []byte) Message {
		v := Version{Capabilities: binary.LittleEndian.Uint64(b), UID: binary.LittleEndian.Uint64(b[8:]), Firmware: u32(b[16:])}
		copy(v.UID2[:], b[60:78])
		return v
	}}
}

// layouts are the messages by id.
var layouts = sync.OnceValue(func() map[uint32]layout {
	m := map[uint32]layout{}
	for _, x := range []Message{Heartbeat{}, ReadOne{}, ReadAll{}, Value{}, Set{}, Command{}, Ack{}, Version{}} {
		m[x.layout().id] = x.layout()
	}
	return m
})

func u16(b []byte) uint16 { return binary.LittleEndian.Uint16(b) }
func u32(b []byte) uint32 { return binary.LittleEndian.Uint32(b) }

// name is cut at the first NUL; a name of full length has none.
func name(b []byte) string {
	s, _, _ := strings.Cut(string(b), "\x00")
	return s
}

func putName(b []byte, s string) error {
	if len(s) > IDLen {
		return fmt.Errorf("the name %q has %d bytes; a unit takes %d", s, len(s), IDLen)
	}
	if strings.ContainsRune(s, 0) {
		return fmt.Errorf("the name %q has a zero byte in it", s)
	}
	copy(b, s)
	return nil
}

// payload is the whole payload, with the fields that version 1 does not have.
func payload(m Message) ([]byte, error) {
	b := make([]byte, m.layout().size)
	le := binary.LittleEndian
	switch m := m.(type) {
	case Heartbeat:
		le.PutUint32(b, m.Custom)
		copy(b[4:], []byte{m.Type, m.Autopilot, m.Mode, m.Status, m.Version})
	case ReadOne:
		le.PutUint16(b, uint16(m.Index))
		b[2], b[3] = m.System, m.Component
		return b, putName(b[4:], m.ID)
	case ReadAll:
		b[0], b[1] = m.System, m.Component
	case Value:
		le.PutUint32(b, m.Bits)
		le.PutUint16(b[4:], m.Count)
		le.PutUint16(b[6:], m.Index)
		b[24] = m.Type
		return b, putName(b[8:], m.ID)
	case Set:
		le.PutUint32(b, m.Bits)
		b[4], b[5], b[22] = m.System, m.Component, m.Type
		return b, putName(b[6:], m.ID)
	case Command:
		for i, p := range m.Params {
			le.PutUint32(b[4*i:], math.Float32bits(p))
		}
		le.PutUint16(b[28:], m.Command)
		b[30], b[31], b[32] = m.System, m.Component, m.Confirmation
	case Ack:
		le.PutUint16(b, m.Command)
		b[2], b[3] = m.Result, m.Progress
		le.PutUint32(b[4:], uint32(m.Result2))
		b[8], b[9] = m.System, m.Component
	case Version:
		le.PutUint64(b, m.Capabilities)
		le.PutUint64(b[8:], m.UID)
		le.PutUint32(b[16:], m.Firmware)
		copy(b[60:], m.UID2[:])
	}
	return b, nil
}

// Frame is one frame.
type Frame struct {
	Version           int // 1 or 2
	Seq               byte
	System, Component byte // who sends
	Signed            bool // it carried a signature, which is not verified here
	Message           Message
}

// Append puts the bytes of a frame behind dst. A frame with Signed is refused, as is
// a name that does not fit.
//
// Source: "Serialization": version 1 carries no later fields, version 2 leaves out
// zero bytes at the end of the payload but for its first byte.
func Append(dst []byte, f Frame) ([]byte, error) {
	if f.Signed {
		return dst, errors.New("frames are not signed here")
	}
	if f.Message == nil || f.Version != 1 && f.Version != 2 {
		return dst, fmt.Errorf("no frame of version %d", f.Version)
	}
	l := f.Message.layout()
	p, err := payload(f.Message)
	if err != nil {
		return dst, err
	}
	at := len(dst)
	if f.Version == 1 {
		p = p[:l.size1]
		dst = append(dst, start1, byte(len(p)), f.Seq, f.System, f.Component, byte(l.id))
	} else {
		for len(p) > 1 && p[len(p)-1] == 0 {
			p = p[:len(p)-1]
		}
		dst = append(dst, start2, byte(len(p)), 0, 0, f.Seq, f.System, f.Component, byte(l.id), byte(l.id>>8), byte(l.id>>16))
	}
	dst = append(dst, p...)
	return binary.LittleEndian.AppendUint16(dst, checksum(dst[at+1:], l.extra)), nil
}

// checksum is over everything behind the start byte, and the message's own byte.
func checksum(b []byte, extra byte) uint16 {
	c := uint16(0xffff)
	for _, x := range b {
		c = crc(c, x)
	}
	return crc(c, extra)
}

// crc takes one byte into a CRC-16/MCRF4XX.
func crc(c uint16, x byte) uint16 {
	t := x ^ byte(c)
	t ^= t << 4
	return c>>8 ^ uint16(t)<<8 ^ uint16(t)<<3 ^ uint16(t)>>4
}
