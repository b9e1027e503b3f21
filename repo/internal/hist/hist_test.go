package hist

import (
	"encoding/binary"
	"hash/crc32"
	"testing"

	"github.com/go-git/go-git/v5/plumbing"
)

func sample() *Index {
	x := New(0, false)
	for i := range 40 {
		c := Commit{ID: plumbing.ComputeHash(plumbing.BlobObject, []byte{byte(i)}), Date: int64(i)}
		if i > 0 {
			c.Parents = append(c.Parents, i-1)
		}
		if i > 5 && i%7 == 0 {
			c.Parents = append(c.Parents, i-5)
		}
		c.Changed = []Changed{{"rigs/a/main.toml", c.ID}}
		if i%3 == 0 {
			c.Changed = append(c.Changed, Changed{"jobs/\t\"odd\".toml", plumbing.ZeroHash})
		}
		x.add(c)
	}
	return x
}

func TestBaseAndJournal(t *testing.T) {
	x := sample()
	y, err := parseBase(x.format())
	if err != nil {
		t.Fatal(err)
	}
	head := x.ID(39)
	for _, p := range []string{"rigs/a/main.toml", "jobs/\t\"odd\".toml", "none"} {
		a, b := x.Postings(p, head), y.Postings(p, head)
		if len(a) != len(b) || p != "none" && len(a) == 0 {
			t.Fatal(p, len(a), len(b))
		}
		for i := range a {
			if a[i] != b[i] {
				t.Fatal(p, a[i], b[i])
			}
		}
	}
	if got := y.Postings("rigs/a/main.toml", x.ID(10)); len(got) != 11 || y.Bad() {
		t.Fatal(len(got), y.Bad())
	}
	// A journal line survives the round trip, a torn one is passed over.
	y.add(Commit{ID: plumbing.NewHash("0123456789012345678901234567890123456789"), Date: 7, Parents: []int{39, 3}, Changed: []Changed{{"jobs/\t\"odd\".toml", head}}})
	text := y.journalHead() + string(y.line(40))
	for cut := range len(text) + 1 {
		z, err := parseBase(x.format())
		if err != nil {
			t.Fatal(err)
		}
		z.readJournal([]byte(text[:cut]))
		want := 40
		if cut == len(text) {
			want = 41
		}
		if z.Len() != want {
			t.Fatalf("cut at %d: %d commits", cut, z.Len())
		}
	}
}

// FuzzBase gives the reader bytes with good check sums and wrong numbers: whatever they are, a
// question must end, and end without a panic.
func FuzzBase(f *testing.F) {
	good := sample().format()
	f.Add(good, 0, byte(0))
	f.Add(good, 24, byte(255))
	f.Add(good, headerSize+4+40*24+3, byte(255))
	f.Fuzz(func(t *testing.T, b []byte, at int, v byte) {
		b = append([]byte{}, b...)
		if at >= 0 && at < len(b) {
			b[at] = v
		}
		if len(b) >= headerSize {
			blocks := 0
			for ; headerSize+4*(blocks+1)+blockSize*blocks < len(b); blocks++ {
			}
			start := headerSize + 4*blocks
			for i := range blocks {
				binary.LittleEndian.PutUint32(b[headerSize+4*i:], crc32.Checksum(b[start+i*blockSize:min(start+(i+1)*blockSize, len(b))], castagnoli()))
			}
			if start <= len(b) {
				binary.LittleEndian.PutUint32(b[68:], headSum(b, blocks))
			}
		}
		x, err := parseBase(b)
		if err != nil {
			return
		}
		head := plumbing.Hash(b[40:60])
		x.Postings("rigs/a/main.toml", head)
		x.Postings("rigs/a/main.toml", x.ID(0))
		for no, steps := x.Find(head), 0; no >= 0 && steps < 100; no, steps = x.FirstParent(no), steps+1 {
			x.Date(no)
		}
		x.readJournal([]byte(x.journalHead() + "00000000\tx\n"))
		if !x.Bad() && x.Len() > 0 {
			x.format()
		}
	})
}
