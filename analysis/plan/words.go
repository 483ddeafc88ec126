package plan

import "fairbore/analysis"

// Weight says how important a note is.
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

// Note is a sentence that a person should read before cutting.
type Note struct {
	Weight Weight          `json:"weight"`
	Text   analysis.Phrase `json:"text"`
}

// Phrase returns the note with its weight in front.
func (n Note) Phrase() analysis.Phrase { return analysis.Say("plan.weight."+n.Weight.String(), n.Text) }

type notes []Note

func (n *notes) add(w Weight, code string, args ...any) {
	*n = append(*n, Note{w, analysis.Say("plan.note."+code, args...)})
}

// percent returns a share as the number that stands before a % sign.
func percent(share float64) analysis.Number { return analysis.Number{Value: 100 * share} }
