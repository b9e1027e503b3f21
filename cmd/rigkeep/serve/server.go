// Package serve is the local web server: the pages of a library as it is at each request,
// and bench, balance, load and photo at the phone. It is handed the library, the clock and
// who serves; pages are laid out by diffview/pages, and the rules of the trade are those of
// preset and repo/library, so that the terminal and the phone work on the same records.
package serve

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"rigkeep/diffview/page"
	"rigkeep/diffview/pages"
	"rigkeep/diffview/safe"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
)

// Options is what a server is handed.
type Options struct {
	// Open gives the library as it is now. Other programs write to it meanwhile, so that
	// each request takes it anew.
	Open func() (*library.Library, error)
	// Page makes a page that is only read, by its file name; ok is false where there is
	// none. words are what is searched for on the first page.
	Page func(l *library.Library, name, words string) (data []byte, ok bool, err error)
	// Site is what the pages at the stand share with the others.
	Site func(l *library.Library) pages.Site
	// Save makes a planned revision, with the change in words, by the author that is named.
	Save func(ctx context.Context, l *library.Library, p *library.Plan, subject, body string, who store.Person) (store.Rev, error)
	Now  func() time.Time
	Who  store.Person // of the server: who a browser on this machine works as
	// Hosts are the addresses, with their port, by which the server may be asked for.
	Hosts []string
	// Told is told what happens, a line each; nil is nobody.
	Told func(line string)
}

// Server answers requests. Its zero value is not usable; see New.
type Server struct {
	opt    Options
	pairs  pairing
	change sync.Mutex    // one change at a time
	making chan struct{} // pages that are made at once
	stands stands
	done   chan struct{}
	once   sync.Once
}

// mostMade is how many pages are made at once; more wait.
const mostMade = 4

// New makes a server that Handler answers for. Close ends what it holds.
func New(opt Options) *Server {
	if opt.Told == nil {
		opt.Told = func(string) {}
	}
	s := &Server{opt: opt, making: make(chan struct{}, mostMade), done: make(chan struct{})}
	s.pairs.now = opt.Now
	s.stands.held, s.stands.open = map[string]*held{}, map[seat]int{}
	go s.stands.watch(s.done)
	return s
}

// Close lets go of the stand and ends the streams of events.
func (s *Server) Close() {
	s.once.Do(func() { close(s.done) })
	s.stands.free()
}

// Serve answers on a listener until the server is closed.
func (s *Server) Serve(l net.Listener) error {
	h := &http.Server{Handler: s.Handler(), ReadHeaderTimeout: headerTime, ReadTimeout: readTime, WriteTimeout: writeTime, IdleTimeout: idleTime, MaxHeaderBytes: maxHeader,
		ErrorLog: log.New(teller(s.opt.Told), "", 0)}
	go func() {
		<-s.done
		h.Close()
	}()
	err := h.Serve(&limited{Listener: l, free: make(chan struct{}, maxConns)})
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

// teller tells the first line of what net/http has to say, as of a fault in a page.
type teller func(string)

func (t teller) Write(b []byte) (int, error) {
	line, _, _ := strings.Cut(string(b), "\n")
	t(safe.Line(line))
	return len(b), nil
}

// Handler answers requests, all of them guarded.
func (s *Server) Handler() http.Handler {
	m := http.NewServeMux()
	m.HandleFunc("GET /p/{code}", s.showPairing)
	m.HandleFunc("POST /p/{code}", s.pair)
	m.HandleFunc("GET /P/{code}", s.showPairing) // a QR code is smaller in capitals
	m.HandleFunc("POST /P/{code}", s.pair)
	m.HandleFunc("GET /{$}", func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, "/"+pages.Home, http.StatusSeeOther) })
	m.HandleFunc("GET /events", s.paired(s.events))
	m.HandleFunc("GET /{name}", s.paired(s.read))
	m.HandleFunc("POST /{name}", s.paired(s.act))
	m.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		s.refuse(w, http.StatusNotFound, "Page not found.")
	})
	return s.guard(m)
}

// kinds are the pages at the stand, by the beginning of their names.
var kinds = []struct {
	kind, name string
	show       func(*task) (pages.Stand, error)
	act        func(*task) (pages.Stand, error)
}{
	{"bench", "Bench", showBench, actBench},
	{"balance", "Balance", showBalance, actBalance},
	{"load", "Load a unit", showLoad, actLoad},
	{"photo", "Add a photo", showPhoto, actPhoto},
}

// Acts are the links from a rig's page to what can be done with it at the stand.
func Acts(name string) []page.Link {
	var out []page.Link
	for _, k := range kinds {
		out = append(out, page.Link{Text: k.name, Href: pages.File(k.kind, name)})
	}
	return out
}

