// Package photo makes a picture small and clean for a library: a JPEG with the picture alone,
// upright, of limited size, with nothing that the camera wrote beside it. It does no I/O.
package photo

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"strings"

	"golang.org/x/image/draw"
)

// Limits of what is taken and of what is made.
const (
	MaxFile   = 40 << 20   // bytes of a file that is taken
	MaxPixels = 50_000_000 // of a picture that is taken, checked before it is decoded
	MaxEdge   = 1600       // pixels of the longer edge of what is made
	MaxBytes  = 250_000    // of what is made
)

// Error says what is wrong with a file that was given as a photo, and what to do.
type Error struct{ What, Do string }

func (e *Error) Error() string { return e.What + "; " + e.Do }

// ErrDamaged is of a file of the right kind that cannot be read whole.
var ErrDamaged = &Error{"the picture is damaged", "save it again from a program that shows it, as JPEG"}

// Clean takes a JPEG or PNG file and gives a JPEG of at most MaxEdge pixels and MaxBytes bytes,
// turned as its orientation says, transparent parts on white, without location, times, camera,
// thumbnail, comments or colour profile.
//
// Errors: *Error for another kind of file (with how to export HEIC), for a file or picture that
// is too large, and for one that is damaged.
//
// Source of the orientations: Exif 2.32 section 4.6.4 (tag 0112), from memory.
func Clean(data []byte) ([]byte, error) {
	kind, err := kindOf(data)
	if err != nil {
		return nil, err
	}
	cfg, img, turn := image.Config{}, image.Image(nil), 1
	switch kind {
	case "jpeg":
		cfg, err = jpeg.DecodeConfig(bytes.NewReader(data))
	case "png":
		cfg, err = png.DecodeConfig(bytes.NewReader(data))
	}
	if err != nil || cfg.Width < 1 || cfg.Height < 1 {
		return nil, ErrDamaged
	}
	if int64(cfg.Width)*int64(cfg.Height) > MaxPixels {
		return nil, &Error{fmt.Sprintf("the picture has %d × %d pixels, more than %d megapixels", cfg.Width, cfg.Height, MaxPixels/1_000_000), "make it smaller and try again"}
	}
	if kind == "jpeg" {
		turn = jpegTurn(data)
		img, err = jpeg.Decode(bytes.NewReader(data))
	} else {
		turn = pngTurn(data)
		img, err = png.Decode(bytes.NewReader(data))
	}
	if err != nil || img.Bounds().Dx() != cfg.Width || img.Bounds().Dy() != cfg.Height {
		return nil, ErrDamaged
	}
	for edge := MaxEdge; edge >= 50; edge = edge * 4 / 5 {
		small := upright(fit(img, edge), turn)
		for _, quality := range []int{85, 75, 65, 55} {
			var out bytes.Buffer
			if err := jpeg.Encode(&out, small, &jpeg.Options{Quality: quality}); err != nil {
				return nil, ErrDamaged
			}
			if out.Len() <= MaxBytes {
				return out.Bytes(), nil
			}
		}
	}
	return nil, ErrDamaged
}

// IsClean reports whether a file is as Clean makes it, as far as can be told without decoding
// it: a JPEG within the limits, without application data or comments.
func IsClean(data []byte) bool {
	if len(data) > MaxBytes || !bytes.HasPrefix(data, []byte("\xff\xd8\xff")) {
		return false
	}
	cfg, err := jpeg.DecodeConfig(bytes.NewReader(data))
	if err != nil || cfg.Width > MaxEdge || cfg.Height > MaxEdge {
		return false
	}
	clean := true
	segments(data, func(marker byte, _ []byte) bool {
		clean = clean && !(marker >= 0xe0 && marker <= 0xef) && marker != 0xfe
		return clean
	})
	return clean
}

// kindOf tells a JPEG and a PNG by their first bytes, and says of others what they are.
func kindOf(data []byte) (string, error) {
	head := string(data[:min(len(data), 16)])
	export := "export it as JPEG and try again: on a phone share it as \"most compatible\" or set the camera to JPEG; on a computer open it and save it as JPEG"
	other := func(name string) (string, error) {
		return "", &Error{"this is " + name + ", not a JPEG or PNG", "export it as JPEG and try again"}
	}
	switch {
	case len(data) == 0:
		return "", &Error{"the file is empty", "give a JPEG or PNG file"}
	case len(data) > MaxFile:
		return "", TooLarge()
	case strings.HasPrefix(head, "\xff\xd8\xff"):
		return "jpeg", nil
	case strings.HasPrefix(head, "\x89PNG\r\n\x1a\n"):
		return "png", nil
	case len(head) >= 12 && head[4:8] == "ftyp":
		switch head[8:12] {
		case "heic", "heix", "hevc", "hevx", "heim", "heis", "mif1", "msf1":
			return "", &Error{"this is a HEIC picture", export}
		case "avif", "avis":
			return other("an AVIF picture")
		}
		return other("a film")
	case strings.HasPrefix(head, "GIF8"):
		return other("a GIF")
	case strings.HasPrefix(head, "RIFF") && len(head) >= 12 && head[8:12] == "WEBP":
		return other("a WebP picture")
	case strings.HasPrefix(head, "II*\x00"), strings.HasPrefix(head, "MM\x00*"):
		return other("a TIFF or a camera's raw picture")
	case strings.HasPrefix(head, "%PDF"):
		return other("a PDF")
	}
	return "", &Error{"unknown picture format", "give a JPEG or PNG file"}
}

