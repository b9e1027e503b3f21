package serve

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"rigkeep/diffview/pages"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Rules of pairing.
const (
	// MaxDevices is how many devices may be paired at once.
	MaxDevices = 8
	// CodeTime is how long a code may be used.
	CodeTime = 10 * time.Minute
	codeLen  = 10 // characters of base32, 50 bits
	maxTries = 20 // wrong codes before the present ones end
	stayTime = 24 * time.Hour
	maxName  = 80
)

// device is a browser that is paired.
type device struct {
	n     int
	who   store.Person
	what  string // "phone", from what the browser says of itself
	addr  string
	since time.Time
	seen  time.Time
	key   [sha256.Size]byte // of the cookie, which is not kept
	token string            // of its forms
	told  []string          // what came of its last answer, until a page shows it
	last  [2]string         // the question that it answered last, and how
}

// code lets one device in, once.
type code struct {
	text  string
	until time.Time
	own   bool // for the browser on this machine, which works as whoever serves
}

type pairing struct {
	now     func() time.Time
	mu      sync.Mutex
	codes   []code // at most one of each sort
	tries   int
	devices []*device
	last    int
}

// base32 has no letters that are taken for digits, as fingerprints have it.
var base32 = strings.ToUpper(preset.Alphabet)

func secret(n int) []byte {
	b := make([]byte, n)
	_, _ = rand.Read(b) // it does not fail
	return b
}

// NewCode makes a code for one more device; the one before ends.
func (s *Server) NewCode() string { return s.pairs.newCode(false) }

// OwnCode makes a code for the browser on this machine.
func (s *Server) OwnCode() string { return s.pairs.newCode(true) }

func (p *pairing) newCode(own bool) string {
	var b strings.Builder
	for _, x := range secret(codeLen) {
		b.WriteByte(base32[x%32])
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.drop(func(c code) bool { return c.own == own })
	p.tries = 0
	p.codes = append(p.codes, code{b.String(), p.now().Add(CodeTime), own})
	return b.String()
}

// drop takes codes away; the lock is held.
func (p *pairing) drop(gone func(code) bool) {
	var left []code
	for _, c := range p.codes {
		if !gone(c) {
			left = append(left, c)
		}
	}
	p.codes = left
}

// find is the code that was typed, not used up; the lock is held. Too many wrong ones end
// all of them.
func (p *pairing) find(text string) (code, bool) {
	text = strings.ToUpper(strings.ReplaceAll(text, "-", ""))
	now := p.now()
	p.drop(func(c code) bool { return now.After(c.until) })
	for _, c := range p.codes {
		if subtle.ConstantTimeCompare([]byte(c.text), []byte(text)) == 1 {
			return c, true
		}
	}
	if p.tries++; p.tries >= maxTries {
		p.codes = nil
	}
	return code{}, false
}

// add pairs a device with a code, which ends with it; false where no more fit.
func (p *pairing) add(c code, who store.Person, r *http.Request) (cookie string, d *device, ok bool) {
	if len(p.devices) >= MaxDevices {
		return "", nil, false
	}
	cookie = base64.RawURLEncoding.EncodeToString(secret(32))
	p.last++
	addr, _, _ := net.SplitHostPort(r.RemoteAddr)
	d = &device{n: p.last, who: who, what: kindOf(r.UserAgent()), addr: addr, since: p.now(), seen: p.now(), key: sha256.Sum256([]byte(cookie)), token: base64.RawURLEncoding.EncodeToString(secret(24))}
	p.devices = append(p.devices, d)
	p.drop(func(x code) bool { return x.text == c.text })
	return cookie, d, true
}

// kindOf is what sort of device a browser says it runs on.
func kindOf(agent string) string {
	switch a := strings.ToLower(agent); {
	case strings.Contains(a, "ipad"), strings.Contains(a, "tablet"):
		return "tablet"
	case strings.Contains(a, "mobile"), strings.Contains(a, "iphone"):
		return "phone"
	case a == "":
		return "program"
	}
	return "computer"
}

// of is the device of a request, nil where its cookie is of none.
func (p *pairing) of(r *http.Request) *device {
	c, err := r.Cookie(cookieName(r))
	if err != nil {
		return nil
	}
	key := sha256.Sum256([]byte(c.Value))
	p.mu.Lock()
	defer p.mu.Unlock()
	for i, d := range p.devices {
		if subtle.ConstantTimeCompare(d.key[:], key[:]) == 1 {
			if p.now().Sub(d.since) > stayTime {
				p.devices = append(p.devices[:i], p.devices[i+1:]...)
				return nil
			}
			d.seen = p.now()
			return d
		}
	}
	return nil
}

// cookieName has the port in it: cookies are of a host, whichever port.
func cookieName(r *http.Request) string {
	_, port, _ := net.SplitHostPort(r.Host)
	return "rigkeep-" + port
}

// told is what a page of the device has to say, once.
func (p *pairing) told(d *device) []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := d.told
	d.told = nil
	return out
}

