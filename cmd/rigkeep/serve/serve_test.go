package serve

import (
	"bytes"
	"context"
	"fmt"
	"html"
	"image"
	"image/jpeg"
	"io"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"rigkeep/diffview/pages"
	"rigkeep/preset"
	"rigkeep/preset/bench"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

var (
	technician = store.Person{Name: "Stabiliser technician", Email: "technician@example.org"}
	operator   = store.Person{Name: "Second operator", Email: "second@example.org"}
)

// desk is a server over a library with one gimbal, two units and one rig with a tune.
type desk struct {
	t    testing.TB
	dir  string
	fp   string
	s    *Server
	addr string
	mu   sync.Mutex
	now  time.Time
}

const hostile = `<script>alert(1)</script> & "quoted" it's`

func newDesk(t testing.TB) *desk {
	t.Helper()
	k := &desk{t: t, dir: filepath.Join(t.TempDir(), "lib"), now: time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)}
	files, err := library.NewFiles(schema.Default(), "Shop", "kg", "mm")
	if err != nil {
		t.Fatal(err)
	}
	sheet, err := os.ReadFile(filepath.Join("..", "..", "..", "examples", "gimbals", "quay-large.toml"))
	if err != nil {
		t.Fatal(err)
	}
	r := preset.Rig{Gimbal: "quay-large", Parts: []preset.Part{{Slot: "body", Name: "Body", Mass: 2}}}
	k.fp = r.Fingerprint()
	files = append(files, store.File{Path: preset.GimbalPath("quay-large"), Data: sheet},
		store.File{Path: preset.UnitPath("quay-large", "QL-0031"), Data: []byte("format = 1\nkind = \"unit\"\nlabel = \"Large A\"\nfirmware = \"2.4\"\ntrouble = '''" + hostile + "'''\n")},
		store.File{Path: preset.UnitPath("quay-large", "QL-0044"), Data: []byte("format = 1\nkind = \"unit\"\n")},
		store.File{Path: preset.RigPath(k.fp), Data: []byte("format = 1\nkind = \"rig\"\nalias = \"rail-35\"\ngimbal = \"quay-large\"\n[[part]]\nslot = \"body\"\nname = \"Body\"\nmass_kg = 2\nshape = \"box\"\nsize_mm = [120, 100, 100]\nplace_mm = [0, 0, 0]\n")},
		store.File{Path: preset.TunePath(k.fp, "main"), Data: []byte("format = 1\nkind = \"tune\"\nrig = \"" + k.fp + "\"\n[stiffness]\npan = 30\ntilt = 26\nroll = 25\n[filters]\nsensing = 3\ndrive = 2\n")})
	if _, err := store.Init(k.dir, files, technician, k.now); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	k.addr = l.Addr().String()
	k.s = New(Options{
		Open: func() (*library.Library, error) { return k.open() },
		Page: func(_ *library.Library, name, words string) ([]byte, bool, error) {
			return []byte("<p>" + html.EscapeString(words) + "</p>"), name == pages.Home || name == pages.File("rig", "rail-35"), nil
		},
		Site: func(*library.Library) pages.Site { return pages.Site{Library: "Shop", Live: true} },
		Save: func(ctx context.Context, l *library.Library, p *library.Plan, subject, body string, who store.Person) (store.Rev, error) {
			return l.Plans().Commit(ctx, p, subject, body, who, k.clock())
		},
		Now: k.clock, Who: technician, Hosts: []string{k.addr},
	})
	done := make(chan struct{})
	go func() { _ = k.s.Serve(l); close(done) }()
	t.Cleanup(func() { k.s.Close(); <-done })
	return k
}

func (k *desk) clock() time.Time {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.now = k.now.Add(time.Millisecond)
	return k.now
}

func (k *desk) later(d time.Duration) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.now = k.now.Add(d)
}

func (k *desk) open() (*library.Library, error) {
	l, err := library.Open(k.dir, schema.Default(), store.Options{Committer: technician})
	if err == nil {
		l.Zone, l.Now = time.UTC, k.clock
	}
	return l, err
}

func (k *desk) lib() *library.Library {
	l, err := k.open()
	if err != nil {
		k.t.Fatal(err)
	}
	return l
}

// phone is a browser.
type phone struct {
	k *desk
	c *http.Client
	// the page as it is shown
	code int
	page string
	at   string
}

func (k *desk) phone() *phone {
	jar, _ := cookiejar.New(nil)
	return &phone{k: k, c: &http.Client{Jar: jar, Timeout: 20 * time.Second}}
}

// pairedPhone is a phone of a person who works here.
func (k *desk) pairedPhone(who store.Person) *phone {
	k.t.Helper()
	p := k.phone()
	code := k.s.NewCode()
	p.get("/p/" + code)
	if p.post("/p/"+code, "name", who.Name, "mail", who.Email); p.code != 200 {
		k.t.Fatalf("pairing: %d\n%s", p.code, p.text())
	}
	return p
}

