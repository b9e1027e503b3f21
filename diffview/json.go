package diffview

import (
	"encoding/json"
	"fmt"
	"math"

	"rigkeep/preset/file"
)

// MarshalJSON writes dates and clock times as TOML does, and a number that JSON
// cannot hold as text.
func (f Field) MarshalJSON() ([]byte, error) {
	type plain Field
	p := plain(f)
	p.Before, p.After = jsonValue(f.Before), jsonValue(f.After)
	return json.Marshal(p)
}

func jsonValue(v any) any {
	switch x := v.(type) {
	case file.Date, file.Clock, file.DateTime:
		return fmt.Sprint(x)
	case float64:
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return fmt.Sprint(x)
		}
	case []any:
		out := make([]any, len(x))
		for i, e := range x {
			out[i] = jsonValue(e)
		}
		return out
	case map[string]any:
		out := map[string]any{}
		for k, e := range x {
			out[k] = jsonValue(e)
		}
		return out
	}
	return v
}
