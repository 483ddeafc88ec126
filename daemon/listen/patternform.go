package listen

import (
	"regexp"
	"strings"

	"fairbore/drivers"
)

// token matches a piece of a text: a number, a word, blanks or another character.
var token = regexp.MustCompile(`[+-]?\d+(?:[.,]\d+)?|[A-Za-z"]+|[ \t]+|.`)

// patternForms proposes expressions for driver pattern: for texts of the commonest shape, with each
// number in turn as the value. In the expression a number that never changed stands for itself, any
// other for any number.
func patternForms(texts []string) (forms []form) {
	texts = numbered(texts)
	shape, n := commonest(texts, shapeOf)
	if n < 3 || n*2 < len(texts) || len(shape) > 120 {
		return nil
	}
	var rows [][]string
	for _, t := range texts {
		if shapeOf(t) == shape {
			rows = append(rows, token.FindAllString(t, -1))
		}
	}
	for at := range rows[0] {
		if !isNumber(rows[0][at]) || (len(rows) > 3 && same(rows, at)) {
			continue
		}
		decimal := "point"
		if everyHas(rows, at, ",") {
			decimal = "comma"
		}
		expression := expressionOf(rows, at)
		if len(expression) > 400 {
			continue
		}
		whole := !everyHas(rows, at, ",") && !everyHas(rows, at, ".")
		forms = append(forms, form{"pattern", drivers.Options{"expression": expression, "decimal": decimal}, rankPattern, whole})
	}
	return forms
}

func isNumber(t string) bool { return strings.ContainsAny(t, "0123456789") }

// shapeOf returns a text with each number replaced by 9 or 9.9, and blanks by one blank.
func shapeOf(t string) string {
	var b strings.Builder
	for _, w := range token.FindAllString(t, -1) {
		switch {
		case isNumber(w) && strings.ContainsAny(w, ".,"):
			b.WriteString("9.9")
		case isNumber(w):
			b.WriteString("9")
		case strings.TrimSpace(w) == "":
			b.WriteString(" ")
		default:
			b.WriteString(w)
		}
	}
	return b.String()
}

func same(rows [][]string, at int) bool {
	for _, r := range rows {
		if r[at] != rows[0][at] {
			return false
		}
	}
	return true
}

func everyHas(rows [][]string, at int, text string) bool {
	for _, r := range rows {
		if !strings.Contains(r[at], text) {
			return false
		}
	}
	return true
}

// expressionOf writes the expression for all rows, with the value at one token.
func expressionOf(rows [][]string, at int) string {
	var b strings.Builder
	for i, w := range rows[0] {
		switch {
		case i == at && everyHas(rows, i, ","):
			b.WriteString(`(?P<value>[+-]?\d+,\d+)`)
		case i == at && everyHas(rows, i, "."):
			b.WriteString(`(?P<value>[+-]?\d+\.\d+)`)
		case i == at:
			b.WriteString(`(?P<value>[+-]?\d+)`)
		case strings.TrimSpace(w) == "":
			b.WriteString(`\s+`)
		case isNumber(w) && !same(rows, i):
			b.WriteString(`[+-]?\d+(?:[.,]\d+)?`)
		case isUnit(w) && (i == at+1 || (i == at+2 && strings.TrimSpace(rows[0][at+1]) == "")):
			b.WriteString(`(?P<unit>` + regexp.QuoteMeta(w) + `)`)
		default:
			b.WriteString(regexp.QuoteMeta(w))
		}
	}
	return b.String()
}
