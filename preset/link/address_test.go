package link

import (
	"strings"
	"testing"
)

func TestParseAddress(t *testing.T) {
	for in, want := range map[string]string{
		"serial:/dev/ttyUSB0":       "serial:/dev/ttyUSB0:115200",
		"serial:/dev/ttyUSB0:57600": "serial:/dev/ttyUSB0:57600",
		"serial:COM3:921600":        "serial:COM3:921600",
		"tcp:5760":                  "tcp:127.0.0.1:5760",
		"tcp:localhost:5760":        "tcp:127.0.0.1:5760",
		"udp:10.0.7.20:14550":       "udp:10.0.7.20:14550",
		"udp-in:127.0.0.1:14550":    "udp-in:127.0.0.1:14550",
		"tcp:[::1]:5760":            "tcp:[::1]:5760",
	} {
		a, err := ParseAddress(in)
		if err != nil || a.String() != want {
			t.Errorf("%s: %v, %v", in, a, err)
			continue
		}
		if again, err := ParseAddress(a.String()); err != nil || again != a {
			t.Errorf("%s came back as %+v, %v", a, again, err)
		}
	}
	for in, want := range map[string]string{
		"":                      "two parts",
		"/dev/ttyUSB0":          "two parts",
		"usb:1":                 `unknown connection "usb"`,
		"serial:":               "two parts",
		"serial:/dev/ttyUSB0:x": "not a rate in baud",
		"serial::57600":         "no name",
		"serial:a\x1bb":         "no name",
		"tcp:unit.example:5760": "numbers with a port",
		"udp-in:0.0.0.0:14550":  "all interfaces",
		"udp-in:[::]:14550":     "all interfaces",
		"udp:239.1.2.3:14550":   "not the address of one machine",
		"tcp:0":                 "port 0",
		"tcp:127.0.0.1":         "numbers with a port",
	} {
		if a, err := ParseAddress(in); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %+v, %v", in, a, err)
		}
	}
}
