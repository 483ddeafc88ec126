package web

import (
	"maps"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"fairbore/analysis"
	"fairbore/analysis/material"
	"fairbore/analysis/notation"
	"fairbore/daemon/broker"
	"fairbore/daemon/state"
	"fairbore/daemon/web/guide"
	"fairbore/daemon/web/shoptest"
)

// guided is a server with a set-up, whose configuration is a text.
func guided(t *testing.T, text string) (*Server, *guide.Guide) {
	t.Helper()
	at := func() time.Time { return time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC) }
	g := &guide.Guide{
		Name: "fairbore.yaml", Drafts: &guide.Drafts{Path: filepath.Join(t.TempDir(), "draft")}, Hash: broker.Hash, Least: 12, Materials: material.Names(), Now: at,
		Jobs: func(string) []*analysis.Job { return []*analysis.Job{shoptest.Sleeve()} },
	}
	src := newShop()
	if text != "" {
		src = newShop(&state.Bore{Station: "hone-bay-2", Job: shoptest.Sleeve()})
	}
	return serve(t, Config{Actions: true, Guide: g, Setup: &filed{text: []byte(text)}, Jobs: g.Jobs}, src), g
}

const oneStation = `version: 1
site: quarry-lane
letterhead: {lines: ["Quarry Lane Honing"]}
gauges: {G-1: {driver: line, unit: mm, kind: two-point, step: 0.1 um}}
rings: {R-1250: {size: 31.74970 mm, u: 0.25 um}}
stations: [{name: hone-bay-2, title: hone bay 2, gauge: G-1, port: /dev/ttyUSB0, capture: turning}]
`

// Each step of the set-up fits each screen, for a new station and for one that works, and what is
// touched is large enough. So does what is wrong. In the other languages nothing is cut off.
func TestLooksOfTheSetUp(t *testing.T) {
	t.Parallel()
	screens := maps.Clone(sizes)
	screens["small"] = [2]int64{320, 568}
	for of, text := range map[string]string{"new": "", "known": oneStation} {
		s, g := guided(t, text)
		if text == "" {
			if err := g.Drafts.Keep("", guide.StepShop, map[string]string{"shop": "Quarry Lane Honing", "station": "Hone bay 2"}); err != nil {
				t.Fatal(err)
			}
		}
		e := newEye(t, s)
		for name, size := range screens {
			t.Run(of+" "+name, func(t *testing.T) {
				t.Parallel()
				e := e.of(t)
				for _, step := range guide.Steps() {
					for _, theme := range e.themes() {
						e.step(of, step, theme, name, size)
					}
					for _, l := range notation.Languages() {
						e.open("/setup/"+step+"?lang="+l.Tag, "light", size)
						for _, w := range append(e.says(wrong), e.says(cut)...) {
							t.Errorf("%s in %s: %s", step, l.Tag, w)
						}
						e.keep("setup-"+of+"-"+step+"-"+l.Tag, "light", name)
					}
				}
			})
		}
	}
}

// step looks at a step, and at what it says where nothing is typed.
func (e *eye) step(of, step, theme, name string, size [2]int64) {
	e.t.Helper()
	e.open("/setup/"+step+"?lang=en", theme, size)
	for _, w := range append(e.says(wrong), e.says(cut)...) {
		e.t.Errorf("%s: %s", step, w)
	}
	e.keep("setup-"+of+"-"+step, theme, name)
	if !slices.Contains([]string{guide.StepShop, guide.StepRing, guide.StepAccess}, step) {
		return
	}
	e.run(chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("#guide input:not([type=radio], [type=checkbox])").forEach((e) => { e.value = ""; }), document.getElementById("save").click()`))
	e.until("what is missing", `[...document.querySelectorAll(".fault")].some((e) => e.textContent)`)
	for _, w := range e.says(wrong) {
		e.t.Errorf("%s with faults: %s", step, w)
	}
	e.keep("setup-"+of+"-"+step+"-faults", theme, name)
}
