package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/cli/browser"
	"github.com/urfave/cli/v2"

	"rigkeep/cmd/rigkeep/serve"
	"rigkeep/diffview/card"
	"rigkeep/diffview/page"
	"rigkeep/diffview/pages"
	"rigkeep/diffview/safe"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// servePort is where the server answers unless another is asked for or it is taken, so that
// a phone finds it again after a restart.
const servePort = "4680"

func serveVerb() command {
	return command{
		name: "serve", args: "", short: "the library's pages live; bench, balance and load on the phone at the stand",
		long: "Serves the pages of the library as it is now to a browser on this machine, and opens it. With --lan a phone in the same network takes part: it scans the code that is shown, says who works there, and can answer a bench session or a balance, tick off a load and add photos. Each answer is on disk before the next question, and the terminal goes on where the phone stopped.\n\n" +
			"A code is for one device and ten minutes; at most eight devices. Keys while it runs, each with Enter: l lists the devices, r N ends number N, n makes a new code, q quits. Pairings are kept in memory only: after a restart each device scans anew, and an answer that waits on it goes in then. Nothing on a page writes to a unit over a link.\n\n" +
			"The pages go over plain http: a wireless network without encryption can be read by others. Use one with a password, or the phone's own hotspot.\n\n" +
			"--json prints the addresses once, opens no browser, and says the rest on stderr.",
		example: "rigkeep serve\nrigkeep serve --lan\nrigkeep serve --json",
		flags: []cli.Flag{&cli.BoolFlag{Name: "lan", Usage: "let devices of the local network in, with a code"},
			&cli.BoolFlag{Name: "no-browser", Usage: "open no browser; print the address"},
			&cli.StringFlag{Name: "addr", Usage: "answer at `HOST:PORT`; else port " + servePort + ", or a free one"}},
		reads: true, minArgs: 0, maxArgs: 0, run: runServe,
	}
}

func runServe(k *invocation) error {
	who, err := k.who()
	if err != nil {
		return err
	}
	l, hosts, err := serveRun{k}.listen()
	if err != nil {
		return err
	}
	k.kept = warmed{new(warm[[]*library.RigRow]), new(warm[library.FindTexts])}
	s := serve.New(serve.Options{
		Open: func() (*library.Library, error) { return serveRun{k}.reopened(who) },
		Page: func(l *library.Library, name, words string) ([]byte, bool, error) {
			return serveRun{serveRun{k}.on(l)}.livePage(name, words)
		},
		Site: func(l *library.Library) pages.Site { return serveRun{serveRun{k}.on(l)}.liveSite() },
		Save: func(ctx context.Context, l *library.Library, p *library.Plan, subject, body string, by store.Person) (store.Rev, error) {
			reports, err := compareRun{serveRun{k}.on(l)}.reports(p)
			if err != nil {
				return "", err
			}
			return l.Plans().Commit(ctx, p, subject, strings.TrimSpace(words(reports)+"\n\n"+body), by, k.Now())
		},
		Now: k.Now, Who: who, Hosts: hosts,
		Told: func(line string) { k.say("%s  %s", schema.SayClock(k.Now(), nil), line) },
	})
	defer s.Close()
	failed := make(chan error, 1)
	go func() { failed <- s.Serve(l) }()
	go serveRun{k}.warmUp(who)
	_, port, _ := net.SplitHostPort(l.Addr().String())
	own := "http://127.0.0.1:" + port + "/p/" + s.OwnCode()
	if k.json() {
		return serveRun{k}.serveJSON(s, failed, "http://127.0.0.1:"+port, own, hosts[0])
	}
	k.printf("Serving %s at http://127.0.0.1:%s\n", safe.Line(pagesRun{k}.siteOf().Library), port)
	if k.c.Bool("lan") {
		if err := (serveRun{k}).invite(s, hosts[0]); err != nil {
			return err
		}
	}
	if k.c.Bool("no-browser") {
		k.printf("This machine's browser, once:\n%s\n", own)
	} else if err := (serveRun{k}).browseURL(own); err != nil {
		k.printf("No browser could be started; in one of this machine, once:\n%s\n", own)
	}
	k.printf("Keys, with Enter: l list, r N revoke, n new code, q quit\n")
	return serveRun{k}.serveKeys(s, failed, hosts[0])
}

type jsonServe struct {
	Format  int         `json:"format"`
	Library string      `json:"library"`
	Address string      `json:"address"`
	Own     string      `json:"own"` // lets this machine's browser in, once
	Lan     *jsonInvite `json:"lan,omitempty"`
	Devices int         `json:"devices_max"`
}

