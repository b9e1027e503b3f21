package link

import (
	"fmt"
	"net/netip"
	"strconv"
	"strings"
)

// DefaultRate is the speed of a serial port whose address does not give one, in baud.
const DefaultRate = 115200

// Address is how a unit is reached.
type Address struct {
	Kind string // "serial", "tcp", "udp" (which sends first) or "udp-in" (which listens)
	Port string // name of the serial port
	Rate int    // baud
	Host netip.AddrPort
}

// AddressForms says how an address is written.
const AddressForms = "serial:PORT:BAUD, tcp:IP:PORT, udp:IP:PORT or udp-in:IP:PORT"

// ParseAddress reads an address. A network address is numbers in full; a port alone is
// this machine. All interfaces at once are refused.
func ParseAddress(s string) (Address, error) {
	bad := func(what string) (Address, error) {
		return Address{}, fmt.Errorf("%q is not the address of a unit: %s; write %s", s, what, AddressForms)
	}
	kind, rest, ok := strings.Cut(s, ":")
	if !ok || rest == "" {
		return bad("it has two parts, how and where")
	}
	a := Address{Kind: kind}
	switch kind {
	case "serial":
		a.Port, a.Rate = rest, DefaultRate
		if i := strings.LastIndexByte(rest, ':'); i >= 0 {
			n, err := strconv.Atoi(rest[i+1:])
			if err != nil || n < 300 || n > 10_000_000 {
				return bad(fmt.Sprintf("%q is not a rate in baud", rest[i+1:]))
			}
			a.Port, a.Rate = rest[:i], n
		}
		if a.Port == "" || strings.ContainsFunc(a.Port, func(r rune) bool { return r < ' ' || r == 127 }) {
			return bad("the port has no name")
		}
		return a, nil
	case "tcp", "udp", "udp-in":
		if n, err := strconv.ParseUint(rest, 10, 16); err == nil {
			a.Host = netip.AddrPortFrom(netip.AddrFrom4([4]byte{127, 0, 0, 1}), uint16(n))
		} else {
			h, err := netip.ParseAddrPort(strings.Replace(rest, "localhost:", "127.0.0.1:", 1))
			if err != nil {
				return bad("the network address is numbers with a port, such as 127.0.0.1:5760")
			}
			a.Host = h
		}
		if a.Host.Addr().IsUnspecified() {
			return bad("all interfaces at once are not used")
		}
		if a.Host.Addr().IsMulticast() {
			return bad("it is not the address of one machine")
		}
		if a.Host.Port() == 0 {
			return bad("port 0 is none")
		}
		return a, nil
	}
	return bad(fmt.Sprintf("unknown connection %q", kind))
}

func (a Address) String() string {
	if a.Kind == "serial" {
		return fmt.Sprintf("serial:%s:%d", a.Port, a.Rate)
	}
	return a.Kind + ":" + a.Host.String()
}
