package document

import (
	_ "embed"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// The marks, and the signs that measures and formulas are written with, have a glyph in
// both weights.
func TestMarksAndSignsHaveTheirGlyphs(t *testing.T) {
	for _, r := range "Ø±µ−°⁻⁶×∞→–·√σ²" + Good.Glyph() + Bad.Glyph() + Open.Glyph() {
		if !hasGlyph(regular, r) || !hasGlyph(bold, r) {
			t.Errorf("no glyph for %q", r)
		}
	}
}

// What the typeface lacks shows as such instead of not at all.
func TestMissingGlyphShows(t *testing.T) {
	if got := shown("溝 3 😀"); got != "� 3 �" {
		t.Errorf("shown as %q", got)
	}
	if s := "plain, straße, 12 µm"; shown(s) != s {
		t.Error("text that the typeface has was changed")
	}
	if hasGlyph(regular, 0xfffe) || hasGlyph(regular, 0x6e9d) || !hasGlyph(regular, 'A') || !hasGlyph(bold, noGlyph) {
		t.Error("the character map is misread")
	}
}

// Whatever text comes in, every character that goes into the PDF has a glyph.
func TestAnyTextIsShownWithGlyphs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		for _, r := range shown(rapid.String().Draw(t, "text")) {
			if !hasGlyph(regular, r) || !hasGlyph(bold, r) {
				t.Fatalf("%U goes into the PDF, which would show nothing for it", r)
			}
		}
	})
}

func TestFontComesWithItsLicence(t *testing.T) {
	if s := licence; !strings.Contains(s, "Permission is hereby granted") || !strings.Contains(s, "DejaVu changes are in public domain") {
		t.Error("the licence of the typeface is missing")
	}
}

//go:embed font/LICENSE
var licence string
