package serve

import (
	"fmt"
	"net/http"
	"net/url"
	"sync"
	"time"

	"rigkeep/repo/library"
)

// How often a page at the stand is told that the server is there, and how often the record
// that it shows is looked at: the terminal may have answered.
const (
	beatTime = 2 * time.Second
	lookTime = 500 * time.Millisecond
)

// events tells a page at the stand, by server-sent events, what version of it there is now.
func (s *Server) events(w http.ResponseWriter, r *http.Request, d *device) {
	at := r.URL.Query().Get("at")
	q := r.Clone(r.Context())
	q.SetPathValue("name", at)
	q.URL = &url.URL{Path: "/" + at, RawQuery: r.URL.RawQuery}
	version := func() (string, string, bool) {
		l, err := s.opt.Open()
		if err != nil {
			return "", "", false
		}
		for _, k := range kinds {
			t, ok, err := s.task(l, q, d, k.kind)
			if err != nil || !ok {
				continue
			}
			p, err := k.show(t)
			return p.Version, t.d.Rig.ID, err == nil && p.Version != ""
		}
		return "", "", false
	}
	now, fp, ok := version()
	if !ok {
		s.refuse(w, http.StatusNotFound, "There is nothing to hear of.")
		return
	}
	out := http.NewResponseController(w)
	_ = out.SetReadDeadline(time.Time{})
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	send := func(text string) bool {
		_ = out.SetWriteDeadline(time.Now().Add(beatTime * 3))
		if _, err := fmt.Fprint(w, text); err != nil {
			return false
		}
		return out.Flush() == nil
	}
	s.stands.count(fp, d, 1)
	defer s.stands.count(fp, d, -1)
	if !send("retry: 1000\ndata: " + now + "\n\n") {
		return
	}
	beat, look := time.NewTicker(beatTime), time.NewTicker(lookTime)
	defer beat.Stop()
	defer look.Stop()
	for {
		select {
		case <-r.Context().Done():
			return
		case <-s.done:
			return
		case <-beat.C:
			if s.pairs.of(r) == nil || !send("event: beat\ndata: \n\n") {
				return // revoked, or gone
			}
		case <-look.C:
			if v, _, ok := version(); ok && v != now {
				now = v
				if !send("data: " + v + "\n\n") {
					return
				}
			}
		}
	}
}

// stands are the rigs that somebody works on from a phone. A rig is held for as long as the
// page is open there, so that nothing is written to its unit over a link and no second
// session is begun meanwhile; a phone that has gone lets go of it.
type stands struct {
	mu   sync.Mutex
	held map[string]*held // by fingerprint
	open map[seat]int     // pages that hear of a rig
}

type seat struct {
	rig    string
	device int
}

type held struct {
	release func()
	by      *device
	at      time.Time // of the last answer, or when the page went
}

// goneTime is how long a rig is held after the last answer when no page of it is open.
const goneTime = 8 * time.Second

// hold takes a rig for a device. A rig that another device holds is taken over: what each
// answers is held against the question that stands.
func (s *stands) hold(l *library.Library, fp string, d *device) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if h := s.held[fp]; h != nil {
		h.by, h.at = d, time.Now()
		return nil
	}
	release, err := l.Units().LockStand(fp)
	if err != nil {
		return err
	}
	s.held[fp] = &held{release: release, by: d, at: time.Now()}
	return nil
}

// busy is the error that hold would give now, nil where the rig is free or ours.
func (s *stands) busy(l *library.Library, fp string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.held[fp] != nil {
		return nil
	}
	release, err := l.Units().LockStand(fp)
	if err == nil {
		release()
	}
	return err
}

// count adds a page that hears of a rig, or takes it away.
func (s *stands) count(fp string, d *device, n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.open[seat{fp, d.n}] += n; s.open[seat{fp, d.n}] == 0 {
		delete(s.open, seat{fp, d.n})
	}
	if h := s.held[fp]; h != nil && h.by == d {
		h.at = time.Now()
	}
}

// drop lets go of a rig.
func (s *stands) drop(fp string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if h := s.held[fp]; h != nil {
		h.release()
		delete(s.held, fp)
	}
}

// free lets go of all.
func (s *stands) free() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for fp, h := range s.held {
		h.release()
		delete(s.held, fp)
	}
}

// watch lets go of rigs whose phone has gone.
func (s *stands) watch(done chan struct{}) {
	t := time.NewTicker(time.Second)
	defer t.Stop()
	for {
		select {
		case <-done:
			return
		case <-t.C:
		}
		s.mu.Lock()
		for fp, h := range s.held {
			if s.open[seat{fp, h.by.n}] == 0 && time.Since(h.at) > goneTime {
				h.release()
				delete(s.held, fp)
			}
		}
		s.mu.Unlock()
	}
}
