package report

import (
	"fmt"

	"fairbore/daemon/document"
)

// Trace says where in which journal a report comes from, so that a print can be
// held against it.
type Trace struct {
	Journal     string
	First, Last uint64
	Hash        string // of row Last, hexadecimal; it depends on every row before it
}

// numbers makes columns of numbers.
func numbers(heads ...string) []document.Column {
	out := make([]document.Column, len(heads))
	for i, h := range heads {
		out[i].Head = h
	}
	return out
}

// stand puts where a record comes from at its end and at the foot of its pages.
func (t Trace) stand(d *document.Document) {
	if t.Journal != "" {
		d.Foot = []string{
			fmt.Sprintf("journal %s, rows %d to %d", t.Journal, t.First, t.Last),
			fmt.Sprintf("chain hash at row %d: %s", t.Last, orDash(t.Hash)),
		}
	}
	d.Add(document.Heading("Where this comes from"), document.Lines{
		fmt.Sprintf("Journal %s, rows %d to %d; chain hash at row %d:", orDash(t.Journal), t.First, t.Last, t.Last),
		orDash(t.Hash),
		"That hash rests on every row before it, and rows are only ever added: what was struck out stands here with its reason.",
	})
}
