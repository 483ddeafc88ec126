package event

import "strings"

// Guard keeps a spreadsheet from taking text of a CSV file for a formula, by an apostrophe before the
// sign that begins one. A formula may begin where the text does, and, in a spreadsheet that divides
// rows at semicolons or tabs, after one of these; signs of full width count as the others do.
func Guard(text string) string {
	var out strings.Builder
	written, begins := 0, true
	for i, r := range text {
		switch r {
		case ';', '\t', '\r', '\n':
			begins = true
			continue
		case ' ':
			continue
		case '=', '+', '-', '@', '＝', '＋', '－', '＠':
			if begins {
				out.WriteString(text[written:i])
				out.WriteByte('\'')
				written = i
			}
		}
		begins = false
	}
	if written == 0 && out.Len() == 0 {
		return text
	}
	return out.String() + text[written:]
}
