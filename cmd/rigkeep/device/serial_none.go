//go:build netbsd

package device

import (
	"errors"
	"io"

	"rigkeep/preset/link"
)

func openSerial(a link.Address, _ bool) (io.ReadWriteCloser, error) {
	return nil, &OpenError{Address: a.String(), Err: errors.New("serial ports are not supported on this system")}
}

// Ports lists the serial ports of this machine by name: none here.
func Ports() []string { return nil }
