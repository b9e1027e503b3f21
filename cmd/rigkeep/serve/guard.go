package serve

import (
	"crypto/subtle"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"rigkeep/diffview/page"
	"rigkeep/preset/photo"
)

// Limits of a request. A page at the stand is answered in milliseconds; what takes longer
// is a slow network or somebody who holds connections.
const (
	headerTime = 5 * time.Second
	readTime   = 20 * time.Second
	writeTime  = 30 * time.Second
	idleTime   = time.Minute
	uploadTime = 3 * time.Minute // for a photo over a weak network
	maxHeader  = 16 << 10        // bytes
	maxForm    = 64 << 10
	maxUpload  = photo.MaxFile + maxForm
	maxConns   = 512
	maxWords   = 200 // characters that are searched for
	maxTyped   = 2000
)

// guard refuses what a page of this server would not ask for.
//
// Host is held against the addresses that the server has, so that a name of somebody else
// that resolves to this machine (DNS rebinding) is not a way in. A change must come from a page
// of this server: browsers say so in Origin (RFC 6454), and each form carries the device's
// token besides.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", page.Policy(true)+"; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cache-Control", "private, no-cache")
		if !slices.Contains(s.opt.Hosts, strings.ToLower(r.Host)) {
			s.refuse(w, http.StatusMisdirectedRequest, "This server is not "+first(r.Host, 80)+". Open the address that rigkeep serve shows.")
			return
		}
		origin := r.Header.Get("Origin")
		ours := strings.EqualFold(origin, "http://"+r.Host)
		switch r.Method {
		case http.MethodGet, http.MethodHead:
			if site := r.Header.Get("Sec-Fetch-Site"); origin != "" && !ours || site == "cross-site" && r.Header.Get("Sec-Fetch-Mode") != "navigate" {
				s.refuse(w, http.StatusForbidden, "Another site asks for this page.")
				return
			}
			r.Body = http.MaxBytesReader(w, r.Body, 0)
		case http.MethodPost:
			if !ours {
				s.refuse(w, http.StatusForbidden, "This answer did not come from a page of this server, so nothing was done.")
				return
			}
		default:
			h.Set("Allow", "GET, POST")
			s.refuse(w, http.StatusMethodNotAllowed, "Only GET and POST are known here.")
			return
		}
		next.ServeHTTP(w, r)
	})
}

// paired lets in who has the cookie of a device and, with a change, its token. It reads the
// form, no more of it than a form may have.
func (s *Server) paired(next func(http.ResponseWriter, *http.Request, *device)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		d := s.pairs.of(r)
		if d == nil {
			s.refuse(w, http.StatusUnauthorized, "This browser is not paired. Scan the code that rigkeep serve shows, or type n there for a new one. A restart of rigkeep serve, a day, or r there ends a pairing; answers that wait on this phone are kept.")
			return
		}
		if r.Method == http.MethodPost && !s.form(w, r, d) {
			return
		}
		next(w, r, d)
	}
}

// form reads the form of a change and holds it against the device's token.
func (s *Server) form(w http.ResponseWriter, r *http.Request, d *device) bool {
	limit, upload := int64(maxForm), strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/form-data")
	if upload {
		limit = maxUpload
		_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(uploadTime))
		_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(uploadTime + writeTime))
	}
	r.Body = http.MaxBytesReader(w, r.Body, limit)
	err := r.ParseForm()
	if upload && err == nil {
		err = r.ParseMultipartForm(maxUpload)
	}
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		s.refuse(w, http.StatusRequestEntityTooLarge, fmt.Sprintf("More than %d kB were sent; nothing was done.", limit>>10))
	case err != nil:
		s.refuse(w, http.StatusBadRequest, "The form could not be read; nothing was done.")
	case d != nil && subtle.ConstantTimeCompare([]byte(r.PostForm.Get("token")), []byte(d.token)) != 1:
		s.refuse(w, http.StatusForbidden, "This form is not of this pairing, so nothing was done. Open the page anew.")
	default:
		return true
	}
	return false
}

// limited bounds how many connections are open.
type limited struct {
	net.Listener
	free chan struct{}
}

func (l *limited) Accept() (net.Conn, error) {
	l.free <- struct{}{}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.free
		return nil, err
	}
	return &counted{Conn: c, done: func() { <-l.free }}, nil
}

type counted struct {
	net.Conn
	once sync.Once
	done func()
}

func (c *counted) Close() error {
	c.once.Do(c.done)
	return c.Conn.Close()
}