func (p *phone) do(r *http.Request) {
	p.k.t.Helper()
	res, err := p.c.Do(r)
	if err != nil {
		p.k.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		p.k.t.Fatal(err)
	}
	p.code, p.page, p.at = res.StatusCode, string(b), res.Request.URL.RequestURI()
}

func (p *phone) get(at string) {
	p.k.t.Helper()
	r, err := http.NewRequest("GET", "http://"+p.k.addr+at, nil)
	if err != nil {
		p.k.t.Fatal(err)
	}
	p.do(r)
}

func (p *phone) hidden(name string) string {
	m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(p.page)
	if m == nil {
		return ""
	}
	return html.UnescapeString(m[1])
}

// form is what a page's form would send, with further fields.
func (p *phone) form(fields ...string) url.Values {
	v := url.Values{"token": {p.hidden("token")}, "id": {p.hidden("id")}}
	for i := 0; i+1 < len(fields); i += 2 {
		v[fields[i]] = append(v[fields[i]], fields[i+1])
	}
	return v
}

func (p *phone) request(at string, v url.Values) *http.Request {
	r, err := http.NewRequest("POST", "http://"+p.k.addr+at, strings.NewReader(v.Encode()))
	if err != nil {
		p.k.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", "http://"+p.k.addr)
	return r
}

// post answers the page that is shown.
func (p *phone) post(at string, fields ...string) {
	p.k.t.Helper()
	p.do(p.request(at, p.form(fields...)))
}

func (p *phone) answer(do string, fields ...string) {
	p.k.t.Helper()
	p.post(p.at, append([]string{"do", do}, fields...)...)
}

var tags = regexp.MustCompile(`<[^>]*>`)

func (p *phone) text() string {
	m := regexp.MustCompile(`(?s)<main>(.*)</main>`).FindStringSubmatch(p.page)
	if m == nil {
		return p.page
	}
	return strings.Join(strings.Fields(html.UnescapeString(tags.ReplaceAllString(m[1], " "))), " ")
}

func (p *phone) has(words ...string) {
	p.k.t.Helper()
	for _, w := range words {
		if !strings.Contains(p.text(), w) {
			p.k.t.Fatalf("%d: the page lacks %q:\n%s", p.code, w, p.text())
		}
	}
}

// steps is how many answers of the open session are on disk, by a library of its own.
func (k *desk) steps() int {
	k.t.Helper()
	_, s := k.session()
	if s == nil {
		return 0
	}
	return len(s.Log.Steps)
}

func (k *desk) session() (*library.Library, *library.Session) {
	k.t.Helper()
	l := k.lib()
	d, err := l.Names().Load("rail-35", false)
	if err != nil {
		k.t.Fatal(err)
	}
	s, err := l.Sessions().Open(d)
	if err != nil {
		k.t.Fatal(err)
	}
	return l, s
}

func (k *desk) head() *store.Commit {
	k.t.Helper()
	l := k.lib()
	rev, err := l.Store.Head()
	if err != nil {
		k.t.Fatal(err)
	}
	c, err := l.Store.Revisions().Commit(rev)
	if err != nil {
		k.t.Fatal(err)
	}
	return c
}

// What a page of this server would not ask for is refused, and nothing is done.
func TestAttacks(t *testing.T) {
	k := newDesk(t)
	p := k.pairedPhone(operator)
	other := k.pairedPhone(store.Person{Name: "Third", Email: "third@example.org"})
	other.get("/bench-rail-35.html")
	p.get("/bench-rail-35.html")
	p.answer("begin", "unit", "QL-0031")
	at, good := p.at, p.form("do", "clean")
	head := k.head().ID
	base := "http://" + k.addr
	change := func(edit func(*http.Request)) func() *http.Request {
		return func() *http.Request {
			r := p.request(at, good)
			edit(r)
			return r
		}
	}
	form := func(edit func(url.Values)) func() *http.Request {
		return func() *http.Request {
			v := url.Values{}
			for key, x := range good {
				v[key] = append([]string(nil), x...)
			}
			edit(v)
			return p.request(at, v)
		}
	}
	read := func(path string) func() *http.Request {
		return func() *http.Request {
			r, err := http.NewRequest("GET", base+"/", nil)
			if err != nil {
				t.Fatal(err)
			}
			r.URL.Opaque = "//" + k.addr + path // as it stands
			return r
		}
	}
	none := func() *http.Client { return &http.Client{} }
	for _, c := range []struct {
		name   string
		want   []int
		r      func() *http.Request
		client *http.Client
	}{
		{"another host by name", []int{421}, change(func(r *http.Request) { r.Host = "evil.example" }), nil},
		{"another host that resolves here", []int{421}, change(func(r *http.Request) { _, port, _ := net.SplitHostPort(k.addr); r.Host = "rebound.example:" + port }), nil},
		{"another origin", []int{403}, change(func(r *http.Request) { r.Header.Set("Origin", "http://evil.example") }), nil},
		{"origin of another port", []int{403}, change(func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:1") }), nil},
		{"no origin", []int{403}, change(func(r *http.Request) { r.Header.Del("Origin") }), nil},
		{"origin null", []int{403}, change(func(r *http.Request) { r.Header.Set("Origin", "null") }), nil},
		{"reading from another origin", []int{403}, func() *http.Request {
			r := read("/index.html")()
			r.Header.Set("Origin", "http://evil.example")
			return r
		}, nil},
		{"a picture on another site", []int{403}, func() *http.Request {
			r := read("/index.html")()
			r.Header.Set("Sec-Fetch-Site", "cross-site")
			r.Header.Set("Sec-Fetch-Mode", "no-cors")
			return r
		}, nil},
		{"no token", []int{403}, form(func(v url.Values) { v.Del("token") }), nil},
		{"token of another device", []int{403}, form(func(v url.Values) { v.Set("token", other.hidden("token")) }), nil},
		{"token twice", []int{403}, form(func(v url.Values) { v["token"] = []string{"", v.Get("token")} }), nil},
		{"token in the address", []int{403}, func() *http.Request {
			r := form(func(v url.Values) { v.Del("token") })()
			r.URL.RawQuery += "&token=" + url.QueryEscape(good.Get("token"))
			return r
		}, nil},
		{"no cookie", []int{401}, change(func(r *http.Request) {}), none()},
		{"a cookie of nobody", []int{401}, change(func(r *http.Request) { r.AddCookie(&http.Cookie{Name: cookieName(r), Value: "x"}) }), none()},
		{"reading without a cookie", []int{401}, read("/index.html"), none()},
		{"events without a cookie", []int{401}, read("/events?at=bench-rail-35.html"), none()},
		{"a change by GET", []int{200}, read("/bench-rail-35.html?unit=QL-0031&do=clean&token=" + url.QueryEscape(good.Get("token"))), nil},
		{"another method", []int{405}, change(func(r *http.Request) { r.Method = "DELETE" }), nil},
		{"a form of 10 MB", []int{413}, form(func(v url.Values) { v.Set("text", strings.Repeat("x", 10<<20)) }), nil},
		{"a form without end", []int{413}, func() *http.Request {
			r := change(func(*http.Request) {})()
			r.Body, r.ContentLength = io.NopCloser(io.LimitReader(zeros{}, 1<<20)), -1
			return r
		}, nil},
		{"a head of 64 kB", []int{431}, change(func(r *http.Request) { r.Header.Set("X-Long", strings.Repeat("x", 64<<10)) }), nil},
		{"an upload of 50 MB", []int{413}, func() *http.Request {
			r := p.request("/photo-rail-35.html", nil)
			r.Header.Set("Content-Type", "multipart/form-data; boundary=b")
			r.Body, r.ContentLength = io.NopCloser(io.MultiReader(strings.NewReader("--b\r\nContent-Disposition: form-data; name=\"photo\"; filename=\"x.jpg\"\r\n\r\n"), io.LimitReader(zeros{}, 50<<20))), -1
			return r
		}, nil},
		{"a form that is none", []int{400}, func() *http.Request {
			r := change(func(*http.Request) {})()
			r.Body, r.ContentLength = io.NopCloser(strings.NewReader("%zz=%")), -1
			return r
		}, nil},
		{"up the folders", []int{404, 307, 301}, read("/../../../../etc/passwd"), nil},
		{"up the folders, written otherwise", []int{404}, read("/..%2f..%2flibrary.toml"), nil},
		{"up the folders as a rig", []int{404}, read("/bench-..%2f..%2flibrary.html"), nil},
		{"up the folders by number", []int{404}, read("/bench-_2e__2e__2f_library.html"), nil},
		{"up the folders as a unit", []int{404, 400}, read("/bench-rail-35.html?unit=..%2f..%2flibrary"), nil},
		{"a rig at a moment", []int{404, 400}, read("/bench-rail-35_40_~1.html"), nil},
		{"git's own files", []int{404}, read("/.git"), nil},
		{"a file of the library", []int{404}, read("/library.toml"), nil},
		{"a zero byte", []int{404, 400}, read("/bench-%00.html"), nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			client := c.client
			if client == nil {
				client = p.c
			}
			client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
			defer func() { client.CheckRedirect = nil }()
			res, err := client.Do(c.r())
			if err != nil {
				// a server that refuses a long body may end the connection before all of it went out
				if c.want[0] == 413 {
					return
				}
				t.Fatal(err)
			}
			body, _ := io.ReadAll(res.Body)
			res.Body.Close()
			ok := false
			for _, w := range c.want {
				ok = ok || w == res.StatusCode
			}
			if !ok {
				t.Errorf("%d, want %v\n%s", res.StatusCode, c.want, body)
			}
			if bytes.Contains(body, []byte("root:")) || bytes.Contains(body, []byte("kind = ")) {
				t.Errorf("a file came out:\n%s", body)
			}
			if n := k.steps(); n != 0 {
				t.Fatalf("%d answers were noted", n)
			}
		})
	}
	if k.head().ID != head {
		t.Error("a revision was made")
	}
	if p.do(p.request(at, good)); p.code != 200 || k.steps() != 1 {
		t.Errorf("the same form as it should be: %d, %d answers", p.code, k.steps())
	}
}

type zeros struct{}

func (zeros) Read(b []byte) (int, error) { return len(b), nil }

// A code lets one device in, once, for ten minutes; eight are the most.
func TestPairing(t *testing.T) {
	k := newDesk(t)
	p := k.phone()
	code := k.s.NewCode()
	for _, bad := range [][2]string{{"", "a@b"}, {"A", ""}, {"A", "nobody"}, {"A\nB", "a@example.org"}, {"A\u202eB", "a@example.org"}, {"A <x>", "a@example.org"}, {strings.Repeat("x", 81), "a@example.org"}, {"A", "a b@example.org"}} {
		if p.post("/p/"+code, "name", bad[0], "mail", bad[1]); p.code != 400 {
			t.Errorf("%q: %d", bad, p.code)
		}
	}
	if p.post("/p/"+strings.ToLower(code), "name", hostile[8:14], "mail", "x@example.org"); p.code != 200 || p.at != "/"+pages.Home {
		t.Fatalf("%d at %s\n%s", p.code, p.at, p.text())
	}
	q := k.phone()
	if q.get("/p/" + code); q.code != 403 {
		t.Errorf("a used code: %d", q.code)
	}
	if q.post("/p/"+code, "name", "A", "mail", "a@example.org"); q.code != 403 {
		t.Errorf("a used code again: %d", q.code)
	}
	code = k.s.NewCode()
	k.later(CodeTime + time.Second)
	if q.post("/p/"+code, "name", "A", "mail", "a@example.org"); q.code != 403 {
		t.Errorf("an old code: %d", q.code)
	}
	code = k.s.NewCode()
	for range maxTries {
		q.get("/p/0000000000")
	}
	if q.get("/p/" + code); q.code != 403 {
		t.Errorf("a code after %d guesses: %d", maxTries, q.code)
	}
	old := k.s.NewCode()
	k.s.NewCode()
	if q.get("/p/" + old); q.code != 403 {
		t.Errorf("a code after a newer one: %d", q.code)
	}
	if q.get("/p/" + k.s.OwnCode()); q.code != 200 || len(k.s.Devices()) != 2 {
		t.Errorf("the browser on this machine: %d, %q", q.code, k.s.Devices())
	}
	for range MaxDevices - 2 {
		k.pairedPhone(operator)
	}
	last := k.phone()
	code = k.s.NewCode()
	if last.post("/p/"+code, "name", "A", "mail", "a@example.org"); last.code != 403 || len(k.s.Devices()) != MaxDevices {
		t.Errorf("device %d: %d", MaxDevices+1, last.code)
	}
	if k.s.Revoke(99) || !k.s.Revoke(1) {
		t.Error("revoking")
	}
	if p.get("/" + pages.Home); p.code != 401 {
		t.Errorf("a revoked device: %d", p.code)
	}
	if last.post("/p/"+code, "name", "A", "mail", "a@example.org"); last.code != 200 {
		t.Errorf("after one was revoked: %d", last.code)
	}
	k.later(stayTime)
	if last.get("/" + pages.Home); last.code != 401 {
		t.Errorf("a device of yesterday: %d", last.code)
	}
	if isLoopback("192.168.1.4:80") || !isLoopback("127.0.0.1:80") || !isLoopback("[::1]:80") {
		t.Error("which addresses are this machine")
	}
}

// Two hundred connections that send nothing hold nobody up, and are ended.
func TestSlowConnections(t *testing.T) {
	k := newDesk(t)
	p := k.pairedPhone(operator)
	var slow []net.Conn
	for range 200 {
		c, err := net.Dial("tcp", k.addr)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if _, err := io.WriteString(c, "POST /bench-rail-35.html HTTP/1.1\r\nHost: "+k.addr+"\r\nX-Slow: "); err != nil {
			t.Fatal(err)
		}
		slow = append(slow, c)
	}
	began := time.Now()
	if p.get("/" + pages.Home); p.code != 200 {
		t.Fatal(p.code)
	}
	if d := time.Since(began); d > 3*time.Second {
		t.Errorf("answered after %s", d)
	}
	for _, c := range slow {
		_ = c.SetReadDeadline(began.Add(headerTime * 3))
		if _, err := io.ReadAll(c); err != nil {
			t.Fatalf("a slow connection is still open: %v", err)
		}
	}
}

// begun is a bench session before its first look, its balance not recorded.
func (p *phone) begun() {
	p.k.t.Helper()
	p.get("/bench-rail-35.html")
	p.has("Unit on the stand", "Powered motors pinch")
	p.answer("begin", "unit", "QL-0031")
	p.has("No balance record of today")
}

// A session at the phone: each answer is on disk before the next question, a second answer
// to one question is refused and shown, a connection that was cut loses nothing, and the
// terminal goes on where the phone stopped. Then it is saved under the phone's name.
func TestBench(t *testing.T) {
	k := newDesk(t)
	p := k.pairedPhone(operator)
	p.begun()
	p.has("rail-35 on QL-0031", "axis 1 of 3", "set tilt to", "Keep a hand at the motor switch")
	n := k.steps()
	was := p.form("do", "clean")
	at := p.at
	began := time.Now()
	p.answer("clean")
	t.Logf("an answer and the next page took %s", time.Since(began))
	if k.steps() != n+1 {
		t.Fatalf("%d answers on disk, want %d", k.steps(), n+1)
	}
	p.has(fmt.Sprintf("answer %d saved", n+1), "clean up to")

	// the same answer sent again, as by a phone that never heard of the first
	p.do(p.request(at, was))
	p.has("That answer is saved already")
	// another answer to the same question, and one from another device
	was.Set("do", "chatter")
	if p.do(p.request(at, was)); p.code != 409 {
		t.Errorf("a second answer: %d", p.code)
	}
	p.has("Answered already", "The last answer on record: clean at tilt", "set tilt to")
	q := k.pairedPhone(technician)
	q.get(at)
	same := q.form("do", "clean")
	p.get(at)
	p.answer("clean")
	if q.do(q.request(at, same)); q.code != 409 {
		t.Errorf("an answer from a page that is behind: %d", q.code)
	}
	if k.steps() != n+2 {
		t.Fatalf("%d answers on disk, want %d", k.steps(), n+2)
	}

	// the connection is cut when the answer has gone out
	p.get(at)
	r := p.request(at, p.form("do", "chatter", "hz", "19,5"))
	c, err := net.Dial("tcp", k.addr)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range p.c.Jar.Cookies(r.URL) {
		r.AddCookie(x)
	}
	if err := r.Write(c); err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(5 * time.Second); k.steps() != n+3; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%d answers on disk, want %d", k.steps(), n+3)
		}
	}
	c.Close()
	p.get(at)
	p.has(fmt.Sprintf("answer %d saved", n+3), "19.5 Hz")

	// what is not an answer says so and notes nothing
	for _, bad := range [][]string{{"nonsense"}, {"clean", "hz", "x"}, {"chatter", "hz", "-4"}, {"chatter", "hz", "NaN"}, {"other", "value", "1e9", "saw", "clean"}, {"other", "value", "40", "saw", "effort"}, {"note", "text", "  "}, {"save"}, {"keep"}, {"effort", "effort", "1"}} {
		p.get(at)
		p.answer(bad[0], bad[1:]...)
		if bad[0] == "clean" { // a frequency is only read with an oscillation
			if p.code != 200 {
				t.Errorf("%q: %d", bad, p.code)
			}
			p.answer("undo")
			continue
		}
		if p.code != 409 {
			t.Errorf("%q: %d\n%s", bad, p.code, p.text())
		}
	}
	n = k.steps()
	p.get(at)
	p.answer("note", "text", hostile)
	if p.get(at); strings.Contains(p.page, "<script>alert") || k.steps() != n+1 {
		t.Errorf("a note: %d answers", k.steps())
	}

	// the terminal is kept out while the phone is at it, and goes on when it has gone
	l, s := k.session()
	if _, err := l.Units().LockStand(k.fp); err == nil {
		t.Error("the terminal could begin beside the phone")
	}
	k.s.stands.free()
	release, err := l.Units().LockStand(k.fp)
	if err != nil {
		t.Fatal(err)
	}
	p.get(at)
	p.has("on the stand in another window")
	if p.answer("clean"); p.code != 409 {
		t.Errorf("an answer while the terminal is at it: %d", p.code)
	}
	if err := l.Sessions().Answer(context.Background(), s, bench.Event{Saw: bench.Clean}, k.clock()); err != nil {
		t.Fatal(err)
	}
	release()

	// and back to the phone, to the end
	for i := 0; !strings.Contains(p.text(), "Save tune and session"); i++ {
		if i > 80 {
			t.Fatalf("no end:\n%s", p.text())
		}
		p.get(at)
		switch {
		case strings.Contains(p.text(), "handheld"):
			p.answer("clean")
		case strings.Contains(p.text(), "oscillated at"):
			p.answer("keep")
		case strings.Contains(p.text(), "axis 1 of 3"):
			p.answer("clean")
		default:
			if p.answer("skip"); strings.Contains(p.text(), "set pan to") {
				p.answer("skip")
			}
		}
	}
	// a value nearer the onset is kept by name, and tried handheld before anything is saved
	p.has("Keep a value nearer the onset", "leaves less margin")
	room := regexp.MustCompile(`(tilt|roll|pan) ([0-9.]+) to ([0-9.]+)`).FindStringSubmatch(p.text())
	if room == nil {
		t.Fatalf("no room for a nearer value:\n%s", p.text())
	}
	for _, bad := range [][]string{{}, {"axis", room[1]}, {"axis", room[1], "value", "1e9"}, {"axis", "yaw", "value", room[2]}} {
		if p.answer("nearer", bad...); p.code != 409 {
			t.Errorf("nearer %q: %d", bad, p.code)
		}
	}
	p.get(at)
	p.answer("nearer", "axis", room[1], "value", room[2])
	p.has("handheld 1 of", room[1]+" "+room[2])
	for range 3 {
		if !strings.Contains(p.text(), "Save tune and session") {
			p.answer("clean")
		}
	}
	head := k.head().ID
	p.answer("save", "why", "Session at the quay")
	if p.code != 200 || p.at != "/"+pages.File("rig", "rail-35") {
		t.Fatalf("saving: %d at %s\n%s", p.code, p.at, p.text())
	}
	h := k.head()
	if h.ID == head || h.Subject != "Session at the quay" || h.Author != operator {
		t.Errorf("saved %q by %v", h.Subject, h.Author)
	}
	raw, err := exec.Command("git", "-C", k.dir, "log", "-1", "--format=%an|%ae|%cn|%ce").Output()
	if err != nil || !strings.HasPrefix(string(raw), "Second operator|second@example.org|Stabiliser technician|technician@example.org\n") {
		t.Errorf("author and committer: %s", raw)
	}
	if d, err := k.lib().Names().Load("rail-35", true); err != nil || d.Tune.Values["stiffness.tilt"] == 26.0 {
		t.Errorf("the tune: %v, %v", d, err)
	}
	if d, err := k.lib().Names().Load("rail-35", true); err != nil || schema.Num(d.Tune.Values["stiffness."+room[1]].(float64)) != room[2] {
		t.Errorf("the nearer value %q: %v, %v", room, d, err)
	}

	// after a rebuild the tune's values are looked at handheld; the session ends without a value
	p.get("/bench-rail-35.html")
	p.answer("recheck", "unit", "QL-0031")
	p.has("handheld 1 of", "Keep a hand at the motor switch")
	p.answer("clean")
	p.has("handheld 2 of", "answer 1 saved")
	if _, s := k.session(); s == nil || !s.Log.Plan.IsRecheck() {
		t.Error("the session is no recheck")
	}
	head = k.head().ID
	p.answer("end")
	if p.at != "/"+pages.File("rig", "rail-35") || k.head().ID != head {
		t.Errorf("the end: at %s", p.at)
	}
	if _, s := k.session(); s != nil {
		t.Error("the session is still open")
	}
}

