package demo

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"fairbore/analysis"
	"fairbore/daemon/archive"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/state"
	"fairbore/daemon/store"
	"fairbore/drivers/simulator"
)

// shown is a demo that plays while a test looks at it.
type shown struct {
	*testing.T
	page, broker string
	out          *daemontest.LockedBuffer
	keep         string
	end          func() // ends it, and waits
}

// show plays a demo until the test ends it.
func show(t *testing.T, o Options) *shown {
	t.Helper()
	if runtime.GOOS == "windows" {
		t.Skip("no pseudo-terminals here")
	}
	s := &shown{T: t, out: &daemontest.LockedBuffer{}, keep: t.TempDir()}
	o.Listen, o.MQTT, o.Version, o.Capture, o.Seed = "127.0.0.1:0", "127.0.0.1:0", "test", "button", 5
	o.Keep, o.Out, o.Log = s.keep, s.out, zerolog.New(io.Discard)
	ctx, cancel := context.WithCancel(t.Context())
	over := make(chan error, 1)
	go func() { over <- Play(ctx, o) }()
	s.end = func() {
		if cancel(); over != nil {
			if err := <-over; err != nil {
				t.Error(err)
			}
			over = nil
		}
	}
	t.Cleanup(s.end)
	find := func(what string) (at string) {
		s.until("an address in what is said first", func() bool {
			m := regexp.MustCompile(what).FindStringSubmatch(s.out.String())
			if m != nil {
				at = m[1]
			}
			return m != nil
		})
		return at
	}
	s.page, s.broker = find(`(http://127\.0\.0\.1:\d+)/`), find(`Broker (127\.0\.0\.1:\d+)`)
	return s
}

func (s *shown) until(what string, ok func() bool) {
	s.Helper()
	for late := time.Now().Add(2 * time.Minute); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(late) {
			s.Fatalf("waited in vain for %s\n%s", what, s.out.String())
		}
	}
}

// get fetches an address of the page, and returns its text and kind.
func (s *shown) get(path string) (status int, kind, body string) {
	s.Helper()
	r, err := http.Get(s.page + path)
	if err != nil {
		s.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		s.Fatal(err)
	}
	return r.StatusCode, r.Header.Get("Content-Type"), string(b)
}

func (s *shown) bore(station string) (b state.Bore) {
	s.Helper()
	_, _, body := s.get("/station/" + station + "/bore")
	if err := json.Unmarshal([]byte(body), &b); err != nil {
		s.Fatal(err)
	}
	return b
}

// order makes a file at the page of records and returns what is in it.
func (s *shown) order(what, format, more string) []byte {
	s.Helper()
	type progress struct{ ID, State, Why string }
	ask := func(r *http.Response, err error) (p progress) {
		if err != nil {
			s.Fatal(err)
		}
		defer r.Body.Close()
		if err := json.NewDecoder(r.Body).Decode(&p); err != nil {
			s.Fatalf("%s %s: %d, %v", what, format, r.StatusCode, err)
		}
		return p
	}
	p := ask(http.Post(s.page+"/records", "application/json", strings.NewReader(fmt.Sprintf(`{"what":%q,"format":%q%s}`, what, format, more))))
	s.until(what+" as "+format, func() bool {
		p = ask(http.Get(s.page + "/records/" + p.ID))
		return p.State != "making"
	})
	status, _, body := s.get("/records/" + p.ID + "/file")
	if status != http.StatusOK {
		s.Fatalf("%s as %s: %+v", what, format, p)
	}
	return []byte(body)
}

// pagesOf are the texts of a PDF's pages, as another program reads them.
func pagesOf(t *testing.T, pdf []byte) []string {
	t.Helper()
	daemontest.Needs(t, "pdftotext")
	read := exec.Command("pdftotext", "-layout", "-", "-")
	read.Stdin = bytes.NewReader(pdf)
	text, err := read.Output()
	if err != nil {
		t.Fatal(err)
	}
	return strings.Split(strings.TrimSuffix(string(text), "\f"), "\f")
}

