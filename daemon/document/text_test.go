package document

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"
)

// A table that is too wide for plain text is parted: each part has the first
// column, every other column stands once, in order, and no line is too long.
func TestWideTableIsParted(t *testing.T) {
	for _, n := range []int{3, 8, 13, 30} {
		tab := &Table{Columns: []Column{{Head: "depth / angle", Left: true}}, Rows: [][]string{{"49 mm / 90°"}}, Under: [][]string{{"smallest"}}, Notes: []string{"Once."}}
		for i := range n {
			tab.Columns = append(tab.Columns, Column{Head: fmt.Sprintf("round %d", i)})
			tab.Rows[0] = append(tab.Rows[0], fmt.Sprintf("44.4%03d", i))
			tab.Under[0] = append(tab.Under[0], "44.4000")
		}
		var b strings.Builder
		tab.text(&b)
		text, rounds := b.String(), ""
		parts := strings.Count(text, "49 mm / 90°")
		for _, l := range strings.Split(text, "\n") {
			if utf8.RuneCountInString(l) > tableWidth {
				t.Errorf("%d rounds: %d columns", n, utf8.RuneCountInString(l))
			}
			if rest, ok := strings.CutPrefix(l, "49 mm / 90°"); ok {
				rounds += rest + " "
			}
		}
		if got := strings.Fields(rounds); len(got) != n || got[n-1] != fmt.Sprintf("44.4%03d", n-1) || got[0] != "44.4000" {
			t.Errorf("%d rounds: %v", n, got)
		}
		if strings.Count(text, "Once.") != 1 || strings.Count(text, "smallest") != parts || (n <= 8) != (parts == 1) {
			t.Errorf("%d rounds in %d parts:\n%s", n, parts, text)
		}
	}
}
