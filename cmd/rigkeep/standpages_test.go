package main

import (
	"encoding/json"
	"html"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"rigkeep/diffview/page/pagetest"
)

// standSite is a server in this process, and a browser without script on it.
type standSite struct {
	t    testing.TB
	at   jsonServe
	c    http.Client
	page string // as it was sent last
	on   string // its address
	code int
}

// startStand runs serve until the test ends or done is called.
func startStand(t testing.TB, dir string, now func() time.Time, args ...string) (s *standSite, done func()) {
	t.Helper()
	in, keys := io.Pipe()
	out, said := io.Pipe()
	e := Env{Stdin: in, Stdout: said, Stderr: io.Discard, Dir: dir, Now: now, Getenv: func(k string) string {
		return map[string]string{"RIGKEEP_AUTHOR": "A-cam operator <a-cam@example.org>"}[k]
	}}
	ended := make(chan int, 1)
	go func() {
		ended <- Main(append([]string{"rigkeep", "serve", "--json", "--addr", "127.0.0.1:0"}, args...), e)
		said.Close()
	}()
	s = &standSite{t: t}
	if err := json.NewDecoder(out).Decode(&s.at); err != nil {
		t.Fatal(err)
	}
	go io.Copy(io.Discard, out)
	jar, _ := cookiejar.New(nil)
	s.c = http.Client{Jar: jar, Timeout: 2 * time.Minute}
	gone := false
	done = func() {
		if gone {
			return
		}
		gone = true
		keys.Close()
		if code := <-ended; code != 0 {
			t.Errorf("serve: exit %d", code)
		}
	}
	t.Cleanup(done)
	return s, done
}

func (s *standSite) do(r *http.Request, err error) []byte {
	s.t.Helper()
	if err != nil {
		s.t.Fatal(err)
	}
	res, err := s.c.Do(r)
	if err != nil {
		s.t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	s.page, s.on, s.code = string(text), res.Request.URL.String(), res.StatusCode
	return text
}

// get asks for a page, by its whole address or from the server's root.
func (s *standSite) get(at string) []byte {
	s.t.Helper()
	if !strings.HasPrefix(at, "http") {
		at = s.at.Address + "/" + at
	}
	r, err := http.NewRequest("GET", at, nil)
	return s.do(r, err)
}

// hidden is a hidden field of the page.
func (s *standSite) hidden(name string) string {
	m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(s.page)
	if m == nil {
		return ""
	}
	return html.UnescapeString(m[1])
}

// answer sends the page's form, with what is pressed and typed.
func (s *standSite) answer(do string, fields ...string) []byte {
	s.t.Helper()
	v := url.Values{"token": {s.hidden("token")}, "id": {s.hidden("id")}, "do": {do}}
	for i := 0; i+1 < len(fields); i += 2 {
		v.Add(fields[i], fields[i+1])
	}
	return s.send(s.on, v)
}

func (s *standSite) send(at string, v url.Values) []byte {
	s.t.Helper()
	r, err := http.NewRequest("POST", at, strings.NewReader(v.Encode()))
	if err == nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Origin", s.at.Address)
	}
	return s.do(r, err)
}

// The pages at the stand, each as it is sent, in all views; and what each must say on the first
// screen of a phone, down to the last large button. How the script shows a lost connection is
// looked at in TestServeKilled.
func TestStandPages(t *testing.T) {
	dir, _ := harbour(t)
	clock := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	s, done := startStand(t, dir, func() time.Time { return clock }, "--lan")
	defer done()
	var answers []pagetest.Answer
	// the script asks a server for events, which a file has not
	still := func(p []byte) []byte { return []byte(strings.Replace(string(p), `id="con"`, `id="still"`, 1)) }
	look := func(name string, p []byte, first ...string) {
		t.Helper()
		p = still(p)
		for _, w := range first {
			answers = append(answers, pagetest.Answer{Name: name + ": " + w, HTML: p, Text: w})
		}
		pagetest.Check(t, strings.ReplaceAll(name, " ", "-"), p)
	}
	look("not paired", s.get("index.html"), "This browser is not paired")
	look("pairing", s.get("p/"+s.at.Lan.Code), "Who works here?", "Pair")
	look("pairing refused", s.send(s.on, url.Values{"name": {"Second operator"}, "mail": {"nothing"}}), "Write a name or role", "Pair")
	s.get(s.at.Own)

	look("bench begin", s.get("bench-b-cam-85.html"), "keep a hand at the motor switch", "Unit on the stand", "Begin", "Recheck after a rebuild")
	p := s.answer("begin", "unit", "SK-0412")
	raise := []string{"Keep a hand at the motor switch", "set tilt to", "Clean", "Chatter", "Rocking", "Stand only", "Undo"}
	look("bench raise", p, append(raise, "9.5", "No balance record of today")...)
	stale := url.Values{"token": {s.hidden("token")}, "id": {s.hidden("id")}, "do": {"rocking"}}
	s.answer("clean")
	look("bench refused", s.send(s.on, stale), "Answered already", "set tilt to", "Clean", "Rocking")
	s.get(s.on)
	p = s.answer("chatter", "hz", "24")
	look("bench bracket", p, "set tilt to", "12", "clean up to 9.5", "24 Hz", "Undo")
	for i := 0; !strings.Contains(s.page, "oscillated at"); i++ { // clean above an onset: which of the two is it?
		if i > 30 {
			t.Fatal("nothing was doubted")
		}
		s.answer("other", "value", "14.5", "saw", "clean")
	}
	look("bench doubt", []byte(s.page), "tilt oscillated at", "It did", "It did not", "Undo")
	s.answer("keep")
	for i := 0; !strings.Contains(s.page, "handheld 1 of"); i++ {
		if i > 60 {
			t.Fatal("no end")
		}
		if strings.Contains(s.page, "axis 1 of") {
			s.answer("clean")
		} else {
			s.answer("skip")
		}
	}
	look("bench handheld", []byte(s.page), "Keep a hand at the motor switch", "handheld", "Clean", "choose the axis below")
	s.answer("skip")
	look("bench end", []byte(s.page), "TILT 9", "1 value kept", "Save tune and session")

	s.get("balance-a-cam-prime.html")
	look("balance begin", []byte(s.page), "Power off before you touch the build", "Begin")
	s.answer("begin", "unit", "QL-0031")
	look("balance mark", []byte(s.page), "Power off before you touch the build", "plate to", "59 mm", "Camera level", "Stays at 59 mm", "Lens sinks", "Lens rises")
	for !strings.Contains(s.page, "Keep the reading") {
		s.answer("skip")
	}
	look("balance effort", []byte(s.page), "Power on, hands clear", "resting effort", "Keep the reading", "None is shown")
	s.answer("none")
	look("balance end", []byte(s.page), "Save the balance")

	s.get("load-b-cam-85.html?unit=SK-0412")
	look("load", []byte(s.page), "keep a hand at the motor switch", "SK-0412 holds these values", "27", "stiffness, roll")
	look("photo", s.get("photo-b-cam-85.html"), "Of the marks", "Add the photo")
	look("search", s.get("index.html?q=plate"), "found")
	pagetest.Answers(t, answers)
}
