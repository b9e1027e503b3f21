package library

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"maps"
	"math"
	"runtime"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"rigkeep/preset"
	"rigkeep/preset/mass"
	"rigkeep/preset/start"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// The summary is what lists, names and evidence need of every rig at one
// revision, so that no command reads ten thousand files. It is derived: kept
// beside the library under the revision it was made from, brought forward by
// the difference to the present one, and made anew when anything is odd.

// rigSummary is one rig with its tunes.
type rigSummary struct {
	fp, alias, gimbal string
	was               []string
	fault             string // why the build sheet cannot be read
	props             packedProps
	tunes             []tuneSummary
}

type tuneSummary struct {
	name  string
	proof bool
	at    int64  // of the proof, Unix seconds
	fault string // why it cannot serve as evidence
	as    []byte // a proved tune as evidence, in the form on disk: a list needs none of it
}

type summary struct {
	rev   store.Rev
	rigs  map[string]*rigSummary // by fingerprint
	order []*rigSummary          // all rigs by alias; nil while not worked out
}

// byAlias gives the rigs in the order of a list.
func (s *summary) byAlias() []*rigSummary {
	if s.order == nil {
		s.order = slices.SortedFunc(maps.Values(s.rigs), func(a, b *rigSummary) int {
			return cmp.Or(strings.Compare(a.alias, b.alias), strings.Compare(a.fp, b.fp))
		})
	}
	return s.order
}

const (
	summaryName  = "summary"
	summaryMagic = "rigkeep-summary-8\n"
)

// summary gives the summary of the last revision.
func (l Lists) summary() (*summary, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	head, err := l.Store.Head()
	if err != nil {
		return nil, err
	}
	if l.sum != nil && l.sum.rev == head {
		return l.sum, nil
	}
	if l.sum == nil {
		if data, ok := l.Store.Cache(summaryName); ok {
			l.sum, _ = decodeSummary(data, l.stamp()) // a summary that cannot be read is made anew
		}
	}
	old := l.sum
	if old != nil && old.rev == head {
		return old, nil
	}
	if old == nil || !l.forward(old, head) {
		if old, err = l.summarise(head); err != nil {
			return nil, err
		}
	}
	l.sum = old
	l.Store.SetCache(summaryName, encodeSummary(old, l.stamp()))
	l.Names().cacheNames(old)
	return old, nil
}

// stamp ties a summary to the catalogue it was read with.
func (l Lists) stamp() [32]byte {
	h := sha256.New()
	for _, p := range l.Cat.Params() {
		h.Write([]byte(p.Path + "\x00" + p.Dial + "\n"))
	}
	var out [32]byte
	h.Sum(out[:0])
	return out
}

// forward brings a summary to the revision head; false when it cannot.
func (l Lists) forward(s *summary, head store.Rev) bool {
	changes, err := l.Store.Revisions().Diff(s.rev, head)
	if err != nil {
		return false
	}
	again, gimbals := map[string]bool{}, map[string]bool{}
	for _, c := range changes {
		p, ok := preset.Locate(c.Path)
		switch {
		case !ok:
		case p.Kind == schema.KindGimbal:
			gimbals[p.Name] = true
		case p.Kind == schema.KindUnit:
			gimbals[p.Gimbal] = true
		case p.Rig != "" && p.Kind != schema.KindBench && p.Kind != schema.KindBalance:
			again[p.Rig] = true
		}
	}
	for fp, r := range s.rigs {
		if gimbals[r.gimbal] {
			again[fp] = true
		}
	}
	if len(again) > 2000 {
		return false // nearly all of it: reading in one sweep is faster
	}
	s.order = nil
	sheets := map[string]*schema.Sheet{}
	for fp := range again {
		es, err := l.Store.Revisions().ListAt(head, preset.RigDir(fp)+"/")
		if err != nil && !isNotFound(err) {
			return false
		}
		delete(s.rigs, fp)
		if r := l.summariseRig(head, fp, es, sheets); r != nil {
			s.rigs[fp] = r
		}
	}
	s.rev = head
	return true
}