// Whoever looks at the demo, at any page, record, message or journal of it, is told
// that nothing in it was measured; and the journal that it leaves tells it too.
func TestAllOfTheDemoSaysSimulated(t *testing.T) {
	s := show(t, Options{Speed: 100, Steps: true})
	s.until("an accepted part, and an advice at every station", func() bool {
		return s.bore("hone-bay-2").Verdict != nil && strings.Count(s.out.String(), "first advice") == 4
	})
	t.Run("pages", s.pages)
	t.Run("records", func(t *testing.T) {
		on := *s
		on.T = t
		for _, what := range []string{"part", "first-article", "lot", "masterings"} {
			for _, format := range []string{"pdf", "html", "text", "csv"} {
				more := `,"job":"J-4112"`
				switch what {
				case "part": // the next may have no reading yet
					more += `,"part":"001"`
				case "masterings":
					more = ""
				}
				b := on.order(what, format, more)
				if format == "pdf" {
					for i, page := range pagesOf(t, b) {
						if !strings.Contains(page, "SIMULATED") {
							t.Errorf("%s: page %d says\n%s", what, i+1, page)
						}
					}
				} else if !saysSimulated(format, string(b)) {
					t.Errorf("%s as %s does not say it", what, format)
				}
			}
		}
		if b := on.order("readings", "csv", ""); !saysSimulated("csv", string(b)) {
			t.Errorf("the readings as CSV:\n%.600s", b)
		}
	})
	t.Run("messages", s.messages)
	s.end()
	t.Run("story", s.story)
	t.Run("journal", func(t *testing.T) { s.journal(t) })
}

// saysSimulated reports whether a record says it: in a CSV in every row.
func saysSimulated(format, text string) bool {
	if format != "csv" {
		return strings.Count(text, "SIMULATED") >= 2 // first and last
	}
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil || len(rows) < 2 {
		return false
	}
	at := slices.Index(rows[0], "simulated")
	return at >= 0 && !slices.ContainsFunc(rows[1:], func(r []string) bool { return r[at] != "yes" })
}

// pages follows every link, from the first page on.
func (s *shown) pages(t *testing.T) {
	on := *s
	on.T = t
	links := regexp.MustCompile(`href="(/[^"#]*)"`)
	seen, todo := map[string]bool{}, []string{"/", "/history", "/records", "/plan?nominal=28.6+mm&class=H7"}
	for len(todo) > 0 && len(seen) < 200 {
		at := todo[0]
		todo = todo[1:]
		if seen[at] || strings.HasPrefix(at, "/static/") {
			continue
		}
		seen[at] = true
		status, kind, body := on.get(at)
		if status != http.StatusOK || !strings.HasPrefix(kind, "text/html") {
			t.Errorf("%s: %d, %s", at, status, kind)
			continue
		}
		if !strings.Contains(body, `<p id="simulated" role="note" data-demo><strong>SIMULATED</strong>`) || !strings.Contains(body, "Clock: 100 × real time.") {
			t.Errorf("%s does not say what it is:\n%.900s", at, body)
		}
		for _, m := range links.FindAllStringSubmatch(body, -1) {
			todo = append(todo, strings.ReplaceAll(m[1], "&amp;", "&"))
		}
	}
	for _, kind := range []string{"/wall", "/station/", "/history", "/part/", "/records", "/plan", "/study/"} {
		if !slices.ContainsFunc(slices.Collect(maps.Keys(seen)), func(at string) bool { u, err := url.Parse(at); return err == nil && strings.HasPrefix(u.Path, kind) }) {
			t.Errorf("no link led to a page %s", kind)
		}
	}
	t.Logf("%d pages", len(seen))
}

