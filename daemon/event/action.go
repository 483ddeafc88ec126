package event

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"fairbore/analysis"
)

// Action is what an operator asks for, from the page, the broker, a foot
// switch or a scanner alike.
type Action struct {
	// ID names the action; one that comes twice with the same ID is done once.
	ID string `json:"id"`
	// Do names what is to be done: a row of the table of actions in package session.
	Do  string `json:"do"`
	Job string `json:"job,omitempty"`
	// Spec is a job that is not in the configuration, entered at the machine: it
	// is worked to from here on, and the journal has it whole.
	Spec    *analysis.Job   `json:"spec,omitempty"`
	Part    string          `json:"part,omitempty"` // serial number, empty to count on
	Ring    string          `json:"ring,omitempty"` // empty: the job's
	Place   *analysis.Place `json:"place,omitempty"`
	Reading int             `json:"reading,omitempty"`  // number of the reading, 0 for the last; for keep, the last asked about
	Of      int             `json:"readings,omitempty"` // ring readings to take, for speeds of each, 0 for the usual number
	// Gain, for master, says that the ring is a second one, of another size, read to
	// set the gain; the zero stays as the first ring has set it.
	Gain    bool    `json:"gain,omitempty"`
	Reason  string  `json:"reason,omitempty"`
	Strokes int     `json:"strokes,omitempty"`
	Seconds float64 `json:"seconds,omitempty"`
	Dressed bool    `json:"dressed,omitempty"`
	Off     bool    `json:"off,omitempty"`     // for cooldown: no longer
	Confirm bool    `json:"confirm,omitempty"` // go on although the tool asked whether it is meant
	Source  string  `json:"source,omitempty"`
	Warmth
	StudyAsk
}

// Reply answers an action: done, or the reason why not.
type Reply struct {
	ID   string          `json:"id"`
	Do   string          `json:"do"`
	Done bool            `json:"done"`
	Why  analysis.Phrase `json:"why,omitzero"`
	// Ask says that the same action with confirm set would be done.
	Ask bool `json:"ask,omitempty"`
	// Again says that an action of this id came before, and nothing was done now.
	Again bool `json:"-"`
}

// Check refuses text that is too long, or that would do something where it is
// shown: characters that control a terminal or turn the direction of writing. A
// reason may have been typed in lines, and becomes one.
func (a *Action) Check() error {
	if len(a.Part) > 64 || len(a.Reason) > 500 || len(a.ID) > 100 {
		return analysis.Say("action.too_long")
	}
	if err := a.StudyAsk.check(); err != nil {
		return err
	}
	a.Reason = strings.NewReplacer("\r\n", " ", "\n", " ", "\t", " ").Replace(a.Reason)
	for _, t := range [...]struct{ what, text string }{{"action.word.serial", a.Part}, {"action.word.reason", a.Reason}, {"action.word.id", a.ID}} {
		if i := strings.IndexFunc(t.text, Unprintable); i >= 0 {
			r, _ := utf8.DecodeRuneInString(t.text[i:])
			return analysis.Say("action.unprintable", analysis.Say(t.what), fmt.Sprintf("%U", r))
		}
	}
	return nil
}

// Unprintable reports whether a character does something in place of being shown.
func Unprintable(r rune) bool {
	return unicode.IsControl(r) || unicode.In(r, unicode.Bidi_Control, unicode.Zl, unicode.Zp)
}

// MostName is how many characters a name may have.
const MostName = 64