// summarise reads every rig at a revision.
func (l Lists) summarise(head store.Rev) (*summary, error) {
	s := &summary{rev: head, rigs: map[string]*rigSummary{}}
	if head == "" {
		return s, nil
	}
	es, err := l.Store.Revisions().ListAt(head, "rigs/")
	if isNotFound(err) {
		return s, nil
	}
	if err != nil {
		return nil, err
	}
	by := map[string][]store.Entry{}
	var order []string
	for _, e := range es {
		if p, ok := preset.Locate(e.Path); ok {
			if by[p.Rig] == nil {
				order = append(order, p.Rig)
			}
			by[p.Rig] = append(by[p.Rig], e)
		}
	}
	var mu sync.Mutex
	var g errgroup.Group
	workers := min(runtime.GOMAXPROCS(0), 4)
	done := 0
	for w := range workers {
		g.Go(func() error {
			sheets := map[string]*schema.Sheet{}
			for i := w; i < len(order); i += workers {
				r := l.summariseRig(head, order[i], by[order[i]], sheets)
				mu.Lock()
				if r != nil {
					s.rigs[order[i]] = r
				}
				if done++; l.Progress != nil && (done%200 == 0 || done == len(order)) && len(order) > 1000 {
					l.Progress("reading rigs", done, len(order))
				}
				mu.Unlock()
			}
			return nil
		})
	}
	return s, g.Wait()
}

// summariseRig reads one rig with its tunes; nil when it has no build sheet.
func (l Lists) summariseRig(head store.Rev, fp string, es []store.Entry, sheets map[string]*schema.Sheet) *rigSummary {
	var sheetBlob store.BlobID
	for _, e := range es {
		if e.Path == preset.RigPath(fp) {
			sheetBlob = e.Blob
		}
	}
	if sheetBlob == "" {
		return nil
	}
	out := &rigSummary{fp: fp}
	var r preset.Rig
	data, err := l.Store.Revisions().ReadBlob(sheetBlob)
	if err == nil {
		r, err = preset.QuickRig(l.Cat, preset.RigPath(fp), data)
		out.alias, out.gimbal, out.was = r.Alias, r.Gimbal, r.Was
	}
	if err == nil {
		out.props, err = propsOf(r)
	}
	if err != nil {
		out.fault = err.Error()
	}
	sheet, known := sheets[r.Gimbal]
	if !known && r.Gimbal != "" {
		sheet, _ = l.sheetAt(head, r.Gimbal)
		sheets[r.Gimbal] = sheet
	}
	for _, e := range es {
		p, _ := preset.Locate(e.Path)
		if p.Kind == schema.KindTune {
			out.tunes = append(out.tunes, l.summariseTune(out, r, sheet, e, p.Name))
		}
	}
	slices.SortFunc(out.tunes, func(a, b tuneSummary) int { return preset.TuneOrder(a.name, b.name) })
	return out
}

func (l Lists) summariseTune(rs *rigSummary, r preset.Rig, sheet *schema.Sheet, e store.Entry, name string) tuneSummary {
	t := tuneSummary{name: name}
	var tune preset.Tune
	data, err := l.Store.Revisions().ReadBlob(e.Blob)
	if err == nil {
		tune, err = preset.QuickTune(l.Cat, e.Path, data, sheet)
	}
	if err == nil && (rs.fault != "" || sheet == nil) {
		err = errors.New("unreadable build or gimbal sheet")
	}
	if err != nil {
		t.fault = err.Error()
		return t
	}
	if tune.Proof == nil {
		return t
	}
	if !l.asProved(r, name, &tune) {
		return t
	}
	t.proof, t.at = true, tune.Proof.At.Unix()
	as, err := startTune(r, sheet, tune, rs.alias+"/"+name, tune.Proof.At)
	if err != nil {
		t.fault = err.Error()
	}
	// only what the starting model learns from is kept
	for key := range as.Values {
		if p, _ := l.Cat.Param(key); p.Group != "stiffness" && p.Group != "filters" {
			delete(as.Values, key)
		}
	}
	t.as = encodeEvidence(as)
	return t
}

