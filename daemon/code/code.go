// Package code makes QR codes (ISO/IEC 18004) of short texts: what a scanner at a machine reads, and
// the address that a phone opens.
package code

import (
	"fmt"
	"strings"

	goqr "github.com/piglig/go-qr"
)

// Most is the longest text of a code, in bytes. It fits into a code of 61 × 61 modules, which is read
// from 20 mm of paper.
const Most = 200

// Quiet is the width in modules of the white edge that a reader needs (ISO/IEC 18004, 6.3.8).
const Quiet = 4

// Code is the QR code of a text.
type Code struct{ qr *goqr.QrCode }

// New returns the code of a text, with error correction level M: a reader makes up for 15 % of it.
func New(text string) (Code, error) {
	if text == "" || len(text) > Most {
		return Code{}, fmt.Errorf("a code has 1 to %d bytes of text, not %d", Most, len(text))
	}
	qr, err := goqr.EncodeText(text, goqr.Medium)
	return Code{qr}, err
}

// Size returns how many modules wide and high the code is, without its quiet edge.
func (c Code) Size() int { return c.qr.Size() }

// Run is N dark modules in a row, of which the first is at X, Y.
type Run struct{ X, Y, N int }

// Runs yields the runs of dark modules from the top down.
func (c Code) Runs(yield func(Run) bool) {
	for y := range c.Size() {
		for x := 0; x < c.Size(); {
			n := 0
			for x+n < c.Size() && c.qr.Module(x+n, y) {
				n++
			}
			if n > 0 && !yield(Run{x, y, n}) {
				return
			}
			x += max(n, 1)
		}
	}
}

// SVG returns the code as an element svg, dark on white with its quiet edge, for a page of any theme.
// The title says what it is to those who can't see it; "" for none.
func (c Code) SVG(escapedTitle string) string {
	var b strings.Builder
	whole := c.Size() + 2*Quiet
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" shape-rendering="crispEdges" role="img">`, whole, whole)
	if escapedTitle != "" {
		b.WriteString("<title>" + escapedTitle + "</title>")
	}
	fmt.Fprintf(&b, `<path fill="#fff" d="M0 0h%dv%dH0z"/><path fill="#000" d="`, whole, whole)
	for r := range c.Runs {
		fmt.Fprintf(&b, "M%d %dh%dv1h-%dz", r.X+Quiet, r.Y+Quiet, r.N, r.N)
	}
	b.WriteString(`"/></svg>`)
	return b.String()
}
