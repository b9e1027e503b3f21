package library

import (
	"strings"
	"testing"

	"rigkeep/preset/csvtable"
)

// FuzzImportTunes: whatever a table holds, each row is taken in with texts that read back, or has
// a fault with its place; nothing panics and nothing is written.
func FuzzImportTunes(f *testing.F) {
	for _, s := range []string{
		"rig;gimbal;mass;pan\nrail 35;skiff-small;1,25 kg;30\n", "Rig,Weight [g],tilt\na,1250,12.5\na,1250,13\n", "rig,mass,pan\n\"a\nb\",-1 kg,NaN\n",
		"name,payload (lb),walk lag pan\nå,2.5,0.4\n", "rig\n\n", "rig,rig 2,mass\nx,y,1e999 kg\n", "pan,tilt\n1,2\n", "rig,mass,pan,PAN,note,stiffness.pan\nx,1 kg,1,2,n,3\n", "\xef\xbb\xbfrig\tmass\nx\t1 kg\n",
	} {
		f.Add([]byte(s), "skiff-small")
	}
	l, _ := newLibrary(f, 1)
	head, err := l.Store.Head()
	if err != nil {
		f.Fatal(err)
	}
	gimbals, err := l.Gimbals()
	if err != nil || len(gimbals) == 0 {
		f.Fatal(gimbals, err)
	}
	f.Fuzz(func(t *testing.T, data []byte, gimbal string) {
		if len(data) > 4096 {
			return
		}
		tab, err := csvtable.Read(data)
		if err != nil {
			return
		}
		if gimbal == "skiff-small" {
			gimbal = gimbals[0]
		}
		rows, faults, err := l.Edits().ImportTunes(tab, ImportOptions{Name: "x.csv", Gimbal: gimbal})
		if err != nil {
			t.Fatalf("without a map: %v", err)
		}
		if len(rows) == 0 && len(faults) == 0 {
			t.Fatal("neither a row nor a fault")
		}
		for _, x := range faults {
			if x.What == "" || x.Line < 0 {
				t.Fatalf("fault without what or where: %+v", x)
			}
		}
		for _, r := range rows {
			if len(r.Files) == 0 || r.Mass <= 0 {
				t.Fatalf("row without a file or a mass: %+v", r)
			}
			for _, file := range r.Files {
				if _, err := l.Parse(file.Path, file.Text, nil); err != nil {
					t.Fatalf("%s does not read back: %v\n%s", file.Path, err, file.Text)
				}
				if strings.Contains(string(file.Text), "[proof") {
					t.Fatal("a proof was imported")
				}
			}
		}
		if now, err := l.Store.Head(); err != nil || now != head {
			t.Fatal("the library changed")
		}
	})
}