// mostProved bounds how far back the moment of a proof is looked for.
const mostProved = 50

// asProved gives a tune the values that its proof is of, where it went on since: what
// nobody worked is no evidence, however recent. same reports whether the proof is of
// this gimbal: the numbers of another's dials say nothing here.
func (l Lists) asProved(r preset.Rig, name string, tune *preset.Tune) (same bool) {
	p := tune.Proof
	changed := p.ValuesChanged(*tune, preset.GroupHold)
	if !changed && (p.Rig == "" || p.Rig == r.Fingerprint()) {
		return true
	}
	if changed {
		tune.Values = nil
	}
	hist, err := l.Past().History(RigRef{Fingerprint: r.ID, Was: r.Was}, name, mostProved)
	if err != nil {
		return true
	}
	same = true
	for _, h := range hist {
		if h.Blob == "" {
			break
		}
		t := l.Past().Tune(h)
		if t == nil {
			continue
		}
		if t.Proof == nil || !t.Proof.At.Equal(p.At) {
			break
		}
		if changed && p.IsOf(*t, preset.GroupHold) {
			tune.Values = t.Values
		}
		if h.Fingerprint != r.ID {
			path := preset.RigPath(h.Fingerprint)
			if data, err := l.Store.Revisions().ReadAt(h.ID, path); err == nil {
				if then, err := preset.UncheckedRig(path, data); err == nil {
					same = then.Gimbal == r.Gimbal
				}
			}
		}
	}
	return same
}

// sheetAt reads a sheet at a revision without the library's lock.
func (l Lists) sheetAt(rev store.Rev, slug string) (*schema.Sheet, error) {
	data, err := l.Store.Revisions().ReadAt(rev, preset.GimbalPath(slug))
	if err != nil {
		return nil, err
	}
	s, err := preset.QuickSheet(l.Cat, preset.GimbalPath(slug), data)
	if err != nil {
		return nil, err
	}
	s.Units, err = l.Units().unitsAt(rev, slug)
	return s, err
}

// ref is what a list shows of a summarised rig.
func (r *rigSummary) ref() RigRef {
	out := RigRef{Fingerprint: r.fp, Alias: r.alias, Gimbal: r.gimbal, Was: r.was, props: r.props, Fault: r.fault}
	for _, t := range r.tunes {
		out.Tunes = append(out.Tunes, t.name)
	}
	return out
}

// proofs gives every proved tune saved on a gimbal, as evidence, and what could
// not serve. Edits that are in no revision are not evidence.
func (l Evidence) proofs(gimbal string, now time.Time) ([]start.Tune, []Skipped, error) {
	s, err := l.Lists().summary()
	if err != nil {
		return nil, nil, err
	}
	fps := make([]string, 0, len(s.rigs))
	for fp, r := range s.rigs {
		if r.gimbal == gimbal {
			fps = append(fps, fp)
		}
	}
	sort.Strings(fps)
	out := make([]start.Tune, 0, len(fps))
	var skipped []Skipped
	seen := map[string]string{}
	for _, fp := range fps {
		r := s.rigs[fp]
		if r.fault != "" {
			skipped = append(skipped, Skipped{preset.RigPath(fp), r.fault})
			continue
		}
		for _, t := range r.tunes {
			switch {
			case t.fault != "":
				skipped = append(skipped, Skipped{preset.TunePath(fp, t.name), t.fault})
			case t.proof:
				as, err := decodeEvidence(t.as, seen)
				if err != nil {
					return nil, nil, err
				}
				as.AgeDays = max(0, now.Sub(time.Unix(t.at, 0)).Hours()/24)
				out = append(out, as)
			}
		}
	}
	return out, skipped, nil
}