// jsonInvite is the code for one more device.
type jsonInvite struct {
	Code   string    `json:"code"`
	URL    string    `json:"url"` // what the QR code of the code holds
	Expiry time.Time `json:"expires"`
}

// serveJSON prints the addresses and serves. Keys still work, and say what came of them on
// stderr: a script reads one document.
func (k serveRun) serveJSON(s *serve.Server, failed chan error, address, own, host string) error {
	j := jsonServe{Format: 1, Library: pagesRun(k).siteOf().Library, Address: address, Own: own, Devices: serve.MaxDevices}
	if k.c.Bool("lan") {
		code := s.NewCode()
		j.Lan = &jsonInvite{Code: code, URL: inviteURL(host, code), Expiry: k.Now().Add(serve.CodeTime).UTC().Truncate(time.Second)}
	}
	if err := k.encode(j); err != nil {
		return err
	}
	on := *k.invocation
	on.Stdout = k.Stderr
	return serveRun{&on}.serveKeys(s, failed, host)
}

// serveKeys does what is typed until the server or the person ends.
func (k serveRun) serveKeys(s *serve.Server, failed chan error, host string) error {
	typed := make(chan string)
	go func() {
		defer close(typed)
		in := bufio.NewScanner(k.Stdin)
		for in.Scan() {
			typed <- strings.TrimSpace(in.Text())
		}
	}()
	for {
		select {
		case err := <-failed:
			return err
		case line, ok := <-typed:
			if !ok {
				if k.Stdin != io.Reader(os.Stdin) || tty(k.Stdin) {
					return nil
				}
				typed = nil // in the background: it runs until it is ended
				continue
			}
			if quit := k.serveKey(s, host, line); quit {
				return nil
			}
		}
	}
}

// serveKey does what was typed.
func (k serveRun) serveKey(s *serve.Server, host, line string) (quit bool) {
	word, rest, _ := strings.Cut(strings.ToLower(line), " ")
	switch word {
	case "":
	case "q", "quit":
		return true
	case "l", "list":
		list := s.Devices()
		k.printf("%s paired of %d\n", schema.Count(len(list), "device", "devices"), serve.MaxDevices)
		for _, d := range list {
			k.printf("%s\n", d)
		}
	case "r", "revoke":
		n, err := strconv.Atoi(strings.TrimSpace(rest))
		if err != nil || !s.Revoke(n) {
			k.printf("r N: N is the number of a device, as l lists them\n")
			return false
		}
		k.printf("revoked %d\n", n)
	case "n", "new":
		if !k.c.Bool("lan") {
			k.printf("http://%s/p/%s\n", host, s.OwnCode())
			return false
		}
		if err := k.invite(s, host); err != nil {
			k.printf("%s\n", safe.Line(err.Error()))
		}
	default:
		k.printf("keys: l list, r N revoke, n new code, q quit\n")
	}
	return false
}

// invite shows the code for one more device.
func (k serveRun) invite(s *serve.Server, host string) error {
	code := s.NewCode()
	if tty(k.Stdout) {
		q, err := card.TextCode(inviteURL(host, code))
		if err != nil {
			return err
		}
		k.write(q)
	}
	k.printf("Scan it with the phone, or type http://%s/p/%s\n", host, strings.ToLower(code))
	k.printf("For one device, for %d minutes. A wireless network without encryption can be\nread by others: use one with a password, or the phone's own hotspot.\n", int(serve.CodeTime.Minutes()))
	return nil
}

// inviteURL is what the QR code of a code holds: in capitals it is smaller.
func inviteURL(host, code string) string { return strings.ToUpper("http://" + host + "/p/" + code) }

// reopened is the library as it is now.
func (k serveRun) reopened(committer store.Person) (*library.Library, error) {
	wait, err := k.lockWait()
	if err != nil {
		return nil, err
	}
	l, err := library.Open(k.libraryDir(), k.cat, store.Options{LockWait: wait, Committer: committer})
	if err != nil {
		return nil, err
	}
	l.Zone, l.Now = k.Now().Location(), k.Now
	return l, nil
}

// warmed is what a server keeps between requests of a large library; nil keeps nothing.
type warmed struct {
	rows  *warm[[]*library.RigRow]
	texts *warm[library.FindTexts]
}

// warm keeps one answer that takes long to gather of a large library: it is gathered anew
// after each revision, and, since files are edited by hand too, in the background each time
// that it was used, so that the next use has it. A small library is always asked.
type warm[T any] struct {
	mu   sync.Mutex
	head store.Rev
	at   time.Time
	v    T
	busy bool
}

