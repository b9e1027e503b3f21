// Package pagetest looks at a page in a real Chromium, as a person on a phone,
// at a desk and with a printer would, and fails a test for what they could not read.
package pagetest

import (
	"bytes"
	"context"
	_ "embed"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

//go:embed look.js
var lookScript string

// Browser finds Chromium. Without one the test fails, so that nobody takes pages for
// looked at that were not; RIGKEEP_NO_BROWSER=1 says that they need not be.
func Browser(t testing.TB) string {
	t.Helper()
	if os.Getenv("RIGKEEP_NO_BROWSER") == "1" {
		t.Skip("RIGKEEP_NO_BROWSER=1: no page is looked at")
	}
	// the one without a window of its own does the same in 60 % of the processor time
	for _, name := range []string{"chromium-headless-shell", "chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			return p
		}
	}
	t.Fatal("there is no Chromium to look at the page with: bash .ci/test installs it, or leave such tests out with RIGKEEP_NO_BROWSER=1")
	return ""
}

// Axe reads axe.min.js of the npm package axe-core: from PAGETEST_AXE, else from
// where .ci/test puts it.
func Axe(t testing.TB) string {
	t.Helper()
	name := os.Getenv("PAGETEST_AXE")
	if name == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			t.Fatal(err)
		}
		name = filepath.Join(cache, "rigkeep-ci", "node_modules", "axe-core", "axe.min.js")
	}
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatalf("there is no axe-core to hold the page against: %v; bash .ci/test fetches it, or leave such tests out with RIGKEEP_NO_BROWSER=1", err)
	}
	return string(text)
}

// view is one way of looking at a page.
type view struct {
	name          string
	width, height int64
	media, scheme string
	axe           bool // both widths and both schemes are covered by two views
}

var views = []view{
	{"phone, light", 390, 844, "screen", "light", true},
	{"phone, dark", 390, 844, "screen", "dark", false},
	{"tablet, light", 820, 1100, "screen", "light", false},
	{"desk, light", 1280, 900, "screen", "light", false},
	{"desk, dark", 1280, 900, "screen", "dark", true},
	{"A4", 680, 1000, "print", "light", false}, // 180 mm between the margins
	{"A4 from a dark screen", 680, 1000, "print", "dark", false},
}

// Check opens a page in each view and reports sideways scroll, text under 9 pt
// or below a contrast of 4.5, text cut off, a short name in a table broken on a wide screen, tables without scope, pictures
// without words or table, anything on the console and any request for another
// file. It returns the page printed as PDF.
//
// The rules of axe-core are applied too. With PAGETEST_SHOTS set to a folder, a
// picture of each view and the PDF are left there for a person to look at.
func Check(t testing.TB, name string, html []byte) []byte {
	t.Helper()
	file := filepath.Join(t.TempDir(), name+".html")
	if err := os.WriteFile(file, html, 0o666); err != nil {
		t.Fatal(err)
	}
	return look(t, name, file, nil)
}

// CheckFile is Check for a page of a folder, which may ask for the style sheets and scripts
// that lie beside it. They must come.
func CheckFile(t testing.TB, file string) []byte {
	t.Helper()
	return look(t, strings.TrimSuffix(filepath.Base(file), ".html"), file, []string{".css", ".js"})
}

// look opens a file in each view; beside are the endings of what it may load from its folder.
func look(t testing.TB, name, file string, beside []string) []byte {
	t.Helper()
	l := looker{name: name, file: file, beside: beside}
	ctx, cancel := tab(t, chromedp.WithListener(l.listen))
	defer cancel()
	l.ctx = ctx
	l.start(t)
	if err := chromedp.Do(ctx, chromedp.Navigate("file://"+file)); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	inViews(t, ctx, name)
	pdf := l.print(t)
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, h := range l.heard {
		t.Errorf("%s: %s", name, h)
	}
	return pdf
}

// looker is a browser with one page open, and what it said meanwhile.
type looker struct {
	name, file string
	beside     []string
	ctx        context.Context
	mu         sync.Mutex
	heard      []string
}

// shared is the browser that the tests of a package share while they run: to start one takes longer than to look at a page.
var shared struct {
	sync.Mutex
	users int
	ctx   context.Context
	stop  func()
}

