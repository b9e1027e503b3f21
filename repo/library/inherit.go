package library

import (
	"rigkeep/preset"
)

// Inherited are the filters, limits, styles and horizon of the rig that a rig was cloned
// from, with that rig's alias: where a first tune of the clone begins. There are none for a rig
// that is no clone, that has a tune, or whose source is gone, has no tune or is on another gimbal.
func (l *Library) Inherited(d *Loaded) (values map[string]any, from string) {
	if d.Rig.CloneOf == "" || d.Tune != nil {
		return nil, ""
	}
	rr, err := l.Find(d.Rig.CloneOf)
	if err != nil || rr.Gimbal != d.Rig.Gimbal {
		return nil, ""
	}
	doc, err := l.Doc("", preset.TunePath(rr.Fingerprint, preset.MainTune))
	if err != nil {
		return nil, ""
	}
	values = map[string]any{}
	for key, v := range preset.DecodeTune(l.Cat, doc.Tree()).Values {
		if p, ok := l.Cat.Param(key); ok && p.Group != "stiffness" {
			values[key] = v
		}
	}
	if len(values) == 0 {
		return nil, ""
	}
	return values, rr.Alias
}
