package card

import (
	"fmt"
	"strings"

	"rsc.io/qr"
)

// code is a QR code as one path of unit squares, dark on light whatever the page's colours are.
type code struct {
	Text string // what it says
	Size int    // with the quiet zone of four modules that readers need
	Path string
}

const quiet = 4

// encode makes the code at level M, which survives about 15 % of damage (ISO/IEC 18004).
func encode(text string) (code, error) {
	c, err := qr.Encode(text, qr.M)
	if err != nil {
		return code{}, fmt.Errorf("the QR code: %w", err)
	}
	var b strings.Builder
	for y := range c.Size {
		for x := 0; x < c.Size; x++ {
			n := 0
			for x+n < c.Size && c.Black(x+n, y) {
				n++
			}
			if n > 0 {
				fmt.Fprintf(&b, "M%d %dh%dv1h-%dz", x+quiet, y+quiet, n, n)
				x += n
			}
		}
	}
	return code{text, c.Size + 2*quiet, b.String()}, nil
}

// TextCode is a QR code for a terminal, black on white whatever its colours are, two rows of
// modules to a line.
func TextCode(text string) (string, error) {
	c, err := qr.Encode(text, qr.L)
	if err != nil {
		return "", fmt.Errorf("the QR code: %w", err)
	}
	const edge = 4
	var b strings.Builder
	for y := -edge; y < c.Size+edge; y += 2 {
		b.WriteString("\x1b[30;107m")
		for x := -edge; x < c.Size+edge; x++ {
			switch up, down := c.Black(x, y), c.Black(x, y+1); {
			case up && down:
				b.WriteRune('█')
			case up:
				b.WriteRune('▀')
			case down:
				b.WriteRune('▄')
			default:
				b.WriteByte(' ')
			}
		}
		b.WriteString("\x1b[0m\n")
	}
	return b.String(), nil
}

const codeSource = `{{define "code"}}<svg xmlns="http://www.w3.org/2000/svg" class="code" viewBox="0 0 {{.Size}} {{.Size}}" width="180" height="180" role="img" aria-label="QR code of: {{raw .Text}}" shape-rendering="crispEdges"><rect width="{{.Size}}" height="{{.Size}}" fill="#fff"/><path d="{{.Path}}" fill="#000"/></svg>{{end}}`
