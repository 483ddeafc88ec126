package document

import (
	"bytes"
	"encoding/base64"
	"html"
	"image"
	"image/color"
	"image/draw"
	_ "image/jpeg" // the forms of a logo
	"image/png"
	"net/http"
	"strings"

	"codeberg.org/go-pdf/fpdf"
)

// Letterhead is what the owner of a document puts at its top.
type Letterhead struct {
	Lines []string
	Logo  []byte // PNG or JPEG; nil: none
}

// Bounds of a printed logo in mm.
const (
	logoWide = 45.0
	logoHigh = 18.0
)

// picture returns the logo as an opaque PNG of eight bits a colour, which every reader of a PDF
// shows alike, with its size in pixels; nil if it is no picture.
func (h *Letterhead) picture() (text []byte, wide, high float64) {
	in, _, err := image.Decode(bytes.NewReader(h.Logo))
	if err != nil {
		return nil, 0, 0
	}
	b := in.Bounds()
	out := image.NewRGBA(image.Rect(0, 0, b.Dx(), b.Dy()))
	draw.Draw(out, out.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.Draw(out, out.Bounds(), in, b.Min, draw.Over)
	var buf bytes.Buffer
	if err := png.Encode(&buf, out); err != nil {
		return nil, 0, 0
	}
	return buf.Bytes(), float64(b.Dx()), float64(b.Dy())
}

// letterhead draws the letterhead at the top of the first page.
func (s *sheet) letterhead() {
	h := &s.doc.Letterhead
	top := s.GetY()
	y, right := top, s.width
	if picture, wide, high := h.picture(); picture != nil {
		scale := min(logoWide/wide, logoHigh/high)
		about := fpdf.ImageOptions{ImageType: "PNG"}
		s.RegisterImageOptionsReader("logo", about, bytes.NewReader(picture))
		s.ImageOptions("logo", s.left+s.width-wide*scale, top, wide*scale, high*scale, false, about, 0, "")
		y, right = top+high*scale, s.width-wide*scale-6
	}
	at := top
	for i, l := range h.Lines {
		style, points, step := "", 8.0, 3.8
		if i == 0 {
			style, points, step = "B", 11, 5
		}
		s.font(style, points, ink)
		for _, part := range s.SplitText(l, right) {
			s.put(s.left, at+step*0.8, "L", part)
			at += step
		}
	}
	if y = max(y, at); y > top {
		s.SetY(y + 5)
	}
}

func (h *Letterhead) html(b *strings.Builder) {
	if len(h.Lines) == 0 && h.Logo == nil {
		return
	}
	b.WriteString("<header class=\"letterhead\">\n<address>")
	for i, l := range h.Lines {
		if i > 0 {
			b.WriteString("<br>")
		}
		b.WriteString(html.EscapeString(l))
	}
	b.WriteString("</address>\n")
	if kind := http.DetectContentType(h.Logo); kind == "image/png" || kind == "image/jpeg" {
		b.WriteString(`<img alt="" src="data:` + kind + ";base64," + base64.StdEncoding.EncodeToString(h.Logo) + "\">\n")
	}
	b.WriteString("</header>\n")
}
