//go:build !netbsd

package device

import (
	"errors"
	"io"
	"strings"
	"time"

	"go.bug.st/serial"

	"rigkeep/preset/link"
)

// silence is how long a read of a serial port waits; it then gives nothing, and no error.
const silence = 100 * time.Millisecond

func openSerial(a link.Address, raise bool) (io.ReadWriteCloser, error) {
	p, err := serial.Open(a.Port, &serial.Mode{BaudRate: a.Rate, InitialStatusBits: &serial.ModemOutputBits{DTR: raise, RTS: raise}})
	var pe *serial.PortError
	if errors.As(err, &pe) && pe.Code() == serial.InvalidSerialPort {
		p, err = serial.Open(a.Port, &serial.Mode{BaudRate: a.Rate}) // one without control lines
	}
	if err != nil {
		return nil, serialError(a, err)
	}
	if err := p.SetReadTimeout(silence); err != nil {
		return nil, errors.Join(serialError(a, err), p.Close())
	}
	return p, nil
}

func serialError(a link.Address, err error) error {
	e := &OpenError{Address: a.String(), Err: err, Hint: "check the cable and the name of the port"}
	var pe *serial.PortError
	if errors.As(err, &pe) {
		switch pe.Code() {
		case serial.PortBusy:
			e.Err, e.Hint = errors.New("another program has the port"), "end the other program"
		case serial.PortNotFound:
			e.Err = errors.New("port not found")
			if ports := Ports(); len(ports) > 0 {
				e.Hint = "ports here: " + strings.Join(ports, ", ")
			}
		case serial.PermissionDenied:
			e.Err, e.Hint = errors.New("the system does not allow it"), "on Linux, a member of the group that owns the port may open it (often dialout)"
		case serial.InvalidSpeed:
			e.Err, e.Hint = errors.New("the port does not have this rate"), "check the rate in the unit record"
		}
	}
	return e
}

// Ports lists the serial ports of this machine by name.
func Ports() []string {
	ports, err := serial.GetPortsList()
	if err != nil {
		return nil
	}
	return ports
}
