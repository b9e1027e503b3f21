package schema

import (
	"fmt"
	"math"
	"slices"
)

// How whole numbers travel over a link, and when a value is kept over a power cycle.
const (
	ByValue   = "by value"
	Bytewise  = "bytewise"
	AtOnce    = "at once"
	OnCommand = "on command"
)

// Link is how the units of a gimbal speak over a wire.
type Link struct {
	System, Component byte   // which device on the line to speak to
	Integers          string // ByValue or Bytewise
	Permanent         string // AtOnce or OnCommand
	RaiseLines        bool   // raise the control lines when a serial port is opened
}

// DialLink says which setting of the device a dial is: dial number = raw × Scale + Offset.
type DialLink struct {
	ID            string
	Type          string // one of LinkTypes
	Scale, Offset float64
	Write         bool
	Lowest        float64 // what may be written, in dial numbers; the dial's own ends where the sheet says nothing
	Highest       float64
	Step          float64 // most that a value is raised in one go; 0 where the sheet says nothing
}

// linkTypes are the kinds of number that fit on the wire, with their ranges.
var linkTypes = []struct {
	name   string
	lo, hi float64
}{
	{"uint8", 0, math.MaxUint8}, {"int8", math.MinInt8, math.MaxInt8},
	{"uint16", 0, math.MaxUint16}, {"int16", math.MinInt16, math.MaxInt16},
	{"uint32", 0, math.MaxUint32}, {"int32", math.MinInt32, math.MaxInt32},
	{"real32", -math.MaxFloat32, math.MaxFloat32},
}

// LinkTypes lists the kinds of number that fit on the wire.
func LinkTypes() []string {
	var out []string
	for _, t := range linkTypes {
		out = append(out, t.name)
	}
	return out
}

// LinkRange is the range of one of LinkTypes; whole is false for the one that has a
// fraction. A name that is none of them has lo above hi.
func LinkRange(name string) (lo, hi float64, whole bool) {
	for _, t := range linkTypes {
		if t.name == name {
			return t.lo, t.hi, t.name != "real32"
		}
	}
	return 1, 0, false
}

func linkFields() []Field {
	return []Field{
		{Path: "link.protocol", Type: String, Required: true, Enum: []string{"mavlink"}, Doc: "The open standard that units of this model speak: MAVLink, its parameter protocol.", Example: "mavlink"},
		{Path: "link.system", Type: Int, Required: true, Min: At(1), Max: At(255), Doc: "System number of the device.", Example: 1},
		{Path: "link.component", Type: Int, Required: true, Min: At(1), Max: At(255), Doc: "Component number of the device.", Example: 154},
		{Path: "link.integers", Type: String, Required: true, Enum: []string{ByValue, Bytewise}, Doc: "How it sends whole numbers. The wrong one turns values into others, so it has to be known.", Example: ByValue},
		{Path: "link.permanent", Type: String, Required: true, Enum: []string{AtOnce, OnCommand}, Doc: "Whether it keeps a value over a power cycle at once, or only when it is told to.", Example: OnCommand},
		{Path: "link.raise_lines", Type: Bool, Doc: "Raise the control lines DTR and RTS when a serial port is opened; some devices restart on that.", Example: false},
	}
}

// dialLinkFields appends the fields of the link of a dial, which are below d.
func dialLinkFields(fs []Field, d string) []Field {
	d += ".link"
	return append(fs, []Field{
		{Path: d + ".id", Type: String, Required: true, Pattern: `[!-~]{1,16}`, Doc: "What the device calls this setting, upper and lower case as it does.", Example: "TILT_STIFF"},
		{Path: d + ".type", Type: String, Required: true, Enum: LinkTypes(), Doc: "Kind of number it is there.", Example: "real32"},
		{Path: d + ".scale", Type: Float, Min: At(-far), Max: At(far), Doc: "Dial number for each one of the device's; 1 where it is not given.", Example: 0.1},
		{Path: d + ".offset", Type: Float, Min: At(-far), Max: At(far), Doc: "Dial number at the device's zero; 0 where it is not given.", Example: 0.0},
		{Path: d + ".write", Type: Bool, Doc: "Whether it may be written over the link. Without it it is read only.", Example: true},
		{Path: d + ".lowest", Type: Float, Min: At(-far), Max: At(far), Doc: "Lowest dial number that may be written.", Example: 5.0},
		{Path: d + ".highest", Type: Float, Min: At(-far), Max: At(far), Doc: "Highest dial number that may be written.", Example: 70.0},
		{Path: d + ".step", Type: Float, Above: At(0), Max: At(far), Doc: "Most that it may be raised in one go, in dial numbers; 5 % of the range where it is not given.", Example: 2.0},
	}...)
}

