package event

import (
	"fmt"
	"strings"
	"time"
)

// Head says what the journal's chain of hashes comes to at a row. The hash depends on every row up
// to that one, so a head that is kept elsewhere shows later whether the rows are still those.
type Head struct {
	Journal string    `json:"journal"`
	Seq     uint64    `json:"seq"`
	Hash    string    `json:"hash"` // of row Seq, in hexadecimal
	At      time.Time `json:"at"`   // time of that row's event
	// Signature is that of [Head.Text] by Ed25519 (RFC 8032), in base64, and Key the SHA-256 of the
	// public key (DER, SubjectPublicKeyInfo) in hexadecimal. Both are empty if no key is set up.
	Signature string `json:"signature,omitempty"`
	Key       string `json:"key,omitempty"`
}

// HeadTitle is the first line of the text of a head. It names what the text is for, so that a
// signature of it can't be taken for one of something else, and the version of its form.
const HeadTitle = "fairbore head 1"

// Text returns what is signed: five lines, each with its end, of title, journal, row, hash and time
// in UTC.
func (h *Head) Text() string {
	return fmt.Sprintf("%s\njournal %s\nrow %d\nhash %s\nat %s\n", HeadTitle, h.Journal, h.Seq, h.Hash, h.At.UTC().Format(time.RFC3339Nano))
}

// Line returns the head as a record states it: the words of its text in one line and, if it is
// signed, signature and key. It returns "" for a head without a row.
func (h *Head) Line() string {
	if h.Seq == 0 {
		return ""
	}
	line := strings.Join(strings.Fields(h.Text()), " ")
	if h.Signature != "" {
		line += " signature " + h.Signature + " key " + h.Key
	}
	return line
}
