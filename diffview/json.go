package diffview

import (
	"bytes"
	"encoding/json"
	"io"

	"rigkeep/diffview/safe"
)

// WriteJSON writes the report as JSON. The shape is that of Report and its
// parts, by their json names; "format" is its version. Levels are words, a
// value that is absent is null, angles are in degrees, masses in the unit the
// name ends in.
func WriteJSON(w io.Writer, r Report) error {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(r); err != nil {
		return err
	}
	_, err := w.Write(safe.JSON(b.Bytes()))
	return err
}
