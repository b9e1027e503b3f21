package preset

import (
	"crypto/sha256"
	"fmt"
	"path"
	"strings"
	"time"
	"unicode/utf8"

	"rigkeep/schema"
)

// Places of the files in a library, slash paths from its root.
const (
	LibraryPath = "library.toml"
	MainTune    = "main"
	RigName     = "rig.toml"              // the build sheet in a rig's folder
	SignersPath = "trust/allowed_signers" // keys that the library proposes, in OpenSSH's form
)

// TuneOrder sorts names of tunes: the usual one first, the others by name.
func TuneOrder(a, b string) int {
	if a == b || a != MainTune && b != MainTune {
		return strings.Compare(a, b)
	}
	if a == MainTune {
		return -1
	}
	return 1
}

// GimbalPath is the sheet of a gimbal.
func GimbalPath(slug string) string { return "gimbals/" + slug + ".toml" }

// PartPath is a part of the shop.
func PartPath(name string) string { return "parts/" + name + ".toml" }

// UnitDir is the folder of a unit of a gimbal.
func UnitDir(gimbal, serial string) string { return "units/" + gimbal + "/" + serial }

// UnitPath is the record of a unit of a gimbal.
func UnitPath(gimbal, serial string) string { return UnitDir(gimbal, serial) + "/unit.toml" }

// RigDir is the folder of a rig.
func RigDir(fp string) string { return "rigs/" + fp[:2] + "/" + fp }

// RigPath is the build sheet of a rig.
func RigPath(fp string) string { return RigDir(fp) + "/" + RigName }

// TunePath is a tune of a rig.
func TunePath(fp, tune string) string { return RigDir(fp) + "/" + tune + ".toml" }

// BenchPath is the log of a session that began at t.
func BenchPath(fp string, t time.Time) string {
	return RigDir(fp) + "/bench/" + t.UTC().Format("20060102T150405Z") + ".toml"
}

// BalancePath is the record of a balance that began at t.
func BalancePath(fp string, t time.Time) string {
	return RigDir(fp) + "/balance/" + t.UTC().Format("20060102T150405Z") + ".toml"
}

// JobPath is the file of a job; its slug begins with the date.
func JobPath(slug string) string { return "jobs/" + slug + ".toml" }

// Place is what a path in the library holds.
type Place struct {
	Kind string // one of schema.Kinds
	Rig  string // fingerprint, for rigs, tunes and bench logs
	Name string // gimbal slug, part, serial, tune name, job slug or bench time
	// Gimbal is the slug of the gimbal that a unit is of.
	Gimbal string
}

// reserved are names that some system cannot hold as a file, or that we use ourselves.
var reserved = map[string]bool{"rig": true, "bench": true, "balance": true, "con": true, "prn": true, "aux": true, "nul": true,
	"com1": true, "com2": true, "com3": true, "com4": true, "com5": true, "com6": true, "com7": true, "com8": true, "com9": true,
	"lpt1": true, "lpt2": true, "lpt3": true, "lpt4": true, "lpt5": true, "lpt6": true, "lpt7": true, "lpt8": true, "lpt9": true}

// Longest name: in characters, which people count, and in bytes, since a file's name
// has at most 255 with its ending and what is added while it is written.
const (
	maxNameChars = 64
	maxNameBytes = 200
)

// IsName reports whether s may name a tune, gimbal, part, job or alias: as a file on every
// system, which no other name may be taken for.
func IsName(s string) bool {
	base, _, _ := strings.Cut(s, ".")
	return len(s) <= maxNameBytes && utf8.RuneCountInString(s) <= maxNameChars && schema.IsName(s) && !reserved[base]
}

// IsSerial reports whether s may be the serial of a unit: what IsName takes, in upper
// or lower case.
func IsSerial(s string) bool { return IsName(schema.CanonicalName(s)) }

// Locate says what a path in the library holds; ok is false for a path that is
// not one of ours (a README that a shop keeps beside, say).
func Locate(p string) (Place, bool) {
	dir, file := path.Split(p)
	name, isTOML := strings.CutSuffix(file, ".toml")
	if !isTOML {
		return Place{}, false
	}
	parts := strings.Split(strings.TrimSuffix(dir, "/"), "/")
	switch {
	case p == LibraryPath:
		return Place{Kind: schema.KindLibrary}, true
	case dir == "gimbals/" && IsName(name):
		return Place{Kind: schema.KindGimbal, Name: name}, true
	case dir == "parts/" && IsName(name):
		return Place{Kind: schema.KindPart, Name: name}, true
	case dir == "jobs/" && IsName(name):
		return Place{Kind: schema.KindJob, Name: name}, true
	case parts[0] == "units" && len(parts) == 3 && name == "unit" && IsName(parts[1]) && IsSerial(parts[2]):
		return Place{Kind: schema.KindUnit, Gimbal: parts[1], Name: parts[2]}, true
	case parts[0] == "rigs" && len(parts) >= 3 && len(parts[2]) == FingerprintLen && IsFingerprint(parts[2]) && strings.HasPrefix(parts[2], parts[1]) && len(parts[1]) == 2:
		fp := parts[2]
		switch {
		case len(parts) == 3 && name == "rig":
			return Place{Kind: schema.KindRig, Rig: fp}, true
		case len(parts) == 3 && IsName(name):
			return Place{Kind: schema.KindTune, Rig: fp, Name: name}, true
		case len(parts) == 4 && parts[3] == "bench":
			return Place{Kind: schema.KindBench, Rig: fp, Name: name}, true
		case len(parts) == 4 && parts[3] == "balance":
			return Place{Kind: schema.KindBalance, Rig: fp, Name: name}, true
		}
	}
	return Place{}, false
}

// KindPhoto is the kind of a photo's place; a photo is not a file that is read for what it says.
const KindPhoto = "photo"

// PhotoPath is a photo of a rig, by the day, in UTC, on which it was added and the sum of what it holds.
func PhotoPath(fp string, day time.Time, data []byte) string {
	return RigDir(fp) + "/photos/" + schema.SayDay(day, time.UTC) + "-" + fmt.Sprintf("%x", sha256.Sum256(data))[:10] + ".jpg"
}

// LocatePhoto says which rig a path holds a photo of; ok is false for any other path.
func LocatePhoto(p string) (place Place, ok bool) {
	dir, file := path.Split(p)
	parts := strings.Split(strings.TrimSuffix(dir, "/"), "/")
	name, isJPEG := strings.CutSuffix(file, ".jpg")
	if !isJPEG || len(parts) != 4 || parts[0] != "rigs" || parts[3] != "photos" || len(name) != 21 || name[10] != '-' {
		return Place{}, false
	}
	if _, err := time.Parse("2006-01-02", name[:10]); err != nil || strings.Trim(name[11:], "0123456789abcdef") != "" {
		return Place{}, false
	}
	if _, ok := Locate(dir[:len(dir)-len("photos/")] + RigName); !ok {
		return Place{}, false
	}
	return Place{Kind: KindPhoto, Rig: parts[2], Name: name}, true
}
