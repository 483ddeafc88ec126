package archive

import (
	"archive/zip"
	"bytes"
	"cmp"
	"context"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/verdict"
	"fairbore/configs"
	"fairbore/daemon/config"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/session"
	"fairbore/daemon/setup"
	"fairbore/daemon/state"
	"fairbore/daemon/store"
	"fairbore/daemon/web"
	"fairbore/drivers"
)

// shop is a journal that two stations of the demo's shop have written to, and that
// is still open for writing.
type shop struct {
	t       *testing.T
	cfg     *config.Config
	path    string
	journal *store.Journal
	now     drivers.Moment
}

func openShop(t *testing.T) *shop {
	t.Helper()
	cfg, err := config.Parse("demo.yaml", configs.Demo)
	if err != nil {
		t.Fatal(err)
	}
	cfg.People = nil // nobody is asked for
	s := &shop{t: t, cfg: cfg, path: filepath.Join(t.TempDir(), "journal.db")}
	s.now.Wall = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	if s.journal, err = store.Open(t.Context(), store.Config{Path: s.path}); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.journal.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		if err := s.journal.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func (s *shop) keep(events []event.Event) {
	s.t.Helper()
	if len(events) == 0 {
		return
	}
	want := s.journal.Last() + uint64(len(events))
	if err := s.journal.Append(s.t.Context(), events); err != nil {
		s.t.Fatal(err)
	}
	for late := time.Now().Add(10 * time.Second); s.journal.Last() < want; time.Sleep(time.Millisecond) {
		if time.Now().After(late) {
			s.t.Fatal("the events were not recorded")
		}
	}
}

// bay is a station of the shop at work.
type bay struct {
	*shop
	*session.Session
	gauge  string
	events []event.Event // of the newest action
}

func (s *shop) bay(name string) *bay {
	for i := range s.cfg.Stations {
		if st := s.cfg.Stations[i]; st.Name == name {
			st.Capture = "button"
			b := &bay{s, session.New(setup.Settings(s.cfg, &st), nil), st.Gauge, nil}
			s.keep(b.Begin(s.now))
			return b
		}
	}
	s.t.Fatalf("there is no station %s", name)
	return nil
}

func (b *bay) do(a event.Action) {
	b.t.Helper()
	b.wait(2 * time.Second)
	a.Source, a.Confirm = "page", true
	events, r := b.Act(b.now, a)
	if !r.Done {
		b.t.Fatalf("%s: %s", a.Do, r.Why)
	}
	b.events = events
	b.keep(events)
}

func (s *shop) wait(d time.Duration) { s.now.Wall, s.now.Mono = s.now.Wall.Add(d), s.now.Mono+d }

func (b *bay) send(values ...string) {
	b.t.Helper()
	for _, v := range values {
		b.wait(4 * time.Second)
		digits, places, err := analysis.ParseDecimal(v)
		if err != nil {
			b.t.Fatal(err)
		}
		b.keep(b.Sample(b.now, b.gauge, []drivers.Sample{{Digits: digits, Places: places, Unit: drivers.Unit("mm"), Raw: []byte(v)}}))
	}
}

// sleeve gauges a sleeve twice and accepts it; shift is added in 0.1 µm.
func (b *bay) sleeve(serial string, zero string, last ...string) {
	b.t.Helper()
	b.do(event.Action{Do: "part", Part: serial})
	b.send("31.7508", "31.7505", "31.7506", "31.7504", "31.7509", "31.7507")
	b.do(event.Action{Do: "round", Strokes: 3, Seconds: 4})
	b.send(last...)
	b.do(event.Action{Do: "check", Ring: "R-1250", Of: 4})
	b.send(zero, zero, zero, zero)
	b.do(event.Action{Do: "accept"})
}

// story is what happened in the shop: two sleeves, and a check that fails after.
func story(t *testing.T) *shop {
	s := openShop(t)
	b := s.bay("hone-bay-2")
	b.do(event.Action{Do: "job", Job: "J-4112"})
	b.do(event.Action{Do: "master", Ring: "R-1250", Of: 4})
	b.send("31.7497", "31.7497", "31.7497", "31.7497")
	b.sleeve("001", "31.7497", "31.7510", "31.7514", "31.7514", "31.7513", "31.7516", "31.7514")
	b.sleeve("002", "31.7497", "31.7512", "31.7514", "31.7514", "31.7513", "31.7515", "31.7514")
	other := s.bay("hone-bay-3") // another station, whose events lie between
	other.do(event.Action{Do: "job", Job: "J-4120"})
	b.do(event.Action{Do: "part", Part: "003"})
	b.send("31.7508", "31.7505")
	b.do(event.Action{Do: "check", Ring: "R-1250", Of: 4})
	b.send("31.75015", "31.75015", "31.75015", "31.75015")
	return s
}

func (s *shop) report(o ReportOptions) string {
	s.t.Helper()
	var b bytes.Buffer
	if err := Report(s.t.Context(), s.path, &b, o); err != nil {
		s.t.Fatal(err)
	}
	return b.String()
}

// Reports are made while the journal is open for writing, of every kind in every
// format, and the same twice.
func TestReportsOfALiveJournal(t *testing.T) {
	s := story(t)
	for kind, want := range map[string][]string{
		"part":          {en.Text("record.title.part"), "003", strings.ToUpper(en.Text("outcome.unfinished"))},
		"lot":           {en.Text("record.title.lot"), "001", "002", en.Text("study.note.few_for_index", 2, 25)},
		"first-article": {en.Text("record.title.article"), "001", strings.ToUpper(en.Text("outcome.accepted"))},
		"masterings":    {en.Text("record.title.masterings"), en.Text("record.look.failed"), "R-1250"},
	} {
		for _, format := range []string{"text", "html", "pdf", "csv", "xlsx"} {
			o := ReportOptions{Kind: kind, Format: format, Job: "J-4112"}
			got := s.report(o)
			if got != s.report(o) {
				t.Errorf("%s as %s is not the same twice", kind, format)
			}
			switch format {
			case "pdf":
				if !strings.HasPrefix(got, "%PDF-") || !strings.HasSuffix(strings.TrimSpace(got), "%%EOF") {
					t.Errorf("%s: no PDF", kind)
				}
			case "xlsx":
				if z, err := zip.NewReader(strings.NewReader(got), int64(len(got))); err != nil || len(z.File) != 6 {
					t.Errorf("%s: %v", kind, err)
				}
			case "csv":
				if _, err := csv.NewReader(strings.NewReader(got)).ReadAll(); err != nil {
					t.Errorf("%s: %v", kind, err)
				}
			default:
				for _, w := range want {
					if !strings.Contains(strings.ToLower(got), strings.ToLower(w)) {
						t.Errorf("%s as %s lacks %q", kind, format, w)
					}
				}
			}
		}
	}
}

// The hash on a report is that of the journal at the row it names: verify, which
// works it out from all rows, comes to the same.
func TestReportTracesToTheJournal(t *testing.T) {
	s := story(t)
	text := s.report(ReportOptions{Kind: "masterings"})
	v, err := store.Verify(t.Context(), s.path, nil)
	if err != nil || !v.Sound() {
		t.Fatalf("verify: %v %+v", err, v)
	}
	if !strings.Contains(text, v.Journal) || !strings.Contains(text, v.Head) {
		t.Errorf("the newest row is a check, so the log should carry journal %s and head %s:\n%s", v.Journal, v.Head, text)
	}
}

// What a part rests on that came before it is in its record: the job, the
// mastering and its ring; and of what came after, the next look at the ring.
func TestReportGathersBeforeAndAfter(t *testing.T) {
	s := story(t)
	text := s.report(ReportOptions{Part: "002"})
	for _, want := range []string{en.Text("record.look.zero_set", 1), "R-1250", en.Text("record.look.holds"), strings.ToUpper(en.Text("outcome.accepted")), en.Text("record.budget.size"), en.Text("record.changed.first"), "31.7515", "1.250059"} {
		if !strings.Contains(text, want) {
			t.Errorf("the record of 002 lacks %q:\n%s", want, text)
		}
	}
	if strings.Contains(text, "31.7516") { // that of 001
		t.Error("the record of 002 has a size of 001")
	}
	open := s.report(ReportOptions{Part: "003"})
	if !strings.Contains(open, en.Text("record.in_doubt", 2)) {
		t.Errorf("the failed check is not in the record of 003:\n%s", open)
	}
}

// Each part rests on the settings in force at its verdict: the gauge, its repeatability and the guard
// of that time, whatever came into force before or after it, also while it was in hand.
func TestEachPartRestsOnItsOwnSettings(t *testing.T) {
	s := openShop(t)
	b := s.bay("hone-bay-2")
	change := func(do func(*state.Settings)) {
		st := s.cfg.Stations[slices.IndexFunc(s.cfg.Stations, func(st config.Station) bool { return st.Name == "hone-bay-2" })]
		st.Capture = "button"
		set := setup.Settings(s.cfg, &st)
		do(&set)
		b.gauge = set.Gauge.Name
		b.wait(time.Second)
		s.keep(b.Configure(s.now, set))
	}
	um := analysis.Deviation(analysis.Micrometre)
	first := func(set *state.Settings) { set.Rule = string(verdict.Confidence95) }
	second := func(set *state.Settings) {
		set.Rule, set.Gauge.Name, set.Gauge.Repeatability = string(verdict.Simple), "G-99", um
	}
	change(first)
	b.do(event.Action{Do: "job", Job: "J-4112"})
	ring := func() {
		b.do(event.Action{Do: "master", Ring: "R-1250", Of: 4})
		b.send("31.7497", "31.7497", "31.7497", "31.7497")
	}
	sizes := []string{"31.7512", "31.7514", "31.7514", "31.7513", "31.7515", "31.7514"}
	ring()
	b.sleeve("001", "31.7497", sizes...)
	change(second)
	if r := b.Fold().Bore(&state.Settings{}, s.now.Wall).Master; r.OK {
		t.Error("the zero of another gauge holds")
	}
	ring()
	b.sleeve("002", "31.7497", sizes...)
	change(first)
	ring()
	b.do(event.Action{Do: "part", Part: "003"})
	b.send(sizes[:3]...)
	change(second)
	ring()
	b.send(sizes[3:]...)
	b.do(event.Action{Do: "accept"})
	change(first)
	records := map[string]string{}
	for _, part := range []string{"001", "002", "003"} {
		records[part] = strings.Join(strings.Fields(s.report(ReportOptions{Part: part})), " ")
	}
	for _, c := range []struct {
		part, rule string
		wide       bool // by the repeatability of 1 µm
		says       string
	}{
		{"001", "1.645u", false, "G-11"}, {"002", "simple", true, "G-99"}, {"003", "simple", true, "G-11, G-99"},
	} {
		text := records[c.part]
		if rule := en.Text("record.rule.is", verdict.Rule(c.rule).Phrase()); !strings.Contains(text, rule) {
			t.Errorf("the record of %s does not say %q:\n%s", c.part, rule, text)
		}
		if strings.Contains(text, daemontest.Begins("record.rule.otherwise", verdict.Rule(c.rule).Phrase())) {
			t.Errorf("the record of %s states another uncertainty than its verdict:\n%s", c.part, text)
		}
		if wide := strings.Contains(text, " 1.000 "); wide != c.wide {
			t.Errorf("the budget of %s has a line of 1 µm: %t, want %t\n%s", c.part, wide, c.wide, text)
		}
		if !strings.Contains(text, c.says) {
			t.Errorf("the record of %s does not name %s", c.part, c.says)
		}
	}
	if told := en.Text("event.settings_changed", analysis.Say("settings.and", analysis.Say("settings.gauge"), analysis.Say("settings.guard"))); !strings.Contains(records["003"], told) {
		t.Errorf("the record of 003 does not say %q:\n%s", told, records["003"])
	}
	// A first article says its decisions.
	if text := s.report(ReportOptions{Kind: "first-article", Job: "J-4112"}); !strings.Contains(text, en.Text("record.decision.conforms")) {
		t.Errorf("the first article:\n%s", text)
	}
}

// A record names the prior of the chances that it states: a flat one until ten other parts of
// the job were finished, then their spread, of which what came after the part is none.
func TestReportNamesThePrior(t *testing.T) {
	s := openShop(t)
	b := s.bay("hone-bay-2")
	b.do(event.Action{Do: "job", Job: "J-4112"})
	b.do(event.Action{Do: "master", Ring: "R-1250", Of: 4})
	b.send("31.7497", "31.7497", "31.7497", "31.7497")
	for i, shift := range []int{0, 3, 1, 4, 2, 5, 1, 3, 0, 4, 2, 3} {
		at := func(tenths int) string { return fmt.Sprintf("31.7%d", 5090+tenths+20*shift) }
		b.sleeve(fmt.Sprintf("%03d", i+1), "31.7497", at(0), at(1), at(2), at(3), at(2), at(1))
	}
	for part, want := range map[string]string{
		"001": en.Text("verdict.lot.few", 10, 0),
		"010": en.Text("verdict.lot.few", 10, 9),
		"011": daemontest.Begins("record.chance.lot_smallest", 10),
		"012": daemontest.Begins("record.chance.lot_smallest", 11),
	} {
		text := strings.Join(strings.Fields(s.report(ReportOptions{Part: part})), " ")
		if !strings.Contains(text, want) {
			t.Errorf("the record of %s lacks %q:\n%s", part, want, text)
		}
	}
	// It is what the station itself said before and after a start in between.
	b.do(event.Action{Do: "part", Part: "013"})
	b.send("31.7510")
	records, err := s.journal.Rebuild(t.Context(), "hone-bay-2")
	if err != nil {
		t.Fatal(err)
	}
	f := state.Fold{}
	for i := range records {
		f.Apply(&records[i].Event)
	}
	set := setup.Settings(s.cfg, &s.cfg.Stations[slices.IndexFunc(s.cfg.Stations, func(st config.Station) bool { return st.Name == "hone-bay-2" })])
	for _, g := range []*state.Bore{b.Fold().Bore(&set, s.now.Wall), f.Bore(&set, s.now.Wall)} {
		if c := g.Judged.Sizes.Largest.Chance; c.Parts != 12 {
			t.Errorf("at the station: %+v", c)
		}
	}
}

// A ring read as a part that fails puts the part before it in doubt; a good one tells
// nothing of it, and is passed over.
func TestReportTellsOfAFailedRereading(t *testing.T) {
	s := openShop(t)
	b := s.bay("hone-bay-2")
	b.do(event.Action{Do: "job", Job: "J-4112"})
	b.do(event.Action{Do: "master", Ring: "R-1250", Of: 4})
	b.send("31.7497", "31.7497", "31.7497", "31.7497")
	b.do(event.Action{Do: "part", Part: "001"})
	b.send("31.7512", "31.7514", "31.7514", "31.7513", "31.7515", "31.7514")
	b.do(event.Action{Do: "accept"})
	b.do(event.Action{Do: "part", Part: "002"})
	b.do(event.Action{Do: "reread", Of: 4})
	b.send("31.7497", "31.7497", "31.7497", "31.7497")
	if text := s.report(ReportOptions{Part: "001"}); strings.Contains(text, strings.ToUpper(en.Text("outcome.in_doubt", analysis.Say("outcome.accepted")))) || !strings.Contains(text, strings.ToUpper(en.Text("outcome.accepted"))) || strings.Contains(text, en.Text("record.look.reread")) {
		t.Errorf("after a good re-reading:\n%s", text)
	}
	b.do(event.Action{Do: "reread", Of: 4})
	b.send("31.7502", "31.7502", "31.7502", "31.7502")
	text := s.report(ReportOptions{Part: "001"})
	for _, want := range []string{strings.ToUpper(en.Text("outcome.in_doubt", analysis.Say("outcome.accepted"))), en.Text("record.look.reread"), en.Text("record.look.failed") + "; " + daemontest.Begins("record.look.in_doubt", 6)} {
		if !strings.Contains(strings.Join(strings.Fields(text), " "), want) {
			t.Errorf("after one that failed the record lacks %q:\n%s", want, text)
		}
	}
	if l := s.report(ReportOptions{Kind: "masterings"}); strings.Count(l, en.Text("record.look.reread")) < 3 { // the counts and two rows
		t.Errorf("the log:\n%s", l)
	}
}

func TestReportRefuses(t *testing.T) {
	s := story(t)
	for want, o := range map[string]ReportOptions{
		"give one of text":        {Format: "docx"},
		"give one of part, lot":   {Kind: "audit"},
		"give a4 or letter":       {Paper: "a3"},
		"no such part":            {Part: "999"},
		"name the job":            {Kind: "lot"},
		"no such part; it has J-": {Kind: "lot", Job: "J-0000"},
	} {
		var b bytes.Buffer
		err := Report(t.Context(), s.path, &b, o)
		if err == nil || !strings.Contains(en.Error(err), want) || b.Len() > 0 {
			t.Errorf("%+v: %v, %d bytes written", o, err, b.Len())
		}
	}
	if err := Report(t.Context(), filepath.Join(t.TempDir(), "none.db"), &bytes.Buffer{}, ReportOptions{}); err == nil {
		t.Error("reported of a journal that is not there")
	}
}

func TestGaugeStudyAsPage(t *testing.T) {
	in := "part,operator,size_um\n"
	for _, row := range []string{"1,a,1.1", "1,a,1.2", "1,b,1.0", "1,b,1.1", "2,a,2.1", "2,a,2.0", "2,b,2.2", "2,b,2.1", "3,a,3.0", "3,a,3.1", "3,b,3.0", "3,b,2.9"} {
		in += row + "\n"
	}
	for _, format := range []string{"", "html", "pdf"} {
		var a, b bytes.Buffer
		o := ReportOptions{Format: format, To: time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)}
		for _, out := range []*bytes.Buffer{&a, &b} {
			if err := ReportGaugeStudy(strings.NewReader(in), analysis.Deviation(10*analysis.Micrometre), out, "G-11", o); err != nil {
				t.Fatal(err)
			}
		}
		if a.Len() == 0 || !bytes.Equal(a.Bytes(), b.Bytes()) {
			t.Errorf("%q: not the same twice", format)
		}
		if format == "html" {
			if err := xml.Unmarshal(a.Bytes()[bytes.Index(a.Bytes(), []byte("<article")):bytes.Index(a.Bytes(), []byte("</body>"))], new(struct{})); err != nil {
				t.Error(err)
			}
		}
	}
}