// TooLarge is the error of a file of more than MaxFile bytes.
func TooLarge() error {
	return &Error{fmt.Sprintf("the file has more than %d MB", MaxFile>>20), "make it smaller and try again"}
}

// fit makes a picture of at most edge pixels along its longer edge, on white. A smaller one keeps
// its size.
func fit(img image.Image, edge int) *image.RGBA {
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	if long := max(w, h); long > edge {
		w, h = max(1, w*edge/long), max(1, h*edge/long)
	}
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(out, out.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.CatmullRom.Scale(out, out.Bounds(), img, img.Bounds(), draw.Over, nil)
	return out
}

// upright turns a picture as an orientation of 1 to 8 says.
func upright(in *image.RGBA, turn int) *image.RGBA {
	if turn < 2 || turn > 8 {
		return in
	}
	w, h := in.Bounds().Dx(), in.Bounds().Dy()
	size := image.Rect(0, 0, w, h)
	if turn >= 5 {
		size = image.Rect(0, 0, h, w)
	}
	out := image.NewRGBA(size)
	for y := range h {
		for x := range w {
			i, j := x, y // where the pixel comes to lie
			switch turn {
			case 2:
				i = w - 1 - x
			case 3:
				i, j = w-1-x, h-1-y
			case 4:
				j = h - 1 - y
			case 5:
				i, j = y, x
			case 6:
				i, j = h-1-y, x
			case 7:
				i, j = h-1-y, w-1-x
			case 8:
				i, j = y, w-1-x
			}
			copy(out.Pix[out.PixOffset(i, j):][:4], in.Pix[in.PixOffset(x, y):][:4])
		}
	}
	return out
}

// segments calls fn with the marker and body of each segment of a JPEG before its picture, as
// long as fn says true.
func segments(data []byte, fn func(marker byte, body []byte) bool) {
	for b := data[2:]; len(b) >= 4 && b[0] == 0xff; {
		marker := b[1]
		switch {
		case marker == 0xff: // fill
			b = b[1:]
			continue
		case marker == 0xda || marker == 0xd9:
			return
		}
		n := int(binary.BigEndian.Uint16(b[2:]))
		if n < 2 || n+2 > len(b) || !fn(marker, b[4:2+n]) {
			return
		}
		b = b[2+n:]
	}
}

// jpegTurn is the orientation that a JPEG's Exif names, 1 for none.
func jpegTurn(data []byte) int {
	turn := 1
	segments(data, func(marker byte, body []byte) bool {
		exif, ok := bytes.CutPrefix(body, []byte("Exif\x00\x00"))
		if marker != 0xe1 || !ok {
			return true
		}
		turn = exifTurn(exif)
		return false
	})
	return turn
}

// pngTurn is the orientation that a PNG's eXIf chunk names, 1 for none.
func pngTurn(data []byte) int {
	for b := data[8:]; len(b) >= 12; {
		n := int64(binary.BigEndian.Uint32(b))
		if n+12 > int64(len(b)) {
			return 1
		}
		if string(b[4:8]) == "eXIf" {
			return exifTurn(b[8 : 8+n])
		}
		b = b[12+n:]
	}
	return 1
}

// exifTurn reads tag 0112 of the first directory of a TIFF header, 1 for anything odd.
func exifTurn(b []byte) int {
	if len(b) < 8 {
		return 1
	}
	var order binary.ByteOrder = binary.LittleEndian
	switch string(b[:2]) {
	case "MM":
		order = binary.BigEndian
	case "II":
	default:
		return 1
	}
	at := int64(order.Uint32(b[4:]))
	if at+2 > int64(len(b)) {
		return 1
	}
	n := int64(order.Uint16(b[at:]))
	for i := range n {
		e := at + 2 + 12*i
		if e+12 > int64(len(b)) {
			return 1
		}
		if order.Uint16(b[e:]) == 0x0112 && order.Uint16(b[e+2:]) == 3 {
			if v := int(order.Uint16(b[e+8:])); v >= 1 && v <= 8 {
				return v
			}
			return 1
		}
	}
	return 1
}
