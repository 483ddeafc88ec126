package daemontest

import (
	"strings"

	"fairbore/analysis/notation"
)

// Begins returns the English text of a code up to the first of its values that is not given.
func Begins(code string, values ...any) string {
	const rest = "\x00"
	for len(values) < notation.English().Values(code) {
		values = append(values, rest)
	}
	text, _, _ := strings.Cut(notation.Format{}.Text(code, values...), rest)
	return text
}