// Open keeps a browser until the test ends, for it and for all others meanwhile. Each look is
// in a tab with a profile of its own.
func Open(t testing.TB) context.Context {
	t.Helper()
	shared.Lock()
	defer shared.Unlock()
	if shared.users == 0 {
		profile, err := os.MkdirTemp("", "pagetest-")
		if err != nil {
			t.Fatal(err)
		}
		opts := []chromedp.ExecAllocatorOption{chromedp.ExecPath(Browser(t)), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun, chromedp.UserDataDir(profile)}
		for _, f := range []string{"disable-quic", "disable-background-networking", "disable-component-update", "disable-sync"} {
			opts = append(opts, chromedp.Flag(f, true))
		}
		ctx, cancel := chromedp.NewContext(context.Background(), chromedp.WithAllocatorOptions(opts...))
		shared.ctx, shared.stop = ctx, func() { cancel(); _ = os.RemoveAll(profile) }
		if err := chromedp.Do(ctx); err != nil {
			shared.stop()
			t.Fatal(err)
		}
	}
	shared.users++
	t.Cleanup(func() {
		shared.Lock()
		defer shared.Unlock()
		if shared.users--; shared.users == 0 {
			shared.stop()
		}
	})
	return shared.ctx
}

// tab opens an empty page in the shared browser.
func tab(t testing.TB, opts ...chromedp.ContextOption) (context.Context, context.CancelFunc) {
	t.Helper()
	return chromedp.NewContext(Open(t), append(opts, chromedp.WithNewBrowserContext())...)
}

// start opens the page's tab and has it tell of requests and faults.
func (l *looker) start(t testing.TB) {
	t.Helper()
	l.run(t, "start", chromedp.Func(func(ctx context.Context, s *chromedp.Target) error {
		if _, err := cdp.Call(ctx, s, network.Enable, network.EnableParams{}); err != nil {
			return err
		}
		_, err := cdp.Call(ctx, s, log.Enable, cdp.Empty{})
		return err
	}))
}

// listen hears what a page may not do: write on the console, fail, or ask for another file.
func (l *looker) listen(ev any) {
	switch e := ev.(type) {
	case *runtime.EventConsoleAPICalled:
		l.hear("console: %s", e.Type)
	case *runtime.EventExceptionThrown:
		l.hear("exception: %s", e.ExceptionDetails.Text)
	case *log.EventEntryAdded:
		l.hear("log: %s", e.Entry.Text)
	case *network.EventRequestWillBeSent:
		if u := e.Request.URL; !l.ours(u) && !strings.HasPrefix(u, "data:") {
			l.hear("asks for %s", u)
		}
	case *network.EventLoadingFailed:
		l.hear("does not get %s: %s", e.Type, e.ErrorText)
	}
}

func (l *looker) hear(format string, args ...any) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.heard = append(l.heard, fmt.Sprintf(format, args...))
}

// ours says that an address is the page or what it may load.
func (l *looker) ours(url string) bool {
	at, ok := strings.CutPrefix(url, "file://"+filepath.Dir(l.file)+"/")
	return ok && (at == filepath.Base(l.file) || !strings.Contains(at, "/") && slices.Contains(l.beside, filepath.Ext(at)))
}

func (l *looker) run(t testing.TB, what string, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(l.ctx, steps...); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
}

// print is the page as a PDF.
func (l *looker) print(t testing.TB) []byte {
	t.Helper()
	pdf, err := chromedp.Run(l.ctx, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4)))
	if err != nil || !bytes.HasPrefix(pdf, []byte("%PDF-")) {
		t.Fatalf("printing %s: %v", l.name, err)
	}
	if dir := os.Getenv("PAGETEST_SHOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, l.name+".pdf"), pdf, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return pdf
}

func shot(t testing.TB, ctx context.Context, file string) {
	t.Helper()
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, png, 0o666); err != nil {
		t.Fatal(err)
	}
}

// loadAxe puts axe-core on the page as it stands.
func loadAxe(t testing.TB, ctx context.Context, where string) {
	t.Helper()
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](Axe(t)+"; typeof window.axe === 'object'")); err != nil {
		t.Fatalf("%s: axe-core: %v", where, err)
	}
}