// The form on disk: the magic line, the catalogue's stamp, a SHA-256 of the
// rest, then the rest: strings with their length, numbers as little-endian bits.

type writer struct{ b []byte }

func (w *writer) num(n int)     { w.b = binary.AppendVarint(w.b, int64(n)) }
func (w *writer) str(s string)  { w.num(len(s)); w.b = append(w.b, s...) }
func (w *writer) f64(v float64) { w.b = binary.LittleEndian.AppendUint64(w.b, math.Float64bits(v)) }
func (w *writer) flag(v bool) {
	if v {
		w.b = append(w.b, 1)
	} else {
		w.b = append(w.b, 0)
	}
}
func (w *writer) values(m map[string]float64) {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	w.num(len(keys))
	for _, k := range keys {
		w.str(k)
		w.f64(m[k])
	}
}

type reader struct {
	b    []byte
	bad  bool
	seen map[string]string // one copy of each key
}

func (r *reader) num() int {
	n, k := binary.Varint(r.b)
	if k <= 0 || n < 0 || n > int64(len(r.b)) {
		r.bad = true
		return 0
	}
	r.b = r.b[k:]
	return int(n)
}

// long is a number that is not a length.
func (r *reader) long() int64 {
	n, k := binary.Varint(r.b)
	if k <= 0 {
		r.bad = true
		return 0
	}
	r.b = r.b[k:]
	return n
}

// bytes is a text that is not copied.
func (r *reader) bytes() []byte {
	n := r.num()
	if r.bad || n > len(r.b) {
		r.bad = true
		return nil
	}
	b := r.b[:n:n]
	r.b = r.b[n:]
	return b
}

func (r *reader) str() string { return string(r.bytes()) }

func (r *reader) key() string {
	b := r.bytes()
	s, ok := r.seen[string(b)]
	if !ok {
		s = string(b)
		r.seen[s] = s
	}
	return s
}

func (r *reader) f64() float64 {
	if len(r.b) < 8 {
		r.bad = true
		return 0
	}
	v := math.Float64frombits(binary.LittleEndian.Uint64(r.b))
	r.b = r.b[8:]
	return v
}

func (r *reader) flag() bool {
	if len(r.b) < 1 {
		r.bad = true
		return false
	}
	v := r.b[0] == 1
	r.b = r.b[1:]
	return v
}

func (r *reader) values() map[string]float64 {
	n := r.num()
	if n == 0 {
		return nil
	}
	m := make(map[string]float64, min(n, 16))
	for i := 0; i < n && !r.bad; i++ {
		k := r.key()
		m[k] = r.f64()
	}
	return m
}

// packedProps are the mass, centre of gravity and inertia of a build in the form on disk: of
// most rigs a command asks for none of them, or for the mass alone. They are empty where the
// build sheet cannot be read, and the mass alone where it does not say where every part balances.
type packedProps []byte

const packedLen = 8 * 13

// propsOf packs what is known of a rig.
func propsOf(r preset.Rig) (packedProps, error) {
	p, err := r.Properties()
	switch {
	case err == nil:
		return packProps(p), nil
	case preset.IsUnknown(err):
		if err = r.Check(); err == nil {
			w := &writer{}
			w.f64(r.Mass())
			return w.b, nil
		}
	}
	return nil, err
}

func packProps(p mass.Properties) packedProps {
	w := &writer{}
	w.f64(p.Mass)
	for i := range 3 {
		w.f64(p.CG[i])
		for j := range 3 {
			w.f64(p.Inertia[i][j])
		}
	}
	return w.b
}

func (p packedProps) mass() float64 { return (&reader{b: p}).f64() }

// properties leaves the principal axes out; ok is false where only the mass is known, or nothing.
func (p packedProps) properties() (out mass.Properties, ok bool) {
	if len(p) < packedLen {
		return mass.Properties{Mass: p.mass()}, false
	}
	r := &reader{b: p}
	out.Mass = r.f64()
	for i := range 3 {
		out.CG[i] = r.f64()
		for j := range 3 {
			out.Inertia[i][j] = r.f64()
		}
	}
	return out, true
}

