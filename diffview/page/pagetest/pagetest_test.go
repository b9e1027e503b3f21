package pagetest

import (
	"fmt"
	"strings"
	"testing"
)

// recorder takes the failures of a check, to see that a bad page has them.
type recorder struct {
	testing.TB
	said []string
}

func (r *recorder) Helper() {}
func (r *recorder) Errorf(format string, args ...any) {
	r.said = append(r.said, fmt.Sprintf(format, args...))
}

// The check can fail: a page with each fault is told apart.
func TestBadPage(t *testing.T) {
	r := recorder{TB: t}
	Check(&r, "bad", []byte(`<!DOCTYPE html><title>bad</title><body style="margin:0;background:#fff;color:#000">
<p style="font-size:10px">small</p><p style="color:#aaa">pale</p><div style="width:2000px">wide</div>
<table><tr><td>no scope</td></tr></table><table><tr><td style="width:40px"><a><bdi>a-cam-prime</bdi></a></td></tr></table><svg class="chart" viewBox="0 0 9 9" width="90"><text font-size="1" y="5">x</text></svg>
<b id="a">1</b><b id="a">2</b><script>console.log("hello")</script><img src="other.png" alt="">`))
	all := strings.Join(r.said, "\n")
	for _, want := range []string{"small text", "low contrast", "sideways scroll", "table without scope", "short name broken", "picture without words", "picture without table", "id twice", "console", "has a script without a policy", "asks for", "axe-core html-has-lang"} {
		if !strings.Contains(all, want) {
			t.Errorf("the check does not see %q in:\n%s", want, all)
		}
	}
}
