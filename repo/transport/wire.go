package transport

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync/atomic"
	"time"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/protocol/packp"
	"github.com/go-git/go-git/v5/plumbing/protocol/packp/capability"
	"github.com/go-git/go-git/v5/plumbing/protocol/packp/sideband"
	"github.com/go-git/go-git/v5/plumbing/transport"
	gitproto "github.com/go-git/go-git/v5/plumbing/transport/git"

	"rigkeep/repo/store"
)

// wire is a repository behind a server.
type wire struct {
	address, shown string
	ep             *transport.Endpoint
	opt            Options
	tr             transport.Transport
	way            way

	up    transport.UploadPackSession // asked for its refs, not yet for a pack
	adv   *packp.AdvRefs
	reads bool // it has let us read its refs
}

// way is how one scheme proves who is asking and who answers.
type way interface {
	auth() (transport.AuthMethod, error)
	// again is asked after a refusal whether there is something else to try.
	again(ctx context.Context, err error) bool
	// accepted is told that the other side let us in.
	accepted(ctx context.Context)
	// explain may put an error of this scheme into words; nil leaves it.
	explain(err error) error
}

// open is the way of a scheme without authentication.
type openWay struct{}

func (openWay) auth() (transport.AuthMethod, error) { return nil, nil }
func (openWay) again(context.Context, error) bool   { return false }
func (openWay) accepted(context.Context)            {}
func (openWay) explain(error) error                 { return nil }

func dialWire(address string, opt Options) (Remote, error) {
	ep, err := transport.NewEndpoint(address)
	if err != nil {
		return nil, &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%q is not an address of a repository", Shown(address)), Hint: addressHelp}
	}
	w := &wire{address: address, shown: Shown(address), ep: ep, opt: opt}
	switch strings.ToLower(ep.Protocol) {
	case "git":
		w.tr, w.way = gitproto.DefaultClient, openWay{}
	case "http", "https":
		w.tr, w.way = httpWay(w)
	case "ssh", "git+ssh", "ssh+git":
		ep.Protocol = "ssh"
		w.tr, w.way, err = sshWay(w)
	default:
		return nil, &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%s:// is not supported", ep.Protocol), Hint: addressHelp}
	}
	return w, err
}

const addressHelp = "Use a folder, git://HOST/PATH, https://HOST/PATH, ssh://USER@HOST/PATH or USER@HOST:PATH"

func (w *wire) Shown() string { return w.shown }

func (w *wire) Close() error {
	if w.up != nil {
		_ = w.up.Close()
		w.up, w.adv = nil, nil
	}
	return nil
}

// session opens a session and reads the other side's refs, once more with other credentials if
// those are refused. go-git's dialling cannot be interrupted, so it is left behind if it takes
// too long.
func session[S transport.Session](ctx context.Context, w *wire, open func(*transport.Endpoint, transport.AuthMethod) (S, error)) (S, *packp.AdvRefs, error) {
	var none S
	for {
		auth, err := w.way.auth()
		if err != nil {
			return none, nil, err
		}
		type result struct {
			s   S
			ok  bool // s is open
			adv *packp.AdvRefs
			err error
		}
		done := make(chan result, 1)
		left := atomic.Bool{}
		cctx, cancel := context.WithCancel(ctx)
		go func() {
			s, err := open(w.ep, auth)
			r := result{s: s, ok: err == nil, err: err}
			if err == nil {
				r.adv, r.err = s.AdvertisedReferencesContext(cctx)
			}
			done <- r
			if r.ok && left.Load() {
				_ = s.Close()
			}
		}()
		timer := time.NewTimer(w.opt.Connect)
		var r result
		select {
		case r = <-done:
		case <-ctx.Done():
			r.err = ctx.Err()
			left.Store(true)
		case <-timer.C:
			r.err = context.DeadlineExceeded
			left.Store(true)
		}
		timer.Stop()
		cancel()
		if r.err == nil || errors.Is(r.err, transport.ErrEmptyRemoteRepository) {
			w.way.accepted(ctx)
			return r.s, r.adv, r.err
		}
		if r.ok && !left.Load() {
			_ = r.s.Close()
		}
		if w.way.again(ctx, r.err) {
			continue
		}
		return none, nil, w.fail("reaching", r.err)
	}
}