// Devices says which devices are paired, a line each.
func (s *Server) Devices() []string {
	s.pairs.mu.Lock()
	defer s.pairs.mu.Unlock()
	var out []string
	for _, d := range s.pairs.devices {
		out = append(out, fmt.Sprintf("%d  %s <%s>, %s at %s, seen %s", d.n, safe.Line(d.who.Name), safe.Line(d.who.Email), d.what, d.addr, schema.SayClock(d.seen, nil)))
	}
	return out
}

// Revoke ends the pairing of a device, by the number that Devices gives it.
func (s *Server) Revoke(n int) bool {
	s.pairs.mu.Lock()
	defer s.pairs.mu.Unlock()
	for i, d := range s.pairs.devices {
		if d.n == n {
			s.pairs.devices = append(s.pairs.devices[:i], s.pairs.devices[i+1:]...)
			return true
		}
	}
	return false
}

const (
	codeGone = "This code was used, has run out, or is none. Type n where rigkeep serve runs for a new one."
	tooMany  = "Eight devices are paired already. Type l where rigkeep serve runs for the list, and r with a number to end one."
)

// showPairing asks for a name and an address. The browser on this machine is let in at once,
// as whoever serves.
func (s *Server) showPairing(w http.ResponseWriter, r *http.Request) {
	s.pairs.mu.Lock()
	defer s.pairs.mu.Unlock()
	c, ok := s.pairs.find(r.PathValue("code"))
	switch {
	case !ok:
		s.refuse(w, http.StatusForbidden, codeGone)
	case c.own && isLoopback(r.RemoteAddr):
		s.enter(w, r, c, s.opt.Who)
	default:
		s.askPairing(w, http.StatusOK, "", "", "")
	}
}

func isLoopback(addr string) bool {
	host, _, _ := net.SplitHostPort(addr)
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

func (s *Server) askPairing(w http.ResponseWriter, status int, refused, name, mail string) {
	s.notice(w, status, pages.Stand{Title: "Pair this device", Refused: refused,
		Lines: []string{"Who works here? Revisions that you save are under this name and address."},
		Forms: []pages.Form{{Fields: []pages.Field{{Name: "name", Label: "Name or role", Value: name, Kind: "text"}, {Name: "mail", Label: "Mail address", Value: mail, Kind: "email"}},
			Buttons: []pages.Button{{Value: "pair", Word: "Pair", Size: "main"}}},
		}})
}

// pair takes the name and address and lets the device in.
func (s *Server) pair(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r, nil) {
		return
	}
	s.pairs.mu.Lock()
	defer s.pairs.mu.Unlock()
	c, ok := s.pairs.find(r.PathValue("code"))
	if !ok {
		s.refuse(w, http.StatusForbidden, codeGone)
		return
	}
	name, mail := strings.TrimSpace(r.PostForm.Get("name")), strings.TrimSpace(r.PostForm.Get("mail"))
	who, err := store.ParsePerson(name + " <" + mail + ">")
	if err != nil || !strings.Contains(mail, "@") || len(name) > maxName || len(mail) > maxName || name != safe.Line(name) || mail != safe.Line(mail) {
		s.askPairing(w, http.StatusBadRequest, fmt.Sprintf("Write a name or role and a mail address, each of at most %d letters.", maxName), first(name, maxName), first(mail, maxName))
		return
	}
	s.enter(w, r, c, who)
}

// enter pairs the device and gives it its cookie; the lock is held.
func (s *Server) enter(w http.ResponseWriter, r *http.Request, c code, who store.Person) {
	cookie, d, ok := s.pairs.add(c, who, r)
	if !ok {
		s.refuse(w, http.StatusForbidden, tooMany)
		return
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName(r), Value: cookie, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: int(stayTime.Seconds())})
	s.opt.Told(fmt.Sprintf("paired %d: %s <%s>, %s at %s", d.n, safe.Line(who.Name), safe.Line(who.Email), d.what, d.addr))
	http.Redirect(w, r, "/"+pages.Home, http.StatusSeeOther)
}
