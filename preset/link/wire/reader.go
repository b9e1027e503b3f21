package wire

// Reader finds the frames in a stream of bytes. The zero value is ready for use.
//
// A wrong checksum, a flag that is not known, a message that is not one of ours or
// a length that it cannot have: the search goes on one byte later, so that rubbish
// which begins like a frame hides no frame behind it. Messages that are not ours
// are normal on a live line; nothing is concluded from them.
type Reader struct {
	// BadSums counts wrong checksums. Rubbish that looks like the head of a frame counts too.
	BadSums int

	buf []byte
	at  int // of the first byte not yet looked at
}

// Feed adds bytes as they came.
func (r *Reader) Feed(b []byte) {
	if r.at > 0 {
		r.buf = r.buf[:copy(r.buf, r.buf[r.at:])]
		r.at = 0
	}
	r.buf = append(r.buf, b...)
}

// Next is the next whole frame; false when more bytes are needed.
func (r *Reader) Next() (Frame, bool) {
	for r.at < len(r.buf) {
		f, n, more := r.try(r.buf[r.at:])
		switch {
		case n > 0:
			r.at += n
			return f, true
		case more:
			return Frame{}, false
		}
		r.at++
	}
	return Frame{}, false
}

// GiveUp drops the beginning of a frame whose rest has not come, and gives what
// stands whole behind it, if anything. It is for a line that has gone quiet.
func (r *Reader) GiveUp() (Frame, bool) {
	for r.at < len(r.buf) {
		r.at++
		if f, ok := r.Next(); ok {
			return f, true
		}
	}
	return Frame{}, false
}

// try reads a frame at the start of b. n is its length, 0 for none; more says that
// there may be one once more bytes have come.
func (r *Reader) try(b []byte) (f Frame, n int, more bool) {
	var head, tail int
	switch b[0] {
	case start1:
		head = head1
	case start2:
		head = head2
		if len(b) > 2 && b[2]&^signed != 0 {
			return f, 0, false
		}
	default:
		return f, 0, false
	}
	if len(b) < head {
		return f, 0, true
	}
	f = Frame{Version: 1, Seq: b[2], System: b[3], Component: b[4]}
	id := uint32(b[5])
	if head == head2 {
		f = Frame{Version: 2, Seq: b[4], System: b[5], Component: b[6], Signed: b[2]&signed != 0}
		id = uint32(b[7]) | uint32(b[8])<<8 | uint32(b[9])<<16
	}
	l, known := layouts()[id]
	size := int(b[1])
	if !known || size > l.size || f.Version == 1 && size != l.size1 && size != l.size {
		return f, 0, false
	}
	if f.Signed {
		tail = signature
	}
	end := head + size + sumLen
	if len(b) < end+tail {
		return f, 0, true
	}
	if checksum(b[1:head+size], l.extra) != u16(b[head+size:]) {
		r.BadSums++
		return f, 0, false
	}
	full := make([]byte, l.size)
	copy(full, b[head:head+size])
	f.Message = l.decode(full)
	return f, end + tail, false
}