// applyAxe holds the page as it stands against the rules of axe-core, which loadAxe put there.
func applyAxe(t testing.TB, ctx context.Context, where string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	// axe-core would fetch a style sheet that lies beside the page, which its policy forbids
	faults, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](
		`window.axe.run(document, { resultTypes: ["violations"], preload: !document.querySelector("link[rel=stylesheet]") }).then(r => r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + v.help + ": " + n.html.slice(0, 120))))`, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%s: axe-core: %v", where, err)
	}
	for _, f := range faults {
		t.Errorf("%s: axe-core %s", where, f)
	}
}

// Answer is what must be read on the first screen of a page: of a file, or of HTML that goes
// alone.
type Answer struct {
	Name string
	File string
	HTML []byte
	Text string
}

// FirstScreen is how far down a text may end on a phone of 390 by 844 px.
const FirstScreen = 800

// Answers opens each page on a phone and reports a text that is not there or does not
// stand whole above FirstScreen.
func Answers(t testing.TB, as []Answer) {
	t.Helper()
	ctx, cancel := tab(t)
	defer cancel()
	dir := t.TempDir()
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(390, 844)); err != nil {
		t.Fatal(err)
	}
	for i, a := range as {
		if i == 0 || a.File != as[i-1].File || !bytes.Equal(a.HTML, as[i-1].HTML) { // else it stands there
			file := a.File
			if file == "" {
				file = filepath.Join(dir, fmt.Sprintf("%d.html", i))
				if err := os.WriteFile(file, a.HTML, 0o666); err != nil {
					t.Fatal(err)
				}
			}
			if err := chromedp.Do(ctx, chromedp.Navigate("file://"+file)); err != nil {
				t.Fatalf("%s: %v", a.Name, err)
			}
		}
		ends, err := chromedp.Run(ctx, chromedp.Evaluate[float64](fmt.Sprintf(`(() => {
  const plain = s => s.replace(/\s+/g, " ").trim();
  let best = -1;
  for (const e of document.querySelectorAll("main *")) {
    if (!plain(e.textContent).includes(%q)) continue;
    const r = e.getBoundingClientRect();
    if (r.height > 0 && (best < 0 || r.bottom < best)) best = r.bottom;
  }
  return best;
})()`, a.Text)))
		switch {
		case err != nil:
			t.Fatalf("%s: %v", a.Name, err)
		case ends < 0:
			t.Errorf("%s: %q is not on the page", a.Name, a.Text)
		case ends > FirstScreen:
			t.Errorf("%s: %q ends at y = %.0f, below %d", a.Name, a.Text, ends, FirstScreen)
		default:
			t.Logf("%s: %q ends at y = %.0f", a.Name, a.Text, ends)
		}
	}
}

// Phone opens a page of a phone's size; done closes it.
func Phone(t testing.TB) (ctx context.Context, done func()) {
	t.Helper()
	ctx, done = tab(t)
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(390, 844)); err != nil {
		t.Fatal(err)
	}
	return ctx, done
}

// Here looks at the page that stands in a browser in each view, as Check does. The browser is a
// phone again afterwards.
func Here(t testing.TB, ctx context.Context, name string) {
	t.Helper()
	inViews(t, ctx, name)
	show(t, ctx, name, views[0])
}

// inViews looks at the page that stands in a tab in each view. With PAGETEST_SHOTS set to a
// folder, pictures are left there.
func inViews(t testing.TB, ctx context.Context, name string) {
	t.Helper()
	loadAxe(t, ctx, name)
	for _, v := range views {
		where := name + ", " + v.name
		show(t, ctx, where, v)
		faults, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](lookScript))
		if err != nil {
			t.Fatalf("%s: %v", where, err)
		}
		for _, f := range faults {
			t.Errorf("%s: %s", where, f)
		}
		if dir := os.Getenv("PAGETEST_SHOTS"); dir != "" {
			shot(t, ctx, filepath.Join(dir, where+".png"))
		}
		if v.axe {
			applyAxe(t, ctx, where)
		}
	}
}

// show gives a tab the size, medium and colours of a view.
func show(t testing.TB, ctx context.Context, where string, v view) {
	t.Helper()
	err := chromedp.Do(ctx, chromedp.EmulateViewport(v.width, v.height), chromedp.Func(func(ctx context.Context, s *chromedp.Target) error {
		_, err := cdp.Call(ctx, s, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: v.media, Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: v.scheme}}})
		return err
	}))
	if err != nil {
		t.Fatalf("%s: %v", where, err)
	}
}