// read shows a page.
func (s *Server) read(w http.ResponseWriter, r *http.Request, d *device) {
	select {
	case s.making <- struct{}{}:
		defer func() { <-s.making }()
	case <-r.Context().Done():
		return
	}
	l, err := s.opt.Open()
	if err != nil {
		s.fault(w, err)
		return
	}
	name := r.PathValue("name")
	for _, k := range kinds {
		if t, ok, err := s.task(l, r, d, k.kind); err != nil {
			s.fault(w, err)
			return
		} else if ok {
			p, err := k.show(t)
			p.Told = append(s.pairs.told(d), p.Told...)
			s.stand(w, r, t, p, err)
			return
		}
	}
	data, ok, err := s.opt.Page(l, name, first(r.URL.Query().Get("q"), maxWords))
	switch {
	case err != nil:
		s.fault(w, err)
	case !ok:
		s.refuse(w, http.StatusNotFound, "Page not found. It may have been renamed: look for it in the library.")
	default:
		send(w, r, http.StatusOK, data)
	}
}

// act takes an answer.
func (s *Server) act(w http.ResponseWriter, r *http.Request, d *device) {
	s.change.Lock()
	defer s.change.Unlock()
	l, err := s.opt.Open()
	if err != nil {
		s.fault(w, err)
		return
	}
	for _, k := range kinds {
		t, ok, err := s.task(l, r, d, k.kind)
		if err != nil {
			s.fault(w, err)
			return
		}
		if !ok {
			continue
		}
		p, err := t.once(k.act)
		s.stand(w, r, t, p, err)
		return
	}
	s.refuse(w, http.StatusNotFound, "There is nothing to answer on this page.")
}

// stand sends a page at the stand, or where to go on. A refused answer says so on the page.
func (s *Server) stand(w http.ResponseWriter, r *http.Request, t *task, p pages.Stand, err error) {
	if err != nil {
		s.fault(w, err)
		return
	}
	if t.to != "" {
		http.Redirect(w, r, t.to, http.StatusSeeOther)
		return
	}
	p.Site, p.Token = s.opt.Site(t.l), t.dev.token
	p.Up = page.Link{Text: t.name, Href: pages.File("rig", t.name)}
	if p.Title == "" {
		p.Title = t.name
	}
	if p.Version != "" {
		p.Events = "/events?at=" + r.PathValue("name") + "&" + r.URL.RawQuery
	}
	data, err := p.Bytes()
	if err != nil {
		s.fault(w, err)
		return
	}
	code := http.StatusOK
	if p.Refused != "" {
		code = http.StatusConflict
	}
	send(w, r, code, data)
}

// send writes a page whole; one that the browser has is not sent again.
func send(w http.ResponseWriter, r *http.Request, code int, data []byte) {
	sum := sha256.Sum256(data)
	tag := `"` + hex.EncodeToString(sum[:12]) + `"`
	h := w.Header()
	h.Set("ETag", tag)
	h.Set("Content-Type", "text/html; charset=utf-8")
	if r.Method == http.MethodGet && code == http.StatusOK && strings.Contains(r.Header.Get("If-None-Match"), tag) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	h.Set("Content-Length", fmt.Sprint(len(data)))
	w.WriteHeader(code)
	_, _ = w.Write(data)
}

// notice is a page of words.
func (s *Server) notice(w http.ResponseWriter, code int, p pages.Stand) {
	p.Site = pages.Site{Made: s.opt.Now()}
	data, err := p.Bytes()
	if err != nil {
		http.Error(w, p.Title, code)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	_, _ = bytes.NewReader(data).WriteTo(w)
}

func (s *Server) refuse(w http.ResponseWriter, code int, why string) {
	p := pages.Stand{Title: "Rigkeep", Refused: why}
	if code != http.StatusUnauthorized && code != http.StatusMisdirectedRequest {
		p.Title, p.Up = "Library", page.Link{Text: "Library", Href: "/" + pages.Home}
	}
	s.notice(w, code, p)
}

// fault says what went wrong in the library's own words.
func (s *Server) fault(w http.ResponseWriter, err error) {
	code := http.StatusInternalServerError
	var e *store.Error
	switch {
	case errors.Is(err, store.ErrNotFound):
		code = http.StatusNotFound
	case errors.Is(err, store.ErrBusy), errors.Is(err, store.ErrChanged):
		code = http.StatusConflict
	case errors.As(err, &e) && e.Kind == store.ErrBadPath:
		code = http.StatusBadRequest
	}
	s.refuse(w, code, words(err))
}

// words are an error with what to do, as a sentence begins.
func words(err error) string {
	text := err.Error()
	var e *store.Error
	if errors.As(err, &e) && e.Hint != "" {
		text += ". " + e.Hint
	}
	r, n := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(r)) + text[n:]
}

// first is the beginning of a text, whole runes.
func first(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n])
	}
	return s
}