// A balance at the phone, step by step, saved as one revision.
func TestBalance(t *testing.T) {
	k := newDesk(t)
	p := k.pairedPhone(operator)
	p.get("/balance-rail-35.html")
	p.has("Power off", "Unit on the stand")
	p.answer("begin", "unit", "QL-0044")
	p.has("rail-35 on QL-0044", "step 1 of", "Camera level, let go of it gently")
	at, first := p.at, p.form("do", "mark", "mm", "59")
	if p.answer("mark", "mm", "9000"); p.code != 409 {
		t.Errorf("a mark off the scale: %d", p.code)
	}
	if p.answer("mark", "mm", hostile); p.code != 409 || strings.Contains(p.page, "<script>alert") {
		t.Errorf("a mark that is none: %d", p.code)
	}
	p.answer("mark", "mm", "58,5")
	p.has("1 answer saved", "✓ 58.5 mm")
	if p.do(p.request(at, first)); p.code != 409 {
		t.Errorf("a second answer to the first step: %d", p.code)
	}
	p.get(at)
	p.answer("skip")
	p.has("left out")
	p.get(at + "&step=0") // once more
	p.answer("mark", "mm", "59")
	p.has("✓ 59 mm")

	// what is seen leads to the next mark to try, and is no answer: on by the same step, back
	// by half of it
	p.get(at + "&step=0")
	p.has("Stays at 59 mm", "to 58 mm, back", "to 60 mm, forward")
	p.get("/balance-rail-35.html?unit=QL-0044&step=0&try=58&by=1&way=back")
	p.has("Stays at 58 mm", "1 mm back", "to 57 mm, back", "to 59 mm, forward")
	p.get("/balance-rail-35.html?unit=QL-0044&step=0&try=9000&by=1&way=%3Cscript%3E")
	p.has("Stays at 59 mm")
	p.get(at)
	head := k.head().ID
	for i := 0; !strings.Contains(p.text(), "Save the balance"); i++ {
		if i > 12 {
			t.Fatalf("no end:\n%s", p.text())
		}
		if strings.Contains(p.text(), "Keep the reading") {
			p.answer("effort", "effort", "2.8/1.2")
		} else {
			p.answer("mark", "mm", "10")
		}
	}
	if k.head().ID != head {
		t.Error("saved before its end")
	}
	if p.answer("save", "why", ""); p.code != 200 {
		t.Fatalf("saving: %d\n%s", p.code, p.text())
	}
	if h := k.head(); h.Subject != "Balance of rail-35 on QL-0044" || h.Author != operator || !strings.Contains(h.Body, "plate 59 mm") {
		t.Errorf("saved %q by %v:\n%s", h.Subject, h.Author, h.Body)
	}
}