// fail puts an error into words.
func (w *wire) fail(doing string, err error) error {
	if e := w.way.explain(err); e != nil {
		return e
	}
	switch {
	case errors.Is(err, transport.ErrRepositoryNotFound):
		return &store.Error{Kind: store.ErrNotFound, Msg: "no repository at " + w.shown + ", or you may not see it", Hint: "check the address with the server's administrator"}
	case errors.Is(err, transport.ErrAuthenticationRequired), errors.Is(err, transport.ErrAuthorizationFailed):
		return &store.Error{Kind: store.ErrRefused, Msg: w.shown + " refused access", Hint: "Check your name and password or token with the server's administrator"}
	}
	return fail(w.shown, doing, err)
}

func (w *wire) Refs(ctx context.Context) (Refs, error) {
	_ = w.Close() // what was read before may be old
	err := w.advertised(ctx)
	w.reads = err == nil || errors.Is(err, transport.ErrEmptyRemoteRepository)
	if err != nil {
		if w.reads {
			return Refs{Heads: map[string]store.Rev{}}, nil
		}
		return Refs{}, err
	}
	out := Refs{Heads: heads(w.adv)}
	for _, v := range w.adv.Capabilities.Get(capability.SymRef) {
		if to, ok := strings.CutPrefix(v, "HEAD:"); ok {
			out.Head = to
		}
	}
	return out, nil
}

func heads(adv *packp.AdvRefs) map[string]store.Rev {
	out := map[string]store.Rev{}
	if adv != nil {
		for name, id := range adv.References {
			if strings.HasPrefix(name, "refs/heads/") {
				out[name] = store.Rev(id.String())
			}
		}
	}
	return out
}

func (w *wire) advertised(ctx context.Context) (err error) {
	if w.up == nil {
		w.up, w.adv, err = session(ctx, w, w.tr.NewUploadPackSession)
		if err != nil {
			if w.up != nil {
				_ = w.up.Close()
			}
			w.up = nil
		}
	}
	return err
}

func (w *wire) Fetch(ctx context.Context, lib *store.Lib, want, have []store.Rev) (int, error) {
	if err := w.advertised(ctx); err != nil {
		return 0, err
	}
	s, adv := w.up, w.adv
	w.up, w.adv = nil, nil // a session gives one pack
	defer func() { _ = s.Close() }()
	req := packp.NewUploadPackRequestFromCapabilities(adv.Capabilities)
	if adv.Capabilities.Supports(capability.NoProgress) {
		_ = req.Capabilities.Set(capability.NoProgress)
	}
	for _, id := range want {
		req.Wants = append(req.Wants, plumbing.NewHash(string(id)))
	}
	for _, id := range have {
		req.Haves = append(req.Haves, plumbing.NewHash(string(id)))
	}
	cctx, idle := watch(ctx, w.opt.Idle)
	defer idle.end()
	resp, err := s.UploadPack(cctx, req)
	if err != nil {
		return 0, w.fail("fetching from", idle.cause(err))
	}
	defer func() { _ = resp.Close() }()
	r := idle.reader(resp)
	switch {
	case req.Capabilities.Supports(capability.Sideband64k):
		r = w.demux(sideband.Sideband64k, r)
	case req.Capabilities.Supports(capability.Sideband):
		r = w.demux(sideband.Sideband, r)
	}
	n, _, err := lib.Exchange().Receive(ctx, r, w.opt.Tell)
	return n, w.fail("fetching from", idle.cause(err))
}

func (w *wire) demux(t sideband.Type, r io.Reader) io.Reader {
	d := sideband.NewDemuxer(t, r)
	d.Progress = &remarks{tell: w.opt.Remark}
	return d
}

