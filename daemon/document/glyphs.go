package document

import (
	"encoding/binary"
	"strings"
)

// noGlyph replaces a character that the typeface lacks.
const noGlyph = '\uFFFD'

// shown returns text as the typeface can show it. fpdf silently leaves out a missing character.
func shown(text string) string {
	if isPlain(text) {
		return text
	}
	return strings.Map(func(r rune) rune {
		if !hasGlyph(regular, r) || !hasGlyph(bold, r) {
			return noGlyph
		}
		return r
	}, text)
}

func isPlain(s string) bool {
	return strings.IndexFunc(s, func(r rune) bool { return r < 0x20 || r > 0x7e }) < 0
}

// hasGlyph reports whether a TrueType font has a glyph for a character of the
// basic plane, by its cmap subtable of format 4 (OpenType 1.9, "cmap").
func hasGlyph(font []byte, r rune) bool {
	if r < 0 || r > 0xfffe {
		return false
	}
	t := cmap4(font)
	if t == nil {
		return false
	}
	u16 := func(at int) int { return int(binary.BigEndian.Uint16(t[at:])) }
	n := u16(6) // twice the number of segments
	for i := 0; i < n; i += 2 {
		end, start := u16(14+i), u16(16+n+i)
		if int(r) > end {
			continue
		}
		if int(r) < start {
			return false
		}
		delta, at := u16(16+2*n+i), 16+3*n+i
		offset := u16(at)
		if offset == 0 {
			return (int(r)+delta)&0xffff != 0
		}
		return u16(at+offset+2*(int(r)-start)) != 0
	}
	return false
}

// cmap4 returns the subtable of format 4, nil if there is none.
func cmap4(font []byte) []byte {
	for i := range int(binary.BigEndian.Uint16(font[4:])) {
		entry := font[12+16*i:]
		if string(entry[:4]) != "cmap" {
			continue
		}
		cmap := font[binary.BigEndian.Uint32(entry[8:]):]
		for k := range int(binary.BigEndian.Uint16(cmap[2:])) {
			sub := cmap[binary.BigEndian.Uint32(cmap[4+8*k+4:]):]
			if binary.BigEndian.Uint16(sub) == 4 {
				return sub
			}
		}
	}
	return nil
}
