package event

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"fairbore/analysis"
)

// Action is something that an operator asks for, from the page, the broker, a foot switch or a
// scanner.
type Action struct {
	// ID identifies the action. An action that arrives twice with one ID is carried out once.
	ID string `json:"id"`
	// Do names what is to be done. It is the name of a row in the table of actions in package
	// session.
	Do  string `json:"do"`
	Job string `json:"job,omitempty"`
	// Spec is a job entered at the machine, which is not in the configuration. The station works to
	// it from now on, and the journal keeps all of it.
	Spec    *analysis.Job   `json:"spec,omitempty"`
	Part    string          `json:"part,omitempty"` // serial number, empty to count on
	Ring    string          `json:"ring,omitempty"` // empty: the job's
	Place   *analysis.Place `json:"position,omitempty"`
	Reading int             `json:"reading,omitempty"`  // number of the reading, 0 for the last; for keep, the last asked about
	Of      int             `json:"readings,omitempty"` // ring readings to take, or readings at each speed; 0: the usual number
	// Gain, for "master", says that the ring is a second one of another size, read to set the gain.
	// The zero stays as the first ring set it.
	Gain bool `json:"gain,omitempty"`
	// Reason is why, in a person's own words, or the text of a note. ReasonCode is one of [Reasons]
	// instead, which every reader has in his language.
	Reason     string  `json:"reason,omitempty"`
	ReasonCode string  `json:"reason_code,omitempty"`
	Strokes    int     `json:"strokes,omitempty"`
	Seconds    float64 `json:"seconds,omitempty"`
	Dressed    bool    `json:"dressed,omitempty"`
	Off        bool    `json:"off,omitempty"` // for "cooldown": end the correction
	// Outcome, for "disposition", is what is to become of the part. Number and GrantedBy are those
	// of a concession.
	Outcome   Outcome `json:"outcome,omitempty"`
	Number    string  `json:"number,omitempty"`
	GrantedBy string  `json:"granted_by,omitempty"`
	// Supersedes, for "accept" and "disposition", is the number in the journal of the result of a
	// finished part that is superseded. Job and Part then name the part.
	Supersedes uint64 `json:"supersedes,omitempty"`
	Confirm    bool   `json:"confirm,omitempty"` // go on although the program asked whether it is meant
	Source     string `json:"source,omitempty"`
	// Person is the id of a person: for "person", who works at the station from now on, empty for
	// nobody; for a verdict, another than the person of the station, who signs for it. Proof is how
	// that person became known. No message can state it: it is for what checks a PIN or a badge.
	Person string `json:"person,omitempty"`
	Proof  Proof  `json:"-"`
	// Mine, for "person", says that the person took the readings of the part for which nobody was
	// named.
	Mine bool `json:"mine,omitempty"`
	Warmth
	StudyRequest
	analysis.PartPapers

	// The daemon adds what the journal knows, since a session has only the part in hand: what stands
	// of the part whose result is superseded, and where the part that is begun was sent to rework.
	// Both are nil if there is nothing.
	Standing *Standing  `json:"-"`
	Earlier  *Beginning `json:"-"`
}

// ParseAction reads an action from JSON: one value, and no unknown member. With an error it returns
// what it read of the id and the name of the action.
func ParseAction(payload []byte) (Action, error) {
	var a Action
	dec := json.NewDecoder(bytes.NewReader(payload))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&a); err != nil {
		return Action{ID: a.ID, Do: a.Do}, analysis.Say("daemon.not_a_command", err)
	}
	if _, err := dec.Token(); err != io.EOF {
		return Action{ID: a.ID, Do: a.Do}, analysis.Say("daemon.one_at_a_time")
	}
	return a, nil
}