// Values ticked off go into the unit's record; a photo goes to its rig.
func TestLoadAndPhoto(t *testing.T) {
	k := newDesk(t)
	p := k.pairedPhone(operator)
	p.get("/load-rail-35.html")
	p.answer("begin", "unit", "QL-0031")
	p.has("rail-35 to QL-0031", "What QL-0031 holds is not on record")
	if strings.Contains(p.page, "<script>alert") {
		t.Error("the unit's trouble is markup on the page")
	}
	at, all := p.at, p.form("do", "record", "key", "stiffness.pan", "key", "stiffness.tilt", "key", "stiffness.roll", "key", "filters.sensing", "key", "filters.drive")
	if p.answer("record"); p.code != 409 {
		t.Errorf("nothing ticked: %d", p.code)
	}
	p.get(at)
	p.answer("record", "key", "stiffness.pan", "key", "no.such.key")
	u, err := k.lib().Units().Find("QL-0031")
	if err != nil {
		t.Fatal(err)
	}
	if h, ok := u.Holds(0); !ok || h.Rig != "" || len(h.Values) != 1 || h.By != operator.Name {
		t.Errorf("in part: %+v", h)
	}
	if p.do(p.request(at, all)); p.code != 409 {
		t.Errorf("from a list that is behind: %d", p.code)
	}
	p.get(at)
	p.has("4 values differ from what QL-0031 holds")
	p.do(p.request(at, p.form("do", "record", "key", "stiffness.tilt", "key", "stiffness.roll", "key", "filters.sensing", "key", "filters.drive")))
	if u, err = k.lib().Units().Find("QL-0031"); err != nil {
		t.Fatal(err)
	}
	if h, _ := u.Holds(0); h.Rig != k.fp || k.head().Subject != "Load rail-35 on QL-0031" {
		t.Errorf("all of it: %+v, %q", h, k.head().Subject)
	}

	send := func(data []byte) {
		p.get("/photo-rail-35.html")
		var b bytes.Buffer
		m := multipart.NewWriter(&b)
		_ = m.WriteField("token", p.hidden("token"))
		_ = m.WriteField("do", "add")
		w, err := m.CreateFormFile("photo", "../../"+hostile)
		if err != nil {
			t.Fatal(err)
		}
		_, _ = w.Write(data)
		m.Close()
		r := p.request("/photo-rail-35.html", nil)
		r.Body, r.ContentLength = io.NopCloser(&b), int64(b.Len())
		r.Header.Set("Content-Type", m.FormDataContentType())
		p.do(r)
	}
	if send([]byte("no picture")); p.code != 409 || strings.Contains(p.page, "<script>alert") {
		t.Errorf("no picture: %d", p.code)
	}
	var pic bytes.Buffer
	if err := jpeg.Encode(&pic, image.NewGray(image.Rect(0, 0, 64, 48)), nil); err != nil {
		t.Fatal(err)
	}
	if send(pic.Bytes()); p.code != 200 || k.head().Author != operator {
		t.Fatalf("a photo: %d\n%s", p.code, p.text())
	}
	l := k.lib()
	rr, err := l.Names().Find("rail-35")
	if err != nil {
		t.Fatal(err)
	}
	if list, err := l.Photos().List(rr); err != nil || len(list) != 1 {
		t.Errorf("photos: %v, %v", list, err)
	}
	pic.Reset()
	if err := jpeg.Encode(&pic, image.NewGray(image.Rect(0, 0, 48, 64)), nil); err != nil {
		t.Fatal(err)
	}
	send(pic.Bytes())
	if list, err := k.lib().Photos().List(rr); err != nil || len(list) != 2 {
		t.Errorf("a second photo: %v, %v\n%s", list, err, p.text())
	}

	// a unit with several memories asks for the one; beginning twice is not an answer given twice
	if err := os.WriteFile(filepath.Join(k.dir, filepath.FromSlash(preset.UnitPath("quay-large", "QL-0044"))), []byte("format = 1\nkind = \"unit\"\nmemories = 3\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		p.get("/load-rail-35.html")
		p.answer("begin", "unit", "QL-0044")
		p.has("several memories")
		p.answer("begin", "unit", "QL-0044", "memory", "2")
		p.has("rail-35 to QL-0044, memory 2", "tilt")
	}
	if p.get("/load-rail-35.html?unit=QL-0044&memory=9"); p.code != 200 || !strings.Contains(p.text(), "several memories") {
		t.Errorf("a memory that is not there: %d", p.code)
	}
	p.get("/load-rail-35.html?unit=QL-0044&memory=2")
	p.answer("record", "key", "stiffness.tilt")
	if u, err = k.lib().Units().Find("QL-0044"); err != nil {
		t.Fatal(err)
	}
	if h, ok := u.Holds(2); !ok || len(h.Values) != 1 {
		t.Errorf("memory 2: %+v", h)
	}
}

// A page at the stand hears of an answer that the terminal gave.
func TestEvents(t *testing.T) {
	k := newDesk(t)
	p := k.pairedPhone(operator)
	p.begun()
	p.answer("clean")
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	r, _ := http.NewRequestWithContext(ctx, "GET", "http://"+k.addr+"/events?at=bench-rail-35.html&unit=QL-0031", nil)
	res, err := p.c.Do(r)
	if err != nil || res.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatal(err, res)
	}
	defer res.Body.Close()
	heard := make(chan string, 16)
	go func() {
		b := make([]byte, 4096)
		for {
			n, err := res.Body.Read(b)
			if n > 0 {
				heard <- string(b[:n])
			}
			if err != nil {
				close(heard)
				return
			}
		}
	}()
	l, s := k.session()
	now := fmt.Sprintf("data: %s %s\n", filepath.Base(s.Path), s.State.Next().ID)
	if got := <-heard; !strings.Contains(got, now) {
		t.Errorf("%q, want %q", got, now)
	}
	if err := l.Sessions().Answer(ctx, s, bench.Event{Saw: bench.Clean}, k.clock()); err != nil {
		t.Fatal(err)
	}
	next := fmt.Sprintf("data: %s %s\n", filepath.Base(s.Path), s.State.Next().ID)
	all := ""
	for x := range heard {
		if all += x; strings.Contains(all, next) {
			break
		}
	}
	if !strings.Contains(all, next) {
		t.Errorf("%q, want %q", all, next)
	}
	k.s.Revoke(1)
	for range heard {
	}
	if ctx.Err() != nil {
		t.Error("a revoked device still hears")
	}
}

