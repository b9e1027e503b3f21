package file

import (
	"fmt"
	"math"
	"strings"
)

// Decimal is the shortest TOML 1.0 decimal that reads back as v, always with a point or an exponent so that it stays a
// decimal: 62.5, 40.0, 1e300. The error is for NaN and infinities.
func Decimal(v float64) (string, error) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "", &Error{Class: Usage, What: fmt.Sprintf("%v is not a number one can set", v), Want: "a finite number"}
	}
	return decimal(v), nil
}

// Load reads and parses a file; see Read and Parse.
func Load(path, name string) (*Doc, error) {
	data, err := Read(path, name)
	if err != nil {
		return nil, err
	}
	if name == "" {
		name = path
	}
	return Parse(name, data)
}

// Comment writes remark lines, one for each line of the text, of which every control character becomes a visible escape.
func (w *Writer) Comment(text string) {
	for _, line := range strings.Split(text, "\n") {
		w.buf.WriteString(strings.TrimRight("# "+visible(line), " ") + "\n")
	}
}
