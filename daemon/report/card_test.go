package report

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
)

// The card is one page in each language, however much there is to choose from; another program reads
// every code of it.
func TestCardIsOnePageThatOthersRead(t *testing.T) {
	daemontest.Needs(t, "pdftoppm")
	daemontest.Needs(t, "zbarimg")
	c := Card{Station: "hone-bay-2", Title: "hone bay 2", First: "SN-0098", Count: 99, Address: "http://192.168.1.20:8080/", Simulated: true, Letterhead: event.Letterhead{Lines: []string{"Quarry Lane Honing", "12 Quarry Lane"}}}
	for i := range 20 {
		c.Jobs = append(c.Jobs, &analysis.Job{ID: fmt.Sprintf("J-%04d", 4100+i), Title: "spindle sleeve, second operation, finish bore"})
		c.Rings = append(c.Rings, &analysis.Ring{ID: fmt.Sprintf("R-%04d", 1250+i), Size: 31_7497_0000})
	}
	for _, paper := range []document.Paper{document.A4, document.Letter} {
		for _, l := range notation.Languages() {
			var pdf bytes.Buffer
			if err := c.Document(notation.Format{Language: l}).PDF(&pdf, paper); err != nil {
				t.Fatal(err)
			}
			page := filepath.Join(t.TempDir(), "card")
			draw := exec.Command("pdftoppm", "-r", "150", "-gray", "-png", "-", page)
			draw.Stdin = &pdf
			if out, err := draw.CombinedOutput(); err != nil {
				t.Fatalf("pdftoppm: %v: %s", err, out)
			}
			pages, err := filepath.Glob(page + "*.png")
			if err != nil || len(pages) != 1 {
				t.Fatalf("%s, %s: %d pages, %v", paper, l.Tag, len(pages), err)
			}
			out, err := exec.Command("zbarimg", "--quiet", "--raw", pages[0]).Output()
			if err != nil {
				t.Fatal(err)
			}
			got := strings.Fields(string(out))
			want := []string{"J-4100", "J-4107", "R-1250", "R-1257", "SN-0098", "SN-0099", "SN-0100", "SN-0105", c.Address}
			for _, do := range event.Blind() {
				want = append(want, event.ScanText(do))
			}
			for _, text := range want {
				if !slices.Contains(got, text) {
					t.Errorf("%s, %s: no code %q among %q", paper, l.Tag, text, got)
				}
			}
			if dir := os.Getenv("FAIRBORE_LOOK"); dir != "" {
				b, _ := os.ReadFile(pages[0])
				if err := os.WriteFile(filepath.Join(dir, "card-"+string(paper)+"-"+l.Tag+".png"), b, 0o600); err != nil {
					t.Error(err)
				}
			}
		}
	}
}

func TestSerialNumbersCountOn(t *testing.T) {
	for no, want := range map[string]string{"001": "002", "SN-0099": "SN-0100", "9": "10", "A": "", "": "", "999": "1000", "7-B": ""} {
		if got := following(no); got != want {
			t.Errorf("after %q comes %q, want %q", no, got, want)
		}
	}
}