// readLink reads the link of a sheet, nil where there is none.
func readLink(f Flat) *Link {
	if !f.has("link") {
		return nil
	}
	return &Link{
		System: byte(f.NumOr("link.system", 0)), Component: byte(f.NumOr("link.component", 0)),
		Integers: f.Str("link.integers"), Permanent: f.Str("link.permanent"), RaiseLines: f["link.raise_lines"] == true,
	}
}

// readDialLink reads the link of one dial, nil where there is none, and reports what
// contradicts the dial.
func readDialLink(f Flat, at string, d Dial) (*DialLink, []Problem) {
	at += ".link"
	if !f.has(at) {
		return nil, nil
	}
	var ps []Problem
	add := func(key, what, want, fix string) {
		ps = append(ps, Problem{Key: at + key, What: what, Want: want, Fix: fix, Rule: RuleLink})
	}
	l := &DialLink{
		ID: f.Str(at + ".id"), Type: f.Str(at + ".type"), Scale: f.NumOr(at+".scale", 1), Offset: f.NumOr(at+".offset", 0),
		Write: f[at+".write"] == true, Lowest: f.NumOr(at+".lowest", d.Min), Highest: f.NumOr(at+".highest", d.Max), Step: f.NumOr(at+".step", 0),
	}
	if !f.has("link") {
		add("", "the sheet does not say how its units speak", "a table [link]", "add it, or remove the dial's link")
	}
	if l.Scale == 0 {
		add(".scale", "the scale is 0", "a number that is not 0", "correct it")
		return l, ps
	}
	if l.Write {
		for _, k := range []string{".lowest", ".highest"} {
			if _, ok := f[at+k]; !ok {
				add(k, "the dial may be written, and nothing says how far", "lowest and highest beside write = true", "add it")
			}
		}
	}
	if l.Lowest < d.Min || l.Highest > d.Max || l.Lowest >= l.Highest {
		add(".lowest", fmt.Sprintf("%s to %s is not a range of this dial", Num(l.Lowest), Num(l.Highest)), "a range inside "+Num(d.Min)+" to "+Num(d.Max), "correct it")
		return l, ps
	}
	lo, hi, whole := LinkRange(l.Type)
	for _, v := range []float64{l.Lowest, l.Highest} {
		raw := (v - l.Offset) / l.Scale
		if raw < lo-hair || raw > hi+hair {
			add(".type", fmt.Sprintf("dial %s would be %s, not a value of type %s", Num(v), Num(raw), l.Type), "a number of the device between "+Num(lo)+" and "+Num(hi), "correct type, scale or offset")
			return l, ps
		}
		if whole && math.Abs(raw-math.Round(raw)) > hair {
			add(".scale", fmt.Sprintf("dial %s would be %.7g, which is not a whole number", Num(v), raw), "a scale with which the dial's steps are whole numbers of the device", "correct scale, offset or the range")
			return l, ps
		}
	}
	if step := d.Fine / math.Abs(l.Scale); whole && d.Fine > 0 && math.Abs(step-math.Round(step)) > hair {
		add(".scale", fmt.Sprintf("a fine step of the dial, %s, is %s of the device's", Num(d.Fine), Num(step)), "a whole number of the device's steps", "correct scale or fine")
	}
	return l, ps
}

// checkLinks reports two dials that are the same setting.
func checkLinks(dials map[string]Dial) []Problem {
	var ps []Problem
	by := map[string]string{}
	keys := make([]string, 0, len(dials))
	for k := range dials {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		l := dials[k].Link
		if l == nil {
			continue
		}
		if other, ok := by[l.ID]; ok {
			ps = append(ps, Problem{Key: "dial." + k + ".link.id", What: fmt.Sprintf("the dial %s has the setting %s too", other, shown(l.ID)), Want: "one dial for each setting", Fix: "correct one of them", Rule: RuleDistinct})
		}
		by[l.ID] = k
	}
	return ps
}