// studyAt takes the demo shop's study of five sleeves at a station: three people, each
// part twice. One reading is struck out and taken again, and one part is gauged by one
// person only, who hones it then.
func studyAt(b *bay) {
	b.t.Helper()
	b.do(event.Action{Do: "job", Job: "J-4112"})
	b.do(event.Action{Do: "master", Ring: "R-1250", Of: 4})
	b.send("31.7497", "31.7497", "31.7497", "31.7497")
	b.do(event.Action{Do: "part", Part: "900"})
	b.send("31.7500") // before the study
	place := analysis.Place{Depth: 32 * analysis.Millimetre}
	sizes := map[string][]string{
		"first shift": {"31.7512", "31.7511", "31.7514", "31.7513", "31.7509", "31.7510", "31.7516", "31.7515", "31.7512", "31.7513"},
		"quality":     {"31.7510", "31.7511", "31.7512", "31.7512", "31.7508", "31.7508", "31.7514", "31.7513", "31.7511", "31.7510"},
		"night":       {"31.7511", "31.7511", "31.7513", "31.7512", "31.7509", "31.7509", "31.7514", "31.7515", "31.7512", "31.7512"},
	}
	who := []string{"first shift", "quality", "night"}
	b.do(event.Action{Do: "study", Part: "001", Place: &place, StudyRequest: event.StudyRequest{Parts: 6, Trials: 2, Appraisers: who}})
	for _, who := range who {
		for i := range 5 {
			b.do(event.Action{Do: "study", Part: fmt.Sprintf("00%d", i+1), StudyRequest: event.StudyRequest{Appraiser: who}})
			b.send(sizes[who][2*i])
			if who == "quality" && i == 2 {
				b.send("31.7530")
				b.do(event.Action{Do: "void", Reading: 2, Reason: "dirt"})
			}
			b.send(sizes[who][2*i+1])
		}
	}
	b.do(event.Action{Do: "study", Part: "006"})
	b.send("31.7512")
	b.do(event.Action{Do: "round", Strokes: 20})
	b.send("31.7520", "31.7520")
}