// warmTime is how old an answer may be, staleTime from when on it is gathered anew meanwhile.
const (
	warmTime  = time.Minute
	staleTime = 2 * time.Second
)

func (w *warm[T]) get(k *invocation, gather func(*invocation) (T, error)) (T, error) {
	if w == nil || k.lib.Small() {
		return gather(k)
	}
	head, err := k.lib.Store.Head()
	if err != nil {
		return gather(k)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	age := time.Since(w.at)
	if head != w.head || age > warmTime {
		v, err := gather(k)
		if err == nil {
			w.head, w.at, w.v = head, time.Now(), v
		}
		return v, err
	}
	if age > staleTime && !w.busy {
		w.busy = true
		go func() {
			v, err := gather(k)
			w.mu.Lock()
			defer w.mu.Unlock()
			w.busy = false
			if err == nil {
				w.head, w.at, w.v = head, time.Now(), v
			}
		}()
	}
	return w.v, nil
}

// warmUp gathers what takes long of a large library before the first request asks for it. A
// fault is told by that request.
func (k serveRun) warmUp(who store.Person) {
	l, err := k.reopened(who)
	if err != nil || l.Small() {
		return
	}
	on := k.on(l)
	if _, err := (serveRun{on}).rigRows(); err == nil {
		_, _ = serveRun{on}.findTexts()
	}
}

// on is the run over a library that was opened anew.
func (k serveRun) on(l *library.Library) *invocation {
	c := *k.invocation
	c.lib = l
	return &c
}

// listen takes the address, and gives the names by which the server may be asked for, the
// one to show first.
func (k serveRun) listen() (net.Listener, []string, error) {
	addr, lan := k.c.String("addr"), k.c.Bool("lan")
	host, port, err := net.SplitHostPort(addr)
	if addr != "" && err != nil {
		return nil, nil, usage("--addr %s: write HOST:PORT", addr).hinted("for example: --addr 127.0.0.1:%s", servePort)
	}
	if host == "" && !lan {
		host = "127.0.0.1"
	}
	ip := net.ParseIP(host)
	if host == "localhost" {
		ip = net.IPv4(127, 0, 0, 1)
	}
	switch {
	case host != "" && ip == nil:
		return nil, nil, usage("--addr %s: write a number as host, as 192.168.1.5", addr)
	case ip != nil && !ip.IsLoopback() && !lan:
		return nil, nil, usage("--addr %s can be reached from the network", addr).hinted("add --lan if that is meant")
	}
	l, err := net.Listen("tcp", net.JoinHostPort(host, firstOf(port, servePort)))
	if err != nil && port == "" && errors.Is(err, syscall.EADDRINUSE) {
		l, err = net.Listen("tcp", net.JoinHostPort(host, "0"))
	}
	if err != nil {
		return nil, nil, &failure{code: exitNetwork, text: "no server at " + firstOf(addr, "port "+servePort) + ": " + rootCause(err), hint: "another port: --addr 127.0.0.1:0", err: err}
	}
	_, port, _ = net.SplitHostPort(l.Addr().String())
	var hosts []string
	if lan {
		for _, a := range lanAddresses() {
			if ip == nil || ip.IsUnspecified() || ip.String() == a {
				hosts = append(hosts, net.JoinHostPort(a, port))
			}
		}
		if len(hosts) == 0 && ip != nil && !ip.IsUnspecified() {
			hosts = append(hosts, net.JoinHostPort(host, port))
		}
		if len(hosts) == 0 {
			l.Close()
			return nil, nil, fail(exitNetwork, "this machine is in no local network").hinted("join the wireless network, or the phone's hotspot, and try again")
		}
	}
	for _, h := range []string{"127.0.0.1", "localhost", "::1"} {
		hosts = append(hosts, net.JoinHostPort(h, port))
	}
	return l, hosts, nil
}

// lanAddresses are this machine's addresses in local networks, that of the usual way out first.
func lanAddresses() []string {
	var out []string
	if c, err := net.Dial("udp4", "192.0.2.1:9"); err == nil { // sends nothing (RFC 5737 address)
		if a, ok := c.LocalAddr().(*net.UDPAddr); ok && !a.IP.IsLoopback() {
			out = append(out, a.IP.String())
		}
		c.Close()
	}
	all, err := net.InterfaceAddrs()
	if err != nil {
		return out
	}
	for _, a := range all {
		if n, ok := a.(*net.IPNet); ok && n.IP.To4() != nil && !n.IP.IsLoopback() && !n.IP.IsLinkLocalUnicast() && !contains(out, n.IP.String()) {
			out = append(out, n.IP.String())
		}
	}
	return out
}

// browseURL shows an address in the person's browser.
func (k serveRun) browseURL(at string) error {
	if k.Getenv("BROWSER") != "" {
		return pagesRun(k).browse(at)
	}
	browser.Stdout, browser.Stderr = io.Discard, io.Discard
	return browser.OpenURL(at)
}

// liveSite is what the pages at the stand share with the others.
func (k serveRun) liveSite() pages.Site {
	s := pagesRun(k).siteOf()
	s.Live = true
	return s
}

// livePage makes one page that is only read; ok is false where there is none of that name.
func (k serveRun) livePage(name, words string) (data []byte, ok bool, err error) {
	if name == pages.Home && strings.TrimSpace(words) != "" {
		l := pages.Library{Site: k.liveSite(), Part: 1, Today: k.Now()}
		if l.Find, err = k.search(words); err != nil {
			return nil, false, err
		}
		data, err := l.Bytes()
		return data, err == nil, err
	}
	s, err := pagesRun(k).newSite(func(file string, made []byte) error {
		if file == name {
			data = made
		}
		return nil
	})
	if err != nil {
		return nil, false, err
	}
	s.of.Live, s.only = true, name
	kind, _, _ := strings.Cut(name, "-")
	switch kind {
	case pages.Home, "rigs":
		err = s.liveLibrary()
	case "job":
		for _, j := range s.jobs {
			if pages.File("job", j.Slug) == name {
				_, err = s.job(j)
			}
		}
	case "rig", "card", "compare", "start":
		for _, r := range s.rows {
			if pages.File(kind, firstOf(r.Alias, r.Fingerprint)) == name {
				err = s.rig(r)
			}
		}
	}
	return data, data != nil, err
}

// liveLibrary makes the page of the library from what its list of rigs knows, which a large
// library has at hand; only a small one has its open jobs reviewed for it.
func (s *site) liveLibrary() error {
	for _, r := range s.rows {
		s.listed[r.Fingerprint], _, _, _ = s.listRow(r)
	}
	states := map[string]page.State{}
	for _, j := range s.jobs {
		if j.State == "open" && (reviewRun{s.invocation}).notOver(j) && s.lib.Small() {
			st, err := s.job(j)
			if err != nil {
				return err
			}
			states[j.Slug] = st
		}
	}
	return s.library(states)
}

// mostFound is how many hits a page shows.
const mostFound = 50

// rigRows is the list of rigs; a server may have it at hand.
func (k serveRun) rigRows() ([]*library.RigRow, error) {
	return k.kept.rows.get(k.invocation, func(k *invocation) ([]*library.RigRow, error) { return k.lib.Lists().RigRows(k.Now()) })
}

// findTexts are what a search looks in; a server may have them at hand.
func (k serveRun) findTexts() (library.FindTexts, error) {
	return k.kept.texts.get(k.invocation, func(k *invocation) (library.FindTexts, error) { return k.lib.Words().FindTexts() })
}

// search looks for words, with the page of what was found.
func (k serveRun) search(words string) (pages.Find, error) {
	out := pages.Find{Words: words}
	texts, err := k.findTexts()
	if err != nil {
		return out, err
	}
	aliases := func() (map[string]string, error) {
		rows, err := k.rigRows()
		out := make(map[string]string, len(rows))
		for _, r := range rows {
			out[r.Fingerprint] = r.Alias
		}
		return out, err
	}
	found, n, err := k.lib.Words().SearchIn(texts, aliases, strings.Fields(words), mostFound)
	if err != nil {
		out.Said = rootCause(err)
		return out, nil
	}
	out.Said = fmt.Sprintf("%d found.", n)
	if n > len(found) {
		out.Said = fmt.Sprintf("The first %d of %d.", len(found), n)
	}
	for _, f := range found {
		e := pages.Entry{firstOf(f.Title, f.Name), "", f.Kind, f.Kind}
		switch f.Kind {
		case "rig":
			e[0], e[1] = f.Name, pages.File("rig", f.Name)
		case "job":
			e[1] = pages.File("job", f.Name)
		case "unit":
			e[1] = pages.Home + "#units"
		}
		for _, h := range f.Where[:min(1, len(f.Where))] {
			e[3] += ", " + h.Key + ": " + page.Middle(safe.Line(h.Text), 80)
		}
		out.Found = append(out.Found, e)
	}
	return out, nil
}
