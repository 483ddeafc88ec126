package faulttest

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"
	"time"
)

// Row is what a loop of faults has found.
type Row struct {
	Name   string
	Seed   int
	Rounds int
	Told   int             // records and actions that were told
	Rows   int             // of all journals
	Lost   int             // of what was told
	Unsafe int             // journals that are not sound, and what was told wrongly
	Starts []time.Duration // until the program or its line was back after each fault
	Took   time.Duration
	Note   string
}

// Table is what all loops of a run have found.
type Table struct {
	mu   sync.Mutex
	rows []*Row
}

// Add adds the row of a loop, which may still change.
func (t *Table) Add(r *Row) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.rows = append(t.rows, r)
}

// String returns the table as text, a line a loop.
func (t *Table) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "loop\tseed\trounds\ttold\trows\ttold but lost\tnot sound\tback p50 ms\tmax ms\ts a round\t")
	for _, r := range t.rows {
		slices.Sort(r.Starts)
		p50, most := "-", "-"
		if n := len(r.Starts); n > 0 {
			p50, most = fmt.Sprint(r.Starts[n/2].Milliseconds()), fmt.Sprint(r.Starts[n-1].Milliseconds())
		}
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d\t%d\t%d\t%s\t%s\t%.2f\t%s\n", r.Name, r.Seed, r.Rounds, r.Told, r.Rows, r.Lost, r.Unsafe, p50, most, r.Took.Seconds()/float64(max(r.Rounds, 1)), r.Note)
	}
	w.Flush()
	return b.String()
}
