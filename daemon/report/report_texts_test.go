package report

import (
	"bytes"
	"flag"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"fairbore/analysis/notation"
	"fairbore/daemon/document"
)

var update = flag.Bool("update", false, "write the expected reports anew")

// golden holds a report against the one a person has read.
func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("../../testdata/report", name)
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s is not as it was; read the difference, then run with -update:\n%s", name, difference(string(want), got))
	}
}

// difference returns the first lines that differ.
func difference(want, got string) string {
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range max(len(w), len(g)) {
		var a, b string
		if i < len(w) {
			a = w[i]
		}
		if i < len(g) {
			b = g[i]
		}
		if a != b {
			return "was " + a + "\nnow " + b
		}
	}
	return ""
}

// What a record of each kind says in English, as a person has read it.
func TestTextsOfRecords(t *testing.T) {
	p := valve(t)
	_, made := lot(t)
	gaugeStudy, _ := sleeveStudy(t)
	for name, d := range map[string]*document.Document{
		"relief-valve.txt": PartRecord(p, notation.Format{}), "sleeve.txt": PartRecord(sleeve(t), notation.Format{}), "first-article.txt": FirstArticle(p, notation.Format{}),
		"lot.txt": LotReport(made, notation.Format{}), "masterings.txt": MasteringLog(masterings(t), notation.Format{}), "gauge-study.txt": gaugeStudy,
	} {
		golden(t, name, d.Text())
	}
	svg := regexp.MustCompile(`(?s)<svg.*?</svg>`) // what a picture looks like is its own package's to hold
	golden(t, "relief-valve.html", svg.ReplaceAllString(PartRecord(p, notation.Format{}).Fragment(), "<svg/>"))
	for name, write := range map[string]func(io.Writer) error{"first-article.csv": p.Articles().CSV, "lot.csv": made.Table().CSV} {
		var out bytes.Buffer
		if err := write(&out); err != nil {
			t.Fatal(err)
		}
		golden(t, name, out.String())
	}
}

// A record of 5 sections × 2 orientations × 6 rounds is three pages at most.
func TestTextsOfARecordFitThreePages(t *testing.T) {
	if n := strings.Count(extracted(t, pdf(t, PartRecord(valve(t), notation.Format{}), document.A4)), "\f"); n > 3 {
		t.Errorf("%d pages", n)
	}
}
