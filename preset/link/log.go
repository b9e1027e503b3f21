package link

import (
	"bytes"
	"encoding/json"
	"fmt"
)

// Line is an event as one line of a log.
func Line(e Event) ([]byte, error) {
	b, err := json.Marshal(e)
	if err != nil {
		return nil, err
	}
	return append(b, '\n'), nil
}

// ParseLog reads the lines of a log. A last line that was cut off is left out: it was
// never acknowledged, so nothing was sent after it.
func ParseLog(text []byte) ([]Event, error) {
	var out []Event
	for n := 1; len(text) > 0; n++ {
		line, rest, whole := bytes.Cut(text, []byte("\n"))
		if !whole {
			break
		}
		text = rest
		d := json.NewDecoder(bytes.NewReader(line))
		d.DisallowUnknownFields()
		var e Event
		if err := d.Decode(&e); err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
		out = append(out, e)
	}
	return out, nil
}
