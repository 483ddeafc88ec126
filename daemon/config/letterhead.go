package config

import (
	"bytes"
	"fmt"
	"image"
	_ "image/jpeg" // the forms of a logo
	_ "image/png"
	"io"
	"os"
	"unicode/utf8"
)

// Letterhead is what a shop puts at the top of its records.
type Letterhead struct {
	Lines []string `koanf:"lines"`
	Logo  string   `koanf:"logo"` // a file, PNG or JPEG; "" for none

	image []byte
}

// Image returns the bytes of the logo, nil if there is none.
func (h *Letterhead) Image() []byte { return h.image }

// Bounds of a letterhead. The logo goes into the journal with the settings. It is printed at most
// 45 mm wide, which 1000 pixels resolve to 560 an inch.
const (
	mostLetterLines = 6
	mostLetterLine  = 100
	mostLogo        = 64 << 10
	mostLogoSide    = 2000
)

func (l *loader) letterhead(h *Letterhead) {
	if len(h.Lines) > mostLetterLines {
		l.fault("letterhead.lines", "%d lines: %d are the most", len(h.Lines), mostLetterLines)
	}
	for i, line := range h.Lines {
		if n := utf8.RuneCountInString(line); n > mostLetterLine {
			l.fault(fmt.Sprintf("letterhead.lines[%d]", i), "%d characters: %d are the most", n, mostLetterLine)
		}
	}
	l.file("letterhead.logo", &h.Logo, false)
	if h.Logo == "" {
		return
	}
	text, err := readLogo(h.Logo)
	if err != nil {
		l.fault("letterhead.logo", "%w", err)
		return
	}
	h.image = text
}

// readLogo reads a picture, and checks that it is whole and within the bounds.
func readLogo(path string) ([]byte, error) {
	// A pipe would keep the opening waiting for somebody who writes.
	if info, err := os.Stat(path); err != nil || !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is a folder or a pipe: give the file of the logo", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, mostLogo+1))
	if err != nil {
		return nil, err
	}
	if len(text) > mostLogo {
		return nil, fmt.Errorf("%s has more than %d KiB: save the logo smaller, 1000 pixels wide are enough", path, mostLogo>>10)
	}
	about, _, err := image.DecodeConfig(bytes.NewReader(text))
	if err != nil {
		return nil, fmt.Errorf("%s is no picture that can be read: save the logo as PNG or JPEG", path)
	}
	if about.Width > mostLogoSide || about.Height > mostLogoSide {
		return nil, fmt.Errorf("%s has %d × %d pixels: %d are the most on a side", path, about.Width, about.Height, mostLogoSide)
	}
	if _, _, err := image.Decode(bytes.NewReader(text)); err != nil {
		return nil, fmt.Errorf("%s is not whole: %w", path, err)
	}
	return text, nil
}
