package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"strings"
	"testing"
)

// picture is red on its left half, blue in the lower right quarter, else grey: no two of its
// turns are the same.
func picture(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{128, 128, 128, 255}
			switch {
			case x < w/2:
				c = color.RGBA{255, 0, 0, 255}
			case y >= h/2:
				c = color.RGBA{0, 0, 255, 255}
			}
			m.Set(x, y, c)
		}
	}
	return m
}

func asJPEG(t testing.TB, m image.Image) []byte {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func asPNG(t testing.TB, m image.Image) []byte {
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// exif is a TIFF directory with an orientation and, as a sign to look for, a maker's name.
func exif(order binary.AppendByteOrder, turn int) []byte {
	b := []byte("II*\x00")
	if order.String() == "BigEndian" {
		b = []byte("MM\x00*")
	}
	b = order.AppendUint32(b, 8)
	b = order.AppendUint16(b, 2)
	b = order.AppendUint16(b, 0x010f)
	b = order.AppendUint16(b, 2)
	b = order.AppendUint32(b, 8)
	b = order.AppendUint32(b, 38)
	b = order.AppendUint16(b, 0x0112)
	b = order.AppendUint16(b, 3)
	b = order.AppendUint32(b, 1)
	b = order.AppendUint16(b, uint16(turn))
	b = order.AppendUint16(b, 0)
	b = order.AppendUint32(b, 0)
	return append(b, "SECRETS\x00"...)
}

func withExif(jpg []byte, x []byte) []byte {
	x = append([]byte("Exif\x00\x00"), x...)
	seg := append([]byte{0xff, 0xe1}, byte((len(x)+2)>>8), byte(len(x)+2))
	return append(append(append(bytes.Clone(jpg[:2]), seg...), x...), jpg[2:]...)
}

func pngWithExif(in []byte, x []byte) []byte {
	chunk := binary.BigEndian.AppendUint32(nil, uint32(len(x)))
	chunk = append(append(chunk, "eXIf"...), x...)
	chunk = binary.BigEndian.AppendUint32(chunk, crc32.ChecksumIEEE(chunk[4:]))
	const afterHeader = 8 + 25 // signature and IHDR
	return append(append(bytes.Clone(in[:afterHeader]), chunk...), in[afterHeader:]...)
}

// Each orientation brings the picture upright: the pixel that Exif says is at the top left comes
// there. Expected corners from Exif 2.32 section 4.6.4, from memory.
func TestCleanTurns(t *testing.T) {
	const r, b, g = "red", "blue", "grey"
	// colours at top left, top right, bottom left and bottom right after turning
	want := map[int][4]string{1: {r, g, r, b}, 2: {g, r, b, r}, 3: {b, r, g, r}, 4: {r, b, r, g}, 5: {r, r, g, b}, 6: {r, r, b, g}, 7: {b, g, r, r}, 8: {g, b, r, r}}
	name := func(c color.Color) string {
		x, y, z, _ := c.RGBA()
		switch {
		case x > 0xc000 && z < 0x4000:
			return r
		case z > 0xc000 && x < 0x4000:
			return b
		case x > 0x6000 && y > 0x6000 && z > 0x6000:
			return g
		}
		return "other"
	}
	for turn := 1; turn <= 8; turn++ {
		for kind, data := range map[string][]byte{
			"jpeg, little": withExif(asJPEG(t, picture(160, 80)), exif(binary.LittleEndian, turn)),
			"jpeg, big":    withExif(asJPEG(t, picture(160, 80)), exif(binary.BigEndian, turn)),
			"png":          pngWithExif(asPNG(t, picture(160, 80)), exif(binary.BigEndian, turn)),
		} {
			out, err := Clean(data)
			if err != nil {
				t.Fatalf("%s, orientation %d: %v", kind, turn, err)
			}
			m, err := jpeg.Decode(bytes.NewReader(out))
			if err != nil {
				t.Fatal(err)
			}
			w, h := m.Bounds().Dx(), m.Bounds().Dy()
			if tall := turn >= 5; tall != (h > w) {
				t.Errorf("%s, orientation %d: %d × %d", kind, turn, w, h)
			}
			got := [4]string{name(m.At(8, 8)), name(m.At(w-9, 8)), name(m.At(8, h-9)), name(m.At(w-9, h-9))}
			if got != want[turn] {
				t.Errorf("%s, orientation %d: corners %v, want %v", kind, turn, got, want[turn])
			}
			if bytes.Contains(out, []byte("SECRETS")) || bytes.Contains(out, []byte("Exif")) || !IsClean(out) {
				t.Errorf("%s: what the camera wrote is still in it", kind)
			}
			if IsClean(data) {
				t.Errorf("%s with Exif counts as clean", kind)
			}
		}
	}
}

func TestCleanLimitsSize(t *testing.T) {
	noise := image.NewRGBA(image.Rect(0, 0, 2400, 1800))
	rnd := rand.New(rand.NewPCG(1, 2))
	for i := range noise.Pix {
		noise.Pix[i] = byte(rnd.Uint32())
	}
	for name, data := range map[string][]byte{"noise": asJPEG(t, noise), "wide": asPNG(t, picture(3000, 20)), "small": asJPEG(t, picture(64, 48)), "one pixel": asPNG(t, picture(1, 1))} {
		out, err := Clean(data)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		cfg, err := jpeg.DecodeConfig(bytes.NewReader(out))
		if err != nil || len(out) > MaxBytes || max(cfg.Width, cfg.Height) > MaxEdge {
			t.Errorf("%s: %d bytes, %d × %d, %v", name, len(out), cfg.Width, cfg.Height, err)
		}
		if name == "small" && (cfg.Width != 64 || cfg.Height != 48) {
			t.Errorf("a small picture was made %d × %d", cfg.Width, cfg.Height)
		}
	}
}

// bomb is a PNG that says how large it is and has next to nothing in it.
func bomb(w, h uint32) []byte {
	head := binary.BigEndian.AppendUint32([]byte("IHDR"), w)
	head = append(binary.BigEndian.AppendUint32(head, h), 8, 2, 0, 0, 0)
	out := append([]byte("\x89PNG\r\n\x1a\n\x00\x00\x00\x0d"), head...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(head))
}

func TestCleanRefuses(t *testing.T) {
	good := asJPEG(t, picture(64, 64))
	for says, data := range map[string][]byte{
		"empty": {}, "unknown picture format": []byte("format = 1\n"), "HEIC picture": []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1"),
		"a film": []byte("\x00\x00\x00\x18ftypqt  xxxx"), "WebP": []byte("RIFF\x00\x00\x00\x00WEBPVP8 "), "GIF": []byte("GIF89a......"), "PDF": []byte("%PDF-1.7........"),
		"damaged": good[:len(good)/2], "more than 50 megapixels": bomb(20000, 20000), "more than 40 MB": append(bytes.Clone(good), make([]byte, MaxFile)...),
	} {
		_, err := Clean(data)
		var e *Error
		if !errors.As(err, &e) || !strings.Contains(e.What, says) || e.Do == "" {
			t.Errorf("want an *Error with %q, got %v", says, err)
		}
	}
	if _, err := Clean(bomb(1<<31-1, 1<<31-1)); err == nil {
		t.Error("a picture of 2^62 pixels went through")
	}
}

// FuzzClean: whatever is given, the answer is an *Error or a clean JPEG within the limits.
func FuzzClean(f *testing.F) {
	jpg, p := asJPEG(f, picture(16, 8)), asPNG(f, picture(16, 8))
	for _, s := range [][]byte{jpg, p, withExif(jpg, exif(binary.LittleEndian, 6)), pngWithExif(p, exif(binary.BigEndian, 8)), bomb(30000, 30000), []byte("\xff\xd8\xff"), []byte("\x00\x00\x00\x18ftypheic"), nil} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 1<<16 {
			return
		}
		// a large picture is no fault, only slow here
		if cfg, _, err := image.DecodeConfig(bytes.NewReader(data)); err == nil && cfg.Width*cfg.Height > 1<<20 && int64(cfg.Width)*int64(cfg.Height) <= MaxPixels {
			return
		}
		out, err := Clean(data)
		if err != nil {
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("%v is no *Error", err)
			}
			return
		}
		if !IsClean(out) {
			t.Fatalf("%d bytes that are not clean", len(out))
		}
	})
}