// The study of a journal has the readings that are marked as its own, and none beside;
// what it leaves out it names; its CSV gives the same study again; and the figures are
// those of the readings worked out by hand.
func TestGaugeStudyFromTheJournal(t *testing.T) {
	s := openShop(t)
	s.cfg.Letterhead.Lines = []string{"Quarry Lane Honing"}
	studyAt(s.bay("hone-bay-2"))
	o := ReportOptions{Kind: "study", Job: "J-4112"}
	text := strings.Join(strings.Fields(s.report(o)), " ")
	for _, want := range []string{
		en.Text("record.study.size", 5, 3, 2), "gauge G-11 on J-4112 spindle sleeve", "first shift, quality, night", daemontest.Begins("record.from.foot_hash"),
		en.Text("record.study.above", "µin", "31.750"), en.Text("study.left.seldom", "006", 1, "night", 2), en.Text("study.left.not_gauged", "006", "quality", 2),
	} {
		if !strings.Contains(strings.ReplaceAll(text, "1.250000 in", "31.750"), want) {
			t.Errorf("lacks %q:\n%s", want, text)
		}
	}
	o.Format = "csv"
	table := s.report(o)
	if !strings.Contains(text, "Quarry Lane Honing") {
		t.Errorf("lacks the letterhead:\n%s", text)
	}
	if n := strings.Count(table, "\n"); n != 31 || strings.Contains(table, ",900,") || strings.Contains(table, "31.753\r") {
		t.Errorf("%d lines:\n%s", n, table)
	}
	// Ranges of the pairs in µm, in the order of the parts: first shift 0.1 each, quality
	// 0.1 0 0 0.1 0.1, night 0 0.1 0 0.1 0: mean 1.0/15 = 0.0667. By the AIAG manual's table
	// d2* is 1.15 for 15 subgroups of two, so the repeatability is 0.0580 µm.
	var page bytes.Buffer
	if err := ReportGaugeStudy(strings.NewReader(table), analysis.Deviation(2540*analysis.Nanometre), &page, "again", ReportOptions{}); err != nil {
		t.Fatal(err)
	}
	again := strings.Join(strings.Fields(page.String()), " ")
	byRange := again[strings.Index(again, en.Text("record.study.by", analysis.Say("study.method.ranges"))):]
	if !strings.Contains(byRange, en.Text("study.of.repeats")+" 0.058") {
		t.Errorf("the study of its own CSV:\n%s", byRange)
	}
	for _, share := range regexp.MustCompile(`The gauge takes [0-9.]+ %`).FindAllString(text, -1) {
		if !strings.Contains(again, share) {
			t.Errorf("the journal says %q, its CSV another:\n%s", share, again)
		}
	}
	for _, o := range []ReportOptions{{Kind: "study", Job: "J-4107"}, {Kind: "study", To: time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)}} {
		if err := Report(t.Context(), s.path, &bytes.Buffer{}, o); err == nil || !strings.Contains(en.Error(err), en.Text("page.order.no_study")) {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

// The example of the AIAG manual (Measurement Systems Analysis, ch. III B), taken by the
// actions at a station as an operator takes it, comes out of the journal with the figures
// that are printed there: GRR 26.7 % of the total by average and range, 27.9 % by analysis
// of variance, 4 classes, and the range of part 4 by B above its limit. Its values stand in
// the place of micrometres from the target.
func TestGaugeStudyOfTheManualByActions(t *testing.T) {
	f, err := os.Open("../../testdata/study/msa/aiag_data.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	sizes := map[[3]string]string{}
	for _, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		sizes[[3]string{row[0], row[1], row[2]}] = fmt.Sprintf("%.5f", 31.7510+v/1000)
	}
	s := openShop(t)
	b := s.bay("hone-bay-2")
	b.do(event.Action{Do: "job", Job: "J-4112"})
	b.do(event.Action{Do: "master", Ring: "R-1250", Of: 4})
	b.send("31.7497", "31.7497", "31.7497", "31.7497")
	b.do(event.Action{Do: "study", StudyRequest: event.StudyRequest{Appraisers: []string{"A", "B", "C"}}})
	o := ReportOptions{Kind: "study"}
	for n := range len(sizes) {
		if n > 0 {
			b.do(event.Action{Do: "study"})
		}
		turn := b.events[0].Study
		b.send(sizes[[3]string{turn.Part, turn.Appraiser, strconv.Itoa(turn.Trial)}])
		if n+1 == 12 {
			if text := s.report(o); !strings.Contains(text, en.Text("record.study.under_way")) || !strings.Contains(text, en.Text("record.n_of_m", 12, 90)) {
				t.Errorf("after 12 readings:\n%s", text)
			}
		}
	}
	b.do(event.Action{Do: "study", StudyRequest: event.StudyRequest{Over: true}})
	text := strings.Join(strings.Fields(s.report(o)), " ")
	for _, want := range []string{
		en.Text("record.study.size", 10, 3, 3), en.Text("record.study.classes") + " 4", en.Text("study.classes", 4, 5),
		en.Text("study.source.operator") + " 2 3.167", en.Text("study.source.part") + " 9 88.36", en.Text("study.source.interaction") + " 18 0.359", en.Text("study.source.repeats") + " 60 2.759",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %q:\n%s", want, text)
		}
	}
	for method, share := range map[string]string{"anova": "27.9", "ranges": "26.7"} {
		_, of, _ := strings.Cut(text, en.Text("record.study.by", analysis.Say("study.method."+method)))
		if m := regexp.MustCompile(regexp.QuoteMeta(en.Text("study.of.gauge")) + ` [0-9.]+ [0-9.]+ ([0-9.]+) `).FindStringSubmatch(of); m == nil || m[1] != share {
			t.Errorf("%s: GRR %v of the total, want %s %%", method, m, share)
		}
	}
	if strings.Contains(text, en.Text("record.study.left")) {
		t.Errorf("something is left out:\n%s", text)
	}
	h := History{Journal: s.journal}
	studies, err := h.Studies(t.Context(), "", "J-4112", 5)
	if err != nil || len(studies) != 1 {
		t.Fatalf("%v %v", studies, err)
	}
	page, err := h.Study(t.Context(), "hone-bay-2", studies[0].Seq, notation.Format{})
	if err != nil || page.Open || !strings.Contains(s.report(ReportOptions{Kind: "study", Format: "html"}), string(page.Article)) {
		t.Errorf("the page has other figures than the record (%v)", err)
	}
	// Of many studies the newest are listed, and each keeps its page.
	first := studies[0].Seq
	for range 3 {
		b.do(event.Action{Do: "study", StudyRequest: event.StudyRequest{Appraisers: []string{"A"}}})
		b.do(event.Action{Do: "study", StudyRequest: event.StudyRequest{Over: true}})
	}
	for _, c := range []struct {
		station, job string
		most, want   int
	}{{"", "", 2, 2}, {"hone-bay-2", "J-4112", 5, 4}, {"", "J-4107", 5, 0}, {"hone-bay-1", "", 5, 0}} {
		studies, err = h.Studies(t.Context(), c.station, c.job, c.most)
		if err != nil || len(studies) != c.want || !slices.IsSortedFunc(studies, func(a, b web.StudyLine) int { return cmp.Compare(b.Seq, a.Seq) }) {
			t.Errorf("%+v: %+v, %v", c, studies, err)
		}
	}
	for seq, want := range map[uint64]error{0: nil, first: nil, first + 1: web.ErrNoStudy} {
		if p, err := h.Study(t.Context(), "hone-bay-2", seq, notation.Format{}); !errors.Is(err, want) || seq == 0 && p.Seq <= first || seq == first && p.Seq != first {
			t.Errorf("study %d: that of %d, %v", seq, p.Seq, err)
		}
	}
	if _, err := h.Study(t.Context(), "hone-bay-1", first, notation.Format{}); !errors.Is(err, web.ErrNoStudy) {
		t.Errorf("at another station: %v", err)
	}
}

var en notation.Format
