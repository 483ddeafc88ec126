package plan

import (
	"fmt"
	"strings"

	"fairbore/analysis"
)

// size writes a diameter in mm and inches, to 0.1 µm and a micro-inch.
func size(l analysis.Length) string {
	return l.Format(analysis.MM, 4) + " mm (" + l.Format(analysis.IN, 6) + " in)"
}

// small writes a deviation, a stock or an uncertainty in µm, and in thou or,
// below one thou, in micro-inches.
func small(d analysis.Deviation) string {
	l := analysis.Length(d)
	places := 2
	if l.Abs() >= 10*analysis.Micrometre {
		places = 1
	}
	um := trim(l.Format(analysis.UM, places)) + " µm"
	if l.Abs() >= analysis.Thou {
		return um + " (" + (l*1000).Format(analysis.IN, 2) + " thou)"
	}
	return um + " (" + l.Format(analysis.UIN, 0) + " µin)"
}

func trim(s string) string {
	if !strings.Contains(s, ".") {
		return s
	}
	return strings.TrimRight(strings.TrimRight(s, "0"), ".")
}

// Weight is how much a note matters.
type Weight uint8

// The weights of a note.
const (
	Remark  Weight = iota // good to know
	Warning               // look at it before cutting
	Stop                  // do not go on like this
)

// String returns "note", "warning" or "stop".
func (w Weight) String() string { return [...]string{"note", "warning", "stop"}[min(w, Stop)] }

// MarshalText writes the word of String.
func (w Weight) MarshalText() ([]byte, error) { return []byte(w.String()), nil }

// Note is a sentence a person should read before cutting.
type Note struct {
	Weight Weight `json:"weight"`
	Text   string `json:"text"`
}

// String writes the note with its weight in front.
func (n Note) String() string { return strings.ToUpper(n.Weight.String()) + ": " + n.Text }

type notes []Note

func (n *notes) add(w Weight, format string, args ...any) {
	*n = append(*n, Note{w, fmt.Sprintf(format, args...)})
}
