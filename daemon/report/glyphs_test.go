package report

import (
	"bytes"
	_ "embed"
	"strings"
	"testing"
)

// Every character of every label has a glyph in both weights; those that the
// package's own source writes are taken from the source.
func TestEveryLabelHasItsGlyphs(t *testing.T) {
	for _, p := range []Part{valve(t), sleeve(t)} {
		for _, r := range PartRecord(p).Text() {
			if r != '\n' && (!hasGlyph(regular, r) || !hasGlyph(bold, r)) {
				t.Errorf("no glyph for %q", r)
			}
		}
	}
	for _, m := range []Mark{Good, Bad, Open} {
		if s := m.Glyph(); shown(s) != s {
			t.Errorf("no glyph for %q", s)
		}
	}
	for _, r := range "Ø±µ−°⁻⁶×∞→–·√σ" {
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

// How long a record takes as PDF, the typeface's subset included.
func BenchmarkPDF(b *testing.B) {
	d := PartRecord(valve(b))
	n := 0
	for b.Loop() {
		var out bytes.Buffer
		if err := d.PDF(&out, A4); err != nil {
			b.Fatal(err)
		}
		n = out.Len()
	}
	b.ReportMetric(float64(n)/1024, "KiB")
}
