package vibration

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"math/rand"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"
	"testing"
)

// source writes a log row by row as it is read, so that its text is never in
// memory as a whole.
type source struct {
	rows, at int
	row      func(b []byte, i int) []byte
	buf      []byte
}

func (s *source) Read(p []byte) (int, error) {
	for len(s.buf) < len(p) && s.at < s.rows {
		s.buf = s.row(s.buf, s.at)
		s.at++
	}
	n := copy(p, s.buf)
	s.buf = append(s.buf[:0], s.buf[n:]...)
	if n == 0 {
		return 0, io.EOF
	}
	return n, nil
}

const tenMinuteRows = 600_000

// gyroLog is a log of three axes at 1 kHz, its times shaken by a share of the step.
func gyroLog(rows int, jitter float64) io.Reader {
	rng := rand.New(rand.NewSource(1))
	return io.MultiReader(bytes.NewReader([]byte("time_s,gyro_x_dps,gyro_y_dps,gyro_z_dps\n")), &source{rows: rows, row: func(b []byte, i int) []byte {
		t := (float64(i) + jitter*(rng.Float64()-0.5)) / 1000
		b = strconv.AppendFloat(b, t, 'f', 6, 64)
		for axis := 0; axis < 3; axis++ {
			v := 2*math.Sin(2*math.Pi*0.9*t+float64(axis)) + rng.NormFloat64()*0.1
			if axis == 1 {
				v += 0.8 * math.Sin(2*math.Pi*47.3*t)
			}
			b = append(b, ',')
			b = strconv.AppendFloat(b, v, 'f', 5, 64)
		}
		return append(b, '\n')
	}})
}

func BenchmarkTenMinutesAt1kHz(b *testing.B) {
	for name, jitter := range map[string]float64{"even": 0, "uneven": 0.4} {
		text, err := io.ReadAll(gyroLog(tenMinuteRows, jitter))
		if err != nil {
			b.Fatal(err)
		}
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			b.SetBytes(int64(len(text)))
			for b.Loop() {
				l, err := Read(bytes.NewReader(text), ReadOptions{})
				if err != nil {
					b.Fatal(err)
				}
				r, err := Analyse(l, Settings{})
				if err != nil || r.Verdict.Kind != Chatter {
					b.Fatal(err, r)
				}
			}
		})
	}
}

func BenchmarkWelch(b *testing.B) {
	rng := rand.New(rand.NewSource(1))
	x := make([]float64, 600_000)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	for _, n := range []int{1024, 4096, 5000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Welch(1000, n, x); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// What is held while ten minutes are read and analysed stays below 200 MB; it grows
// with the rows, so a tenth of them must stay below a tenth of that.
func TestReadingStaysSmall(t *testing.T) {
	rows := 60_000
	if os.Getenv("RIGKEEP_STORM") != "" {
		rows = tenMinuteRows
	}
	defer debug.SetGCPercent(debug.SetGCPercent(100)) // whatever GOGC says
	var before, now runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	peak, calls, last := uint64(0), 0, 0
	look := func(_ int64, n int) {
		if n < last {
			t.Errorf("progress went back from %d to %d rows", last, n)
		}
		calls, last = calls+1, n
		runtime.ReadMemStats(&now)
		peak = max(peak, now.HeapAlloc)
	}
	l, err := Read(gyroLog(rows, 0.4), ReadOptions{Progress: look})
	if err != nil {
		t.Fatal(err)
	}
	if calls < rows/progressEvery || last != rows || l.Timing.Rows != rows {
		t.Errorf("%d calls of progress, the last at %d of %d rows", calls, last, l.Timing.Rows)
	}
	if _, err := Analyse(l, Settings{}); err != nil {
		t.Fatal(err)
	}
	look(0, last)
	if limit := uint64(200<<20) * uint64(rows) / tenMinuteRows; peak-before.HeapAlloc > limit {
		t.Errorf("%d rows took %d MB at the peak, want below %d", rows, (peak-before.HeapAlloc)>>20, limit>>20)
	}
}
