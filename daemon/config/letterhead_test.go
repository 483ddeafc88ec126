package config

import (
	"bytes"
	"errors"
	"image"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A logo is a whole PNG or JPEG within the bounds, and each other one is refused with what to do.
func TestLetterhead(t *testing.T) {
	var good, jpg, wide, noise bytes.Buffer
	small := image.NewGray(image.Rect(0, 0, 200, 60))
	random := image.NewRGBA(image.Rect(0, 0, 200, 200))
	for i := range random.Pix {
		random.Pix[i] = byte(rand.Uint32())
	}
	err := errors.Join(png.Encode(&good, small), jpeg.Encode(&jpg, small, nil), png.Encode(&wide, image.NewGray(image.Rect(0, 0, 3000, 2))), png.Encode(&noise, random))
	if err != nil {
		t.Fatal(err)
	}
	file := func(name string, text []byte) string {
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	for name, c := range map[string]struct{ lines, logo, key, why string }{
		"a PNG":            {`["Quarry Lane Honing", "12 Quarry Lane"]`, file("a.png", good.Bytes()), "", ""},
		"a JPEG":           {`[]`, file("a.jpg", jpg.Bytes()), "", ""},
		"no logo":          {`["Quarry Lane Honing"]`, `""`, "", ""},
		"no such file":     {`[]`, "/nowhere.png", "letterhead.logo", ": put it there, or give its whole path"},
		"no picture":       {`[]`, file("a.svg", []byte("<svg/>")), "letterhead.logo", "PNG or JPEG"},
		"half a picture":   {`[]`, file("b.png", good.Bytes()[:good.Len()-30]), "letterhead.logo", "not whole"},
		"too many pixels":  {`[]`, file("c.png", wide.Bytes()), "letterhead.logo", "3000 × 2 pixels"},
		"too many bytes":   {`[]`, file("d.png", noise.Bytes()), "letterhead.logo", "more than 64 KiB"},
		"too many lines":   {`[a, b, c, d, e, f, g]`, `""`, "letterhead.lines", "6 are the most"},
		"too long a line":  {`["` + strings.Repeat("ü", 101) + `"]`, `""`, "letterhead.lines[0]", "100 are the most"},
		"a folder as logo": {`[]`, t.TempDir(), "letterhead.logo", "a folder or a pipe"},
		"no plain file":    {`[]`, os.DevNull, "letterhead.logo", "a folder or a pipe"},
	} {
		text := strings.Replace(strings.Replace(example(t), "  lines: []", "  lines: "+c.lines, 1), `  logo: ""`, "  logo: "+c.logo, 1)
		got, err := Parse("shop.yaml", []byte(text))
		if c.why == "" {
			if err != nil || c.logo != `""` && len(got.Letterhead.Image()) == 0 {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if f := find(err, c.key); f == nil || !strings.Contains(f.Error(), c.why) || f.Line == 0 {
			t.Errorf("%s: %v, want a fault of %s with its line: %s", name, err, c.key, c.why)
		}
	}
}