// messages holds each message of the broker against its schema.
func (s *shown) messages(t *testing.T) {
	daemontest.Needs(t, "mosquitto_sub")
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	files, err := filepath.Glob("../../configs/schema/*.json")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
		if err == nil {
			err = c.AddResource("file:///schema/"+filepath.Base(f), doc)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	got := &daemontest.LockedBuffer{}
	daemontest.Follow(t, s.broker, func(line string) { fmt.Fprintln(got, line) }, "-t", "fairbore/1/quarry-lane/#")
	must := []string{"live", "reading", "event", "bore", "alive"}
	s.until("a message of each kind", func() bool {
		text := got.String()
		return !slices.ContainsFunc(must, func(leaf string) bool { return !strings.Contains(text, "/"+leaf+" {") })
	})
	for line := range strings.Lines(got.String()) {
		topic, payload, _ := strings.Cut(line, " ")
		leaf := topic[strings.LastIndex(topic, "/")+1:]
		if !slices.Contains(must, leaf) {
			continue
		}
		doc, err := jsonschema.UnmarshalJSON(strings.NewReader(payload))
		if err == nil {
			err = c.MustCompile("file:///schema/" + leaf + ".json").Validate(doc)
		}
		if m, ok := doc.(map[string]any); err != nil || !ok || m["simulated"] != true {
			t.Errorf("%v: %s", err, line)
		}
	}
}

// journal looks at what is left when the demo is over.
func (s *shown) journal(t *testing.T) {
	path := filepath.Join(s.keep, "journal.db")
	j, err := store.View(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	n := 0
	for r, err := range j.Query(t.Context(), store.Filter{}) {
		if n++; err != nil || !r.Simulated || !strings.Contains(string(r.Body), `"simulated":true`) {
			t.Fatalf("%v: event %d: %s", err, r.Seq, r.Body)
		}
	}
	var out bytes.Buffer
	if err := archive.Report(t.Context(), path, &out, archive.ReportOptions{Job: usualJob}); err != nil || !saysSimulated("text", out.String()) {
		t.Errorf("%v: of %d events, later:\n%s", err, n, out.String())
	}
}

// What happens is told in its order, with the time of the demo's clock.
func (s *shown) story(t *testing.T) {
	text := s.out.String()
	if !strings.HasPrefix(text, "SIMULATED") {
		t.Errorf("it begins with %.80q", text)
	}
	for _, next := range []string{
		`Open  http://127\.0\.0\.1:\d+/station/hone-bay-2\n`, `clock runs 100 times as fast`, `Sound is off`, `stop the spindle before gauging`,
		`\d\d:\d\d:\d\d  hone bay 2: part 001 of J-4112 is on the machine\n`, `hone bay 2: ring R-1250 read 1 of 3\n`, `ring R-1250 read 3 of 3\n`, `hone bay 2: zero set on ring R-1250\n`,
		`hone bay 2: 5 mm / 0° measured: 1\.24\d{4} in\n`, `hone bay 2: first advice: `, `hone bay 2: hones \d+ strokes\n`, `hone bay 2: honed \d+ strokes; measure again, round 1\n`,
		`hone bay 2: part 001 accepted: 1\.25\d{4} in to 1\.25\d{4} in in 6 readings\. `,
	} {
		at := regexp.MustCompile(next).FindStringIndex(text)
		if at == nil {
			t.Fatalf("%q does not follow in\n%s", next, text)
		}
		text = text[at[1]:]
	}
	if !strings.Contains(s.out.String(), "hone bay 2: zero checked on ring R-1250: it ") { // before the acceptance or after it
		t.Error("no check of the zero is told")
	}
	for _, other := range []string{"hone bay 1", "hone bay 3", "bench 4"} {
		if !strings.Contains(s.out.String(), other+": first advice: ") || strings.Contains(s.out.String(), other+": ring") {
			t.Errorf("of %s there are not its steps alone", other)
		}
	}
}

// At the usual speed of the demo, 3, something is measured within 15 s and the first advice is
// followed within 60 s: so long the hand takes for the ring and for each position, by the simulator's
// own time. Other work of a slow machine comes on top; visits that it spoils are repeated.
func TestFirstMinute(t *testing.T) {
	const speed = 3
	job, err := simulator.FindJob(usualJob)
	if err != nil {
		t.Fatal(err)
	}
	for seed := range uint64(50) {
		p := operator{station: "hone-bay-2", part: "001", job: job, options: &Options{Seed: seed + 1, Speed: speed}}
		p.draw()
		took, first := time.Second, time.Duration(0) // as long as an operator waits at first
		visit := func(act simulator.Act, size analysis.Length) {
			p.visits++
			last := time.Duration(0)
			job.Gauging(p.play, act, size, p.random(fmt.Sprint("visit ", p.visits)), func(f simulator.Frame) bool { last = f.At; return false })
			took += last
		}
		for i := range ringReadings {
			if visit(simulator.Master, job.Master.Size); i == 0 {
				first = took
			}
		}
		for _, place := range job.Plan() {
			visit(simulator.Measure, p.bore.Size(place))
		}
		if first > 15*speed*time.Second || took > 60*speed*time.Second {
			t.Errorf("seed %d: the ring is read after %s, all positions after %s", seed, first/speed, took/speed)
		}
		if seed == 0 {
			t.Logf("the ring is read after %s, all positions after %s", first/speed, took/speed)
		}
	}
}
