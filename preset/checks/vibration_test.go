package checks

import (
	"fmt"
	"os"
	"path/filepath"

	"rigkeep/preset/vibration"
	"rigkeep/schema"
)

func init() {
	register("window_figures", func(in inputs) (map[string]any, error) {
		w, err := vibration.HannFigures(int(in.num("n", 0)))
		return map[string]any{"coherent_gain": w.CoherentGain, "enbw_bins": w.NoiseBandwidth, "scallop_db": w.ScallopLossDB,
			"overlap_corr_pct": 100 * w.OverlapCorrelation}, err
	})
	register("analyse", analyse)
}

func analyse(in inputs) (map[string]any, error) {
	f, err := os.Open(filepath.Join(in.dir, in.str("file")))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	log, err := vibration.Read(f, vibration.ReadOptions{})
	if err != nil {
		return nil, err
	}
	how := vibration.Method(in.str("resample"))
	if how == "" {
		how = vibration.None
	}
	fmin := in.num("fmin", 0.5)
	s := vibration.Settings{Resample: how, Rate: in.num("fs", 0), Segment: int(in.num("nperseg", 0)), MinHz: fmin, AcrossGaps: true}
	for _, b := range list(in.m["bands"]) {
		edges := list(b)
		s.Bands = append(s.Bands, vibration.Band{Low: number(edges[0]), High: number(edges[1])})
	}
	report, err := vibration.Analyse(log, s)
	if err != nil {
		return nil, err
	}
	axes := map[string]bool{}
	for _, a := range list(in.m["axes"]) {
		axes[fmt.Sprint(a)] = true
	}
	t := report.Timing
	out := map[string]any{"rows": t.Rows, "duration_s": t.Duration, "fs_mean": t.MeanRate, "dt_median": t.StepMedian, "dt_min": t.StepMin, "dt_max": t.StepMax}
	for _, a := range report.Axes {
		if len(axes) > 0 && !axes[a.Axis] {
			continue
		}
		if _, ok := schema.ParseAxis(a.Axis); !ok {
			return nil, fmt.Errorf("unknown axis %q", a.Axis)
		}
		sp := a.Spectrum
		bands, peaks := []float64{}, []map[string]any{}
		for _, l := range a.Levels[len(a.Levels)-len(s.Bands):] {
			bands = append(bands, l.RMS/deg)
		}
		for _, p := range sp.Peaks(fmin, int(in.table("n_peaks").num(a.Axis, 0))) {
			peaks = append(peaks, map[string]any{"bin_hz": p.Line, "hz": p.Hz, "psd": p.PSD / deg / deg, "rms": p.RMS / deg})
		}
		got := map[string]any{"mean": a.Mean / deg, "segments": sp.Segments, "total_rms": a.Total / deg, "band_rms": bands, "peaks": peaks}
		if at := in.nums("psd_at"); at != nil {
			var psd []float64
			for _, hz := range at {
				psd = append(psd, sp.At(hz)/deg/deg)
			}
			got["psd_at"] = psd
		}
		out[a.Axis] = got
	}
	return out, nil
}
