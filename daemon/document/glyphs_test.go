package document

import (
	_ "embed"
	"strings"
	"testing"
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

func TestFontComesWithItsLicence(t *testing.T) {
	if s := licence; !strings.Contains(s, "Permission is hereby granted") || !strings.Contains(s, "DejaVu changes are in public domain") {
		t.Error("the licence of the typeface is missing")
	}
}

//go:embed font/LICENSE
var licence string
