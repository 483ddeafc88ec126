package notation

import (
	"strings"

	"fairbore/analysis"
)

// Length reads a length as the reader types it, with a decimal point or a decimal comma; see
// [analysis.ParseLength]. A number of which the one sign may as well set thousands apart for the
// reader, such as 31.725 where the decimal sign is a comma, fails with a phrase.
func (f Format) Length(text string) (analysis.Length, error) {
	own, other := ".", ","
	if f.comma() {
		own, other = other, own
	}
	whole, after, one := strings.Cut(text, other)
	places := after[:len(after)-len(strings.TrimLeft(after, "0123456789"))]
	digits := strings.TrimLeft(strings.TrimSpace(whole), "+-−")
	if one && len(places) == 3 && !strings.HasPrefix(after[3:], own) && len(digits) >= 1 && len(digits) <= 3 && digits[0] != '0' && strings.Trim(digits, "0123456789") == "" {
		number := whole + other + places
		return 0, analysis.Say("length.ambiguous", number, whole+own+places, whole+places)
	}
	return analysis.ParseLength(text)
}
