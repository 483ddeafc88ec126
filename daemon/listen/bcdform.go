package listen

import (
	"bytes"
	"regexp"
	"strings"

	"fairbore/drivers"
)

var hexLine = regexp.MustCompile(`^[0-9A-Fa-f]{13}$`)

// bcdForms proposes settings of driver bcd13 if the bytes look like its fill or its lines: each
// packing, order of digits and of bits, and order of the parts after the fill.
func bcdForms(v *view) (forms []form) {
	var packings []string
	all := bytesOf(v.entries)
	if bytes.Contains(all, []byte{15, 15, 15, 15}) {
		packings = append(packings, "nibbles")
	}
	if bytes.Contains(all, []byte{255, 255}) {
		packings = append(packings, "packed")
	}
	if share(v.texts, hexLine.MatchString) > 0.5 {
		packings = append(packings, "hex")
	}
	for _, packing := range packings {
		for i, layout := range bcdLayouts() {
			for _, digits := range []string{"most", "least"} {
				for _, bit := range []string{"lowest", "highest"} {
					o := drivers.Options{"packing": packing, "layout": layout, "digits": digits, "bits": bit}
					forms = append(forms, form{"bcd13", o, rankLine + i, true})
				}
			}
		}
	}
	return forms
}

// bcdLayouts lists the orders of sign, digits, places and unit after four nibbles of fill, the
// usual order first.
func bcdLayouts() []string {
	parts := []string{"s", "dddddd", "p", "u"}
	var out []string
	var permute func(done string, rest []string)
	permute = func(done string, rest []string) {
		if len(rest) == 0 {
			out = append(out, done)
		}
		for i := range rest {
			left := append(append([]string(nil), rest[:i]...), rest[i+1:]...)
			permute(done+rest[i], left)
		}
	}
	permute("ffff", parts)
	return out
}

func bytesOf(entries []drivers.Entry) []byte {
	var b bytes.Buffer
	for _, c := range entries {
		if c.Mark == "" && !c.Out {
			b.Write(c.Data)
		}
	}
	return b.Bytes()
}

// controlled splits bytes into frames that begin with one control character and are not lines, as
// driver fixed reads them with end none.
func controlled(v *view) (frames []string) {
	all := bytesOf(v.entries)
	if n := bytes.Count(all, []byte("\r")) + bytes.Count(all, []byte("\n")); n > len(all)/200 {
		return nil
	}
	var best byte
	most := 2
	for c := byte(1); c < ' '; c++ {
		if n := bytes.Count(all, []byte{c}); n > most && c != '\t' && c != 3 {
			best, most = c, n
		}
	}
	if best == 0 {
		return nil
	}
	parts := strings.Split(string(all), string(best))
	for _, p := range parts[1:] {
		frames = append(frames, string(best)+p)
	}
	return frames
}