func (w *wire) Push(ctx context.Context, lib *store.Lib, p Push) (int, error) {
	s, adv, err := session(ctx, w, w.tr.NewReceivePackSession)
	if w.reads && (errors.Is(err, store.ErrNotFound) || errors.Is(err, store.ErrRefused)) {
		return 0, &store.Error{Kind: store.ErrRefused, Msg: w.shown + " is read-only for you",
			Hint: "Ask the server's administrator to let you write; what you saved stays here"}
	}
	if err != nil {
		return 0, err
	}
	defer func() { _ = s.Close() }()
	there := heads(adv)
	if there[p.Ref] != p.Old {
		return 0, moved(w.shown, p.Ref)
	}
	var have []store.Rev
	for _, id := range there {
		have = append(have, id)
	}
	var ids []string
	if err := lib.Exchange().NewObjects([]store.Rev{p.To}, have, func(id string) error { ids = append(ids, id); return nil }); err != nil {
		return 0, err
	}
	req := packp.NewReferenceUpdateRequestFromCapabilities(adv.Capabilities)
	if adv.Capabilities.Supports(capability.Sideband64k) {
		_ = req.Capabilities.Set(capability.Sideband64k)
		req.Progress = &remarks{tell: w.opt.Remark}
	}
	req.Commands = []*packp.Command{{Name: plumbing.ReferenceName(p.Ref), Old: hashOf(p.Old), New: hashOf(p.To)}}
	// The other side may think long about a large pack before it answers.
	cctx, idle := watch(ctx, 5*w.opt.Idle)
	defer idle.end()
	pr, pw := io.Pipe()
	go func() { _ = pw.CloseWithError(lib.Exchange().Send(cctx, pw, ids, w.opt.Tell)) }()
	defer func() { _ = pr.Close() }()
	req.Packfile = io.NopCloser(idle.reader(pr))
	report, err := s.ReceivePack(cctx, req)
	if err == nil && report != nil {
		err = report.Error()
	}
	if err == nil {
		return len(ids), nil
	}
	err = idle.cause(err)
	if ctx.Err() != nil {
		return 0, ctx.Err()
	}
	// Did it arrive all the same, or was somebody quicker? The other side knows.
	if now, rerr := w.Refs(ctx); rerr == nil {
		switch now.Heads[p.Ref] {
		case p.To:
			return len(ids), nil
		case p.Old:
		default:
			return 0, moved(w.shown, p.Ref)
		}
	}
	if report != nil {
		return 0, &store.Error{Kind: store.ErrRefused, Msg: w.shown + " did not take what was sent: " + reasonOf(report), Hint: "Nothing was lost here; ask the server's administrator"}
	}
	return 0, w.fail("sending to", err)
}

// reasonOf is what a server says about a push that it refuses.
func reasonOf(r *packp.ReportStatus) string {
	if r.UnpackStatus != "ok" {
		return r.UnpackStatus
	}
	for _, c := range r.CommandStatuses {
		if c.Status != "ok" {
			return c.Status
		}
	}
	return "no reason given"
}

func hashOf(id store.Rev) plumbing.Hash {
	if id == "" {
		return plumbing.ZeroHash
	}
	return plumbing.NewHash(string(id))
}

// remarks cuts what the other side says into lines; a line that is overwritten by the next, as
// a counter is, is left out.
type remarks struct {
	tell func(string)
	part string
}

func (r *remarks) Write(b []byte) (int, error) {
	r.part += string(b)
	for {
		line, rest, ok := strings.Cut(r.part, "\n")
		if !ok {
			break
		}
		if i := strings.LastIndexByte(strings.TrimRight(line, "\r"), '\r'); i >= 0 {
			line = line[i+1:]
		}
		if line = strings.TrimSpace(line); line != "" {
			r.tell(line)
		}
		r.part = rest
	}
	if len(r.part) > 1<<16 {
		r.part = ""
	}
	return len(b), nil
}

// watcher ends a transfer in which nothing moves any more.
type watcher struct {
	limit  time.Duration
	last   atomic.Int64
	cancel context.CancelFunc
	quiet  atomic.Bool
	stop   chan struct{}
}

func watch(ctx context.Context, limit time.Duration) (context.Context, *watcher) {
	ctx, cancel := context.WithCancel(ctx)
	w := &watcher{limit: limit, cancel: cancel, stop: make(chan struct{})}
	w.touch()
	go func() {
		t := time.NewTicker(max(limit/10, time.Millisecond))
		defer t.Stop()
		for {
			select {
			case <-w.stop:
				return
			case <-t.C:
				if time.Now().UnixNano()-w.last.Load() > int64(w.limit) {
					w.quiet.Store(true)
					cancel()
					return
				}
			}
		}
	}()
	return ctx, w
}

func (w *watcher) touch() { w.last.Store(time.Now().UnixNano()) }

func (w *watcher) end() {
	close(w.stop)
	w.cancel()
}

// cause is an error as the watcher knows it.
func (w *watcher) cause(err error) error {
	if err != nil && w.quiet.Load() {
		return fmt.Errorf("nothing came for %s", w.limit)
	}
	return err
}

func (w *watcher) reader(r io.Reader) io.Reader { return &watched{r, w} }

type watched struct {
	r io.Reader
	w *watcher
}

func (x *watched) Read(b []byte) (int, error) {
	n, err := x.r.Read(b)
	if n > 0 {
		x.w.touch()
	}
	return n, err
}
