package vibration

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"rigkeep/preset/internal/modeltest"
	"rigkeep/schema"
)

// The npm package ahrs 1.3.3 ships two real traces of a nine-axis sensor, gyro in
// deg/s and dt in ms (Apache-2.0 by its LICENSE file and file headers; its
// package.json says APSL-2.0). They are installed into a temporary folder and not
// kept. Set RIGKEEP_NPM=1 to run this: it needs npm and the network.
func TestRealTraces(t *testing.T) {
	if os.Getenv("RIGKEEP_NPM") == "" {
		t.Skip("RIGKEEP_NPM is not set: this installs a package from npm")
	}
	dir := t.TempDir()
	npm := exec.Command("npm", "install", "--no-audit", "--no-fund", "--ignore-scripts", "--prefix", dir, "ahrs@1.3.3")
	if out, err := npm.CombinedOutput(); err != nil {
		t.Fatalf("npm: %v\n%s", err, out)
	}
	sample := regexp.MustCompile(`gyro:\s*\{\s*x:\s*(\S+?),\s*y:\s*(\S+?),\s*z:\s*(\S+?)\s*\}[^;]*?dt:\s*([\d.]+)`)
	for name, want := range map[string]struct {
		rows     int
		duration float64
	}{"test-data-pitch-move.js": {652, 8.9}, "test-data-random-move.js": {496, 6.9}} {
		data, err := os.ReadFile(filepath.Join(dir, "node_modules", "ahrs", "test", name))
		if err != nil {
			t.Fatal(err)
		}
		csv, ms := "t_ms,gyro_x_dps,gyro_y_dps,gyro_z_dps\n", 0.0
		for _, m := range sample.FindAllStringSubmatch(string(data), -1) {
			dt, err := strconv.ParseFloat(m[4], 64)
			if err != nil {
				t.Fatal(err)
			}
			ms += dt
			csv += fmt.Sprintf("%g,%s,%s,%s\n", ms, m[1], m[2], m[3])
		}
		l, err := Read(strings.NewReader(csv), ReadOptions{})
		if err != nil {
			t.Fatal(err)
		}
		tm := l.Timing
		if tm.Rows != want.rows || math.Abs(tm.Duration-want.duration) > 0.1 || tm.Even {
			t.Errorf("%s: timing %+v", name, tm)
		}
		// as the check values' authors saw it: median 13 ms, 11 to 120
		modeltest.Near(t, name+" median step", tm.StepMedian, 0.013, 0, 1e-9)
		if tm.StepMin < 0.0109 || tm.StepMax > 0.1201 || len(tm.Gaps) == 0 || finding(l, Uneven) == nil {
			t.Errorf("%s: timing %+v, findings %+v", name, tm, l.Findings)
		}
		whole := analyse(t, l, Settings{AcrossGaps: true})
		if whole.Method != Linear {
			t.Errorf("%s: gaps bridged by %q", name, whole.Method)
		}
		for i, a := range whole.Axes {
			x := l.Rates[[]schema.Axis{schema.Pan, schema.Tilt, schema.Roll}[i]]
			mean, power := 0.0, 0.0
			for _, v := range x {
				mean += v / float64(len(x))
			}
			for _, v := range x {
				power += (v - mean) * (v - mean) / float64(len(x))
			}
			// segments of some seconds hold most of the trace's own spread
			if a.Total < 0.5*math.Sqrt(power) || a.Total > 1.5*math.Sqrt(power) {
				t.Errorf("%s %s: spectrum holds %g, the samples spread by %g deg/s", name, a.Axis, a.Total/deg, math.Sqrt(power)/deg)
			}
		}
		r := analyse(t, l, Settings{})
		t.Logf("%s: %s; %q; notes %q", name, r.Verdict.Kind, r.Verdict.Evidence, r.Notes)
		// the axis that the hand turned reads as that; its neighbours, hardly turned,
		// show the sensor's roughness
		most := r.Axes[0]
		for _, a := range r.Axes {
			if a.Total > most.Total {
				most = a
			}
		}
		if most.Verdict.Kind != HandSway || r.Pieces < 1 {
			t.Errorf("%s: turned by hand about %s, read as %q in %d pieces", name, most.Axis, most.Verdict.Kind, r.Pieces)
		}
		// the one that was thrown about reached its sensor's +-250 deg/s
		if f := finding(l, Clipped); (f != nil) != (name == "test-data-random-move.js") {
			t.Errorf("%s: clipping %+v", name, f)
		}
	}
}