// Reply answers an action: it was done, or the reason why it was not.
type Reply struct {
	ID   string          `json:"id"`
	Do   string          `json:"do"`
	Done bool            `json:"done"`
	Why  analysis.Phrase `json:"why,omitzero"`
	// Pending says that the action is carried out but not on disk yet, so that it may still be
	// lost. The same action with the same ID may be sent again, to learn what became of it.
	Pending bool `json:"pending,omitempty"`
	// Ask says that the action would be done if it came again with Confirm set.
	Ask bool `json:"ask,omitempty"`
	// Again says that an action with this ID came before, so that nothing was done now.
	Again bool `json:"-"`
}

// Reasons returns the reasons that are offered to be picked.
func Reasons() []string {
	return []string{
		"dirt", "slipped", "wrong_place", "not_square", // a reading is void
		"bumped", "dropped", "new_tips", "dressed", "trued", "changed", // what happened to gauge and stones
		"over_size", "under_size", "out_of_form", "too_close", "damaged", "mistake", // what becomes of a part
	}
}

// Why returns the reason, the zero phrase if there is none.
func (a *Action) Why() analysis.Phrase {
	switch {
	case a.ReasonCode != "":
		return analysis.Say("page.reason." + a.ReasonCode)
	case strings.TrimSpace(a.Reason) != "":
		return analysis.Quote(a.Reason)
	}
	return analysis.Phrase{}
}

// Check refuses text that is too long, or that has characters which act on a display: characters
// that control a terminal or change the writing direction. A serial number has no character that is
// not seen, and no space around it. A reason typed on several lines becomes one line.
func (a *Action) Check() error {
	if chars := utf8.RuneCountInString; chars(a.Part) > 64 || chars(a.Number) > MostName || chars(a.GrantedBy) > MostName || chars(a.Reason) > 500 || chars(a.ID) > 100 {
		return analysis.Say("action.too_long")
	}
	if a.ReasonCode != "" && (a.Reason != "" || !slices.Contains(Reasons(), a.ReasonCode)) {
		return analysis.Say("action.reason_code", a.ReasonCode, strings.Join(Reasons(), ", "))
	}
	if err := a.StudyRequest.check(); err != nil {
		return err
	}
	if faults := a.PartPapers.Check(); len(faults) > 0 {
		return faults[0]
	}
	a.Part, a.Number, a.GrantedBy = strings.TrimSpace(a.Part), strings.TrimSpace(a.Number), strings.TrimSpace(a.GrantedBy)
	a.Reason = strings.NewReplacer("\r\n", " ", "\n", " ", "\t", " ").Replace(a.Reason)
	for _, t := range [...]struct {
		what, text string
		bad        func(rune) bool
	}{{"action.word.serial", a.Part, analysis.Invisible}, {"action.word.number", a.Number, analysis.Invisible}, {"action.word.granted_by", a.GrantedBy, analysis.Invisible}, {"action.word.reason", a.Reason, analysis.Unprintable}, {"action.word.id", a.ID, analysis.Unprintable}} {
		if !utf8.ValidString(t.text) { // it would read back from the journal as another text
			return analysis.Say("action.unprintable", analysis.Say(t.what), fmt.Sprintf("%U", utf8.RuneError))
		}
		if i := strings.IndexFunc(t.text, t.bad); i >= 0 {
			r, _ := utf8.DecodeRuneInString(t.text[i:])
			return analysis.Say("action.unprintable", analysis.Say(t.what), fmt.Sprintf("%U", r))
		}
	}
	return nil
}

// MostName is how many characters a name may have.
const MostName = 64

// Blind returns the actions that need no answer and ask for nothing, so that a foot switch or a
// scanner may ask for them.
func Blind() []string { return []string{"record", "round", "skip", "part", "check", "keep"} }

// scanPrefix begins the text of a code that asks for an action.
const scanPrefix = "do:"

// ScanText returns the text of the code that asks for an action.
func ScanText(do string) string { return scanPrefix + do }

// Scanned returns the action that a scanned text asks for; false for a text that asks for none. Letters
// may be large, as of a scanner with its shift key on.
func Scanned(text string) (do string, ok bool) {
	for _, do := range Blind() {
		if strings.EqualFold(text, ScanText(do)) {
			return do, true
		}
	}
	return "", false
}