// Hostile text in every field is refused or kept as text: the server goes on, no page obeys
// it, and the library can be read by a library of its own afterwards.
func TestHostileText(t *testing.T) {
	k := newDesk(t)
	p := k.pairedPhone(operator)
	texts := []string{hostile, "\x00", "\xff\xfe", "\u202egnp.exe", "\x1b[2J\x07", "a\nb = 1\n[x]", `"""` + "'''" + `\u0000`, strings.Repeat("é", 2500), "${x} {{.}} %s %n", "-1e308", "NaN", "0x1p-2", "../../x"}
	check := func(field, text string) {
		t.Helper()
		if p.code >= 500 {
			t.Errorf("%s %.20q: %d\n%s", field, text, p.code, p.text())
		}
		if strings.Contains(p.page, "<script>alert") || strings.ContainsAny(p.page, "\x1b\x00\x07\u202e") {
			t.Errorf("%s %.20q: the page has it as it is", field, text)
		}
		if _, s := k.session(); s != nil && s.Log.Open() != true {
			t.Errorf("%s %.20q: the session ended", field, text)
		}
	}
	p.begun()
	at := p.at
	for _, x := range texts {
		for _, f := range [][]string{{"note", "text"}, {"chatter", "hz"}, {"other", "value", "saw", "clean"}, {"other", "saw", "value", "40"}, {"save", "why"}, {x, "text"}} {
			p.get(at)
			p.answer(f[0], append([]string{f[1], x}, f[2:]...)...)
			check("bench "+f[0]+" "+f[1], x)
			p.get(at)
			check("bench after "+f[0]+" "+f[1], x)
		}
		p.get("/bench-rail-35.html?unit=" + url.QueryEscape(x))
		check("unit", x)
		p.get("/events?at=" + url.QueryEscape(x))
		check("at", x)
		p.get("/" + url.PathEscape(x))
		check("page", x)
		p.get("/bench-" + url.PathEscape(x) + ".html")
		check("rig", x)
		p.get("/balance-rail-35.html?unit=QL-0044&step=" + url.QueryEscape(x))
		for _, f := range []string{"mm", "effort"} {
			p.answer("mark", f, x)
			check("balance "+f, x)
		}
		p.get("/load-rail-35.html?unit=QL-0031&memory=" + url.QueryEscape(x))
		p.answer("record", "key", x)
		check("load key", x)
		q := k.phone()
		code := k.s.NewCode()
		if q.post("/p/"+code, "name", x, "mail", x+"@example.org"); q.code >= 500 || strings.Contains(q.page, "<script>alert") {
			t.Errorf("pairing as %.20q: %d", x, q.code)
		}
		if n := len(k.s.Devices()); n > 1 {
			k.s.Revoke(n)
		}
	}
	for _, d := range k.s.Devices() {
		if strings.ContainsAny(d, "\x1b\n\u202e") {
			t.Errorf("the terminal is told %q", d)
		}
	}
	if _, s := k.session(); s == nil || len(s.Log.Steps) == 0 {
		t.Error("the session is gone")
	}
}
