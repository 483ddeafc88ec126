package archive

import (
	"io"
	"maps"
	"slices"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/document"
	"fairbore/daemon/report"
	"fairbore/daemon/state"
	"fairbore/daemon/web"
)

// Card writes the card to print for a station with settings as PDF.
func Card(out io.Writer, set *state.Settings, c web.Card, f notation.Format) error {
	paper, err := document.ParsePaper(c.Paper)
	if err != nil {
		return err
	}
	card := report.Card{
		Station: c.Name, Title: c.Title, First: c.First, Count: c.Count, Address: c.Address, Letterhead: set.Letterhead, Simulated: set.Simulated,
		Jobs: ordered(set.Jobs), Rings: ordered(set.Rings),
	}
	return card.Document(f).PDF(out, paper)
}

// ordered returns what stands under the names of a map, by name.
func ordered[T analysis.Job | analysis.Ring](by map[string]*T) (all []*T) {
	for _, id := range slices.Sorted(maps.Keys(by)) {
		all = append(all, by[id])
	}
	return all
}
