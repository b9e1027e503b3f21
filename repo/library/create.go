package library

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// schemaPath is where a library keeps the JSON Schema of a kind, for editors.
func schemaPath(kind string) string { return "schema/" + kind + ".schema.json" }

// begin writes what every file begins with, and above it the comment by which TOML editors find
// the schema of a file at path.
func begin(path, kind string) *file.Writer {
	w := file.NewWriter(path)
	w.Directive("schema " + strings.Repeat("../", strings.Count(path, "/")) + schemaPath(kind))
	w.Key("format", schema.Format)
	w.Key("kind", kind)
	return w
}

func textOf(w *file.Writer) ([]byte, error) {
	doc, err := w.Doc()
	if err != nil {
		return nil, err
	}
	return doc.Text(), nil
}

// NewFiles are the files of a new library.
func NewFiles(cat *schema.Catalogue, name, mass, length string) ([]store.File, error) {
	w := begin(preset.LibraryPath, schema.KindLibrary)
	w.Key("name", name)
	w.Blank()
	w.Table("units")
	w.KeyComment("mass", mass, "shown in: kg, g, lb")
	w.KeyComment("length", length, "shown in: mm, in")
	doc, err := w.Doc()
	if err != nil {
		return nil, err
	}
	if err := preset.Check(cat, schema.KindLibrary, doc, nil); err != nil {
		return nil, err
	}
	files := []store.File{{Path: preset.LibraryPath, Data: doc.Text()}}
	for _, k := range schema.Kinds {
		js, err := cat.JSONSchema(k)
		if err != nil {
			return nil, err
		}
		files = append(files, store.File{Path: schemaPath(k), Data: js})
	}
	return files, nil
}

// TuneText writes a new tune of the given values, in the catalogue's order.
func TuneText(cat *schema.Catalogue, fp, tune string, values map[string]any) ([]byte, error) {
	w := begin(preset.TunePath(fp, tune), schema.KindTune)
	w.Key("rig", fp)
	styles := preset.Tune{Values: values}.Styles()
	written, at := 0, ""
	put := func(key string) {
		v, ok := values[key]
		if !ok {
			return
		}
		written++
		if n, ok := v.(float64); ok && n == math.Trunc(n) {
			v = int64(n) // 41, as a person writes it
		}
		segs := schema.SplitPath(key)
		if t := strings.Join(segs[:len(segs)-1], "."); t != at {
			at = t
			w.Blank()
			w.Table(segs[:len(segs)-1]...)
		}
		w.Key(segs[len(segs)-1], v)
	}
	for _, p := range cat.Params() {
		if !strings.Contains(p.Path, "*") {
			put(p.Path)
		}
	}
	for _, s := range styles {
		for _, k := range cat.Expand([]string{s}) {
			if strings.HasPrefix(k, "follow.") {
				put(k)
			}
		}
	}
	if written != len(values) {
		return nil, fmt.Errorf("a value of the new tune is not in the catalogue")
	}
	return textOf(w)
}

// JobText writes a new job.
func JobText(j preset.Job) ([]byte, error) {
	w := begin(preset.JobPath(j.Slug), schema.KindJob)
	w.Key("name", j.Name)
	w.Key("from", Day(j.From))
	if !j.To.IsZero() {
		w.Key("to", Day(j.To))
	}
	w.Key("state", "open")
	if j.Note != "" {
		w.Key("note", j.Note)
	}
	if j.Widest > 0 || j.Longest > 0 || j.Sensor[0] > 0 {
		w.Table("lens")
		if j.Widest > 0 {
			w.Key("widest_mm", j.Widest)
		}
		if j.Longest > 0 {
			w.Key("longest_mm", j.Longest)
		}
		if j.Sensor[0] > 0 {
			w.Key("sensor_mm", []any{j.Sensor[0], j.Sensor[1]})
		}
		if j.Squeeze > 1 {
			w.Key("squeeze", j.Squeeze)
		}
	}
	if j.DriftPct > 0 || j.DelayS > 0 {
		w.Table("tolerance")
		if j.DriftPct > 0 {
			w.Key("drift_pct", j.DriftPct)
		}
		if j.DelayS > 0 {
			w.Key("delay_s", j.DelayS)
		}
	}
	for _, c := range j.Crew {
		w.ArrayTable("crew")
		w.Key("role", c.Role)
		if c.Name != "" {
			w.Key("name", c.Name)
		}
	}
	return textOf(w)
}

// Day is a local date for a file.
func Day(t time.Time) file.Date {
	return file.Date{Year: t.Year(), Month: int(t.Month()), Day: t.Day()}
}

// NewFile is a file that is to come into the library.
type NewFile struct {
	Path string
	Text []byte
	What string // for people
}

// CheckFree reports whether a new file's place is free and the file is good.
func (l Editor) CheckFree(f NewFile) error {
	if _, err := l.Store.Work().Read(f.Path); err == nil {
		return &store.Error{Kind: store.ErrChanged, Msg: f.Path + " is in the library already", Hint: "Change it there with an editor and save it with: rigkeep save " + f.Path + " -m WHY"}
	} else if !isNotFound(err) {
		return err
	}
	_, err := l.Parse(f.Path, f.Text, nil)
	return err
}

// AddFiles checks new files and saves them as one revision.
func (l Editor) AddFiles(ctx context.Context, files []NewFile, subject string, who store.Person, when time.Time) (store.Rev, error) {
	defer l.Names().forget()
	q := store.SaveRequest{Subject: subject, Author: who, When: when, WriteWork: true, Seen: map[string]store.BlobID{}}
	for _, f := range files {
		if err := l.CheckFree(f); err != nil {
			return "", err
		}
		q.Files = append(q.Files, store.File{Path: f.Path, Data: f.Text})
		q.Seen[f.Path] = ""
	}
	return l.Store.Writer().Save(ctx, q)
}