func encodeSummary(s *summary, stamp [32]byte) []byte {
	w := &writer{}
	w.str(string(s.rev))
	w.num(len(s.rigs))
	for _, r := range s.byAlias() {
		for _, t := range []string{r.fp, r.alias, r.gimbal, strings.Join(r.was, " "), r.fault} {
			w.str(t)
		}
		w.str(string(r.props))
		w.num(len(r.tunes))
		for _, t := range r.tunes {
			w.str(t.name)
			w.str(t.fault)
			w.flag(t.proof)
			if !t.proof {
				continue
			}
			w.b = binary.AppendVarint(w.b, t.at)
			w.str(string(t.as))
		}
	}
	sum := sha256.Sum256(w.b)
	out := append([]byte(summaryMagic), stamp[:]...)
	return append(append(out, sum[:]...), w.b...)
}

func encodeEvidence(as start.Tune) []byte {
	w := &writer{}
	for _, x := range []string{as.Ref, as.Unit, as.Doubt, as.OutOfDate, as.Rig.ID} {
		w.str(x)
	}
	w.flag(as.Rig.JFromMass)
	w.f64(as.Rig.Mass)
	for _, j := range as.Rig.J {
		w.f64(j)
	}
	w.values(as.Values)
	w.values(as.Onset)
	return w.b
}

// decodeEvidence reads one tune's evidence; seen is for all that are read together.
func decodeEvidence(b []byte, seen map[string]string) (as start.Tune, err error) {
	r := &reader{b: b, seen: seen}
	as.Ref, as.Unit, as.Doubt, as.OutOfDate, as.Rig.ID = r.str(), r.key(), r.key(), r.key(), r.str()
	as.Rig.JFromMass = r.flag()
	as.Rig.Mass = r.f64()
	for a := range as.Rig.J {
		as.Rig.J[a] = r.f64()
	}
	as.Values, as.Onset = r.values(), r.values()
	if r.bad || len(r.b) != 0 {
		err = errSummary
	}
	return as, err
}

var errSummary = errors.New("unreadable summary")

func decodeSummary(data []byte, stamp [32]byte) (*summary, error) {
	head := len(summaryMagic)
	if len(data) < head+64 || string(data[:head]) != summaryMagic || string(data[head:head+32]) != string(stamp[:]) {
		return nil, errSummary
	}
	body := data[head+64:]
	if sum := sha256.Sum256(body); string(data[head+32:head+64]) != string(sum[:]) {
		return nil, errSummary
	}
	r := &reader{b: body, seen: map[string]string{}}
	s := &summary{rev: store.Rev(r.str())}
	n := r.num()
	if n > len(r.b)/7 { // a rig takes that many at least
		return nil, errSummary
	}
	s.rigs = make(map[string]*rigSummary, n)
	s.order = make([]*rigSummary, 0, n)
	rigs := make([]rigSummary, n)
	for i := 0; i < n && !r.bad; i++ {
		x := &rigs[i]
		x.fp, x.alias, x.gimbal = r.str(), r.str(), r.key()
		x.was = strings.Fields(r.str())
		x.fault = r.str()
		x.props = r.bytes()
		r.bad = r.bad || len(x.props) != 0 && len(x.props) != 8 && len(x.props) != packedLen
		k := r.num()
		for j := 0; j < k && !r.bad; j++ {
			t := tuneSummary{name: r.key(), fault: r.key(), proof: r.flag()}
			if t.proof {
				t.at, t.as = r.long(), r.bytes()
			}
			x.tunes = append(x.tunes, t)
		}
		s.rigs[x.fp] = x
		s.order = append(s.order, x)
	}
	if r.bad || len(r.b) != 0 {
		return nil, errSummary
	}
	return s, nil
}
