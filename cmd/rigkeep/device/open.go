// Package device carries the frames of package wire over ports: serial, TCP, UDP. It
// reads the settings of one device and performs single writes; what may be written,
// and in which order, is said by package link.
package device

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"sync"
	"time"

	"rigkeep/preset/link"
)

// OpenError is a port that did not open.
type OpenError struct {
	Address string
	Hint    string
	Err     error
}

func (e *OpenError) Error() string { return fmt.Sprintf("%s does not open: %v", e.Address, e.Err) }
func (e *OpenError) Unwrap() error { return e.Err }

// Open opens the port of an address. raise says whether the control lines of a serial
// port are raised, on which some devices restart.
func Open(ctx context.Context, a link.Address, raise bool) (io.ReadWriteCloser, error) {
	fail := func(err error, hint string) (io.ReadWriteCloser, error) {
		var sys *net.OpError
		if errors.As(err, &sys) {
			err = sys.Err
		}
		return nil, &OpenError{a.String(), hint, err}
	}
	switch a.Kind {
	case "serial":
		return openSerial(a, raise)
	case "tcp":
		d := net.Dialer{Timeout: 5 * time.Second}
		c, err := d.DialContext(ctx, "tcp", a.Host.String())
		if err != nil {
			return fail(err, "check that the unit is on and on this network")
		}
		return c, nil
	case "udp":
		c, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(a.Host))
		if err != nil {
			return fail(err, "check the address")
		}
		return patient{c}, nil
	case "udp-in":
		c, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(a.Host))
		if err != nil {
			return fail(err, "check that no other program listens there")
		}
		return &listener{UDPConn: c}, nil
	}
	return nil, fmt.Errorf("unknown connection %q", a.Kind)
}

// patient is a UDP socket that does not take it for the end that nothing listens yet.
type patient struct{ *net.UDPConn }

func (p patient) Read(b []byte) (int, error) {
	n, err := p.UDPConn.Read(b)
	return n, p.soft(err)
}

func (p patient) Write(b []byte) (int, error) {
	n, err := p.UDPConn.Write(b)
	if err = p.soft(err); err == nil {
		n = len(b)
	}
	return n, err
}

func (patient) soft(err error) error {
	if err == nil || errors.Is(err, net.ErrClosed) || errors.Is(err, io.EOF) {
		return err
	}
	time.Sleep(20 * time.Millisecond) // not in a loop without a breath
	return nil
}

// listener is a UDP socket that speaks with whoever sends to it first, and no other.
type listener struct {
	*net.UDPConn
	mu   sync.Mutex
	peer netip.AddrPort
}

func (l *listener) Read(b []byte) (int, error) {
	n, from, err := l.ReadFromUDPAddrPort(b)
	if err != nil {
		return 0, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.peer.IsValid() {
		l.peer = from
	}
	if from != l.peer {
		return 0, nil
	}
	return n, nil
}

func (l *listener) Write(b []byte) (int, error) {
	l.mu.Lock()
	peer := l.peer
	l.mu.Unlock()
	if !peer.IsValid() {
		return len(b), nil // nobody there yet
	}
	return l.WriteToUDPAddrPort(b, peer)
}
