package store

import (
	"cmp"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// inHandAt returns, for each event, the job and the part that the event's station had at that
// event. It finds them by going through all events in order.
func inHandAt(all []event.Record) (jobs, parts map[uint64]string, begun map[uint64]uint64) {
	jobs, parts, begun = map[uint64]string{}, map[uint64]string{}, map[uint64]uint64{}
	job, part, by := map[string]string{}, map[string]string{}, map[string]uint64{}
	for _, r := range all {
		switch r.Kind {
		case event.JobChosen:
			job[r.Station], part[r.Station], by[r.Station] = r.Job.ID, "", 0
		case event.PartBegun:
			part[r.Station], by[r.Station] = r.Part.Serial, r.Seq
		}
		jobs[r.Seq], parts[r.Seq], begun[r.Seq] = job[r.Station], part[r.Station], by[r.Station]
	}
	return jobs, parts, begun
}

func drawFilter(t *rapid.T, last int) Filter {
	f := Filter{
		Station:  rapid.SampledFrom([]string{"", "a", "b", "nowhere"}).Draw(t, "of station"),
		Job:      rapid.SampledFrom([]string{"", "", "J-4107", "J-4112", "none"}).Draw(t, "of job"),
		Part:     rapid.SampledFrom([]string{"", "", "0001", "0002"}).Draw(t, "of part"),
		AfterSeq: uint64(max(0, rapid.IntRange(-last, last).Draw(t, "after"))),
		Limit:    max(0, rapid.IntRange(-5, 20).Draw(t, "limit")),
	}
	f.Kinds = rapid.SampledFrom([][]event.Kind{nil, nil, {event.Taken}, {event.Voided, event.Judged}, {event.Taken, event.Voided}, {event.NoteAdded}}).Draw(t, "kinds")
	if rapid.Bool().Draw(t, "timed") {
		f.From = morning.Add(time.Duration(rapid.IntRange(-5, last).Draw(t, "from")) * time.Minute)
		f.To = f.From.Add(time.Duration(rapid.IntRange(0, last).Draw(t, "for")) * time.Minute)
	}
	return f
}

func (f *Filter) inTime(at time.Time) bool {
	return (f.From.IsZero() || !at.Before(f.From)) && (f.To.IsZero() || at.Before(f.To))
}

func (f *Filter) naive(all []event.Record) (out []uint64) {
	jobs, parts, _ := inHandAt(all)
	for _, r := range all {
		if (f.Station == "" || f.Station == r.Station) && (f.Job == "" || f.Job == jobs[r.Seq]) && (f.Part == "" || f.Part == parts[r.Seq]) &&
			(len(f.Kinds) == 0 || slices.Contains(f.Kinds, r.Kind)) && f.inTime(r.At) && r.Seq > f.AfterSeq {
			out = append(out, r.Seq)
		}
	}
	if f.Limit > 0 {
		out = out[:min(len(out), f.Limit)]
	}
	return out
}

func (f *Filter) naiveParts(all []event.Record) (out []PartSummary) {
	jobs, _, begun := inHandAt(all)
	at := map[uint64]*PartSummary{}
	for _, r := range all {
		if p := at[begun[r.Seq]]; p != nil && r.Kind == event.Taken {
			p.Readings++
			p.Last = r.At
		} else if p != nil && r.Kind == event.Judged {
			p.Verdict, p.VerdictSeq, p.Last = r.Verdict, r.Seq, r.At
		}
		if r.Kind == event.PartBegun {
			at[r.Seq] = &PartSummary{Seq: r.Seq, Station: r.Station, Job: jobs[r.Seq], Part: r.Part.Serial, First: r.At, Last: r.At}
		}
	}
	for _, r := range all {
		for _, p := range at {
			if r.Kind == event.Superseded && r.Station == p.Station && p.Verdict != nil && p.Verdict.Begun == r.Verdict.Begun {
				p.Verdict, p.VerdictSeq, p.Superseded = r.Verdict, r.Seq, p.Superseded+1
			}
		}
	}
	for _, p := range at {
		if (f.Station == "" || f.Station == p.Station) && (f.Job == "" || f.Job == p.Job) && (f.Part == "" || f.Part == p.Part) && f.inTime(p.First) && p.Seq > f.AfterSeq {
			p.First, p.Last = p.First.UTC(), p.Last.UTC()
			out = append(out, *p)
		}
	}
	slices.SortFunc(out, func(a, b PartSummary) int { return cmp.Compare(b.Seq, a.Seq) })
	if f.Limit > 0 {
		out = out[:min(len(out), f.Limit)]
	}
	return out
}

// backward returns the numbers of the events that a filter picks, the newest first.
func backward(ctx context.Context, t rapid.TB, j *Journal, f Filter) (out []uint64) {
	for rec, err := range j.Backward(ctx, f) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, rec.Seq)
	}
	return out
}

// Query, Backward and Parts give the same answers as going through all events in order.
func TestQueryEqualsReadingAll(t *testing.T) {
	r := start(t, config(t))
	var story []event.Event
	for seed := range 20 { // this makes more rows than the index of readings takes in at a time
		story = append(story, rapid.Custom(func(rt *rapid.T) []event.Event { return drawStory(rt, []string{"a", "b"}, 60, 60) }).Example(seed)...)
	}
	for i := range numbered(story) {
		story[i].At = morning.Add(time.Duration(i) * time.Minute)
	}
	r.append(t, story...)
	r.settle(t, uint64(len(story)))
	all, err := r.after(t.Context(), 0, len(story))
	if err != nil || len(all) < indexBatch+100 {
		t.Fatalf("%d events, %v", len(all), err)
	}
	rapid.Check(t, func(rt *rapid.T) {
		f := drawFilter(rt, len(story)+1)
		var got []uint64
		for rec, err := range r.Query(t.Context(), f) {
			if err != nil {
				rt.Fatal(err)
			}
			got = append(got, rec.Seq)
		}
		if want := f.naive(all); !slices.Equal(got, want) {
			rt.Fatalf("%+v\ngot  %d\nwant %d", f, got, want)
		}
		endless := f
		endless.Limit = 0
		want := endless.naive(all)
		slices.Reverse(want)
		if f.Limit > 0 {
			want = want[:min(len(want), f.Limit)]
		}
		if got := backward(t.Context(), rt, r.Journal, f); !slices.Equal(got, want) {
			rt.Fatalf("backward: %+v\ngot  %d\nwant %d", f, got, want)
		}
		parts, err := r.Parts(t.Context(), f)
		if err != nil {
			rt.Fatal(err)
		}
		if want := f.naiveParts(all); !(len(parts) == 0 && len(want) == 0) && !reflect.DeepEqual(parts, want) {
			rt.Fatalf("%+v\ngot  %s\nwant %s", f, asJSON(t, parts), asJSON(t, want))
		}
	})
}

// The steps over a longer journal join without a gap, and a caller may stop early.
func TestQuerySteps(t *testing.T) {
	r := start(t, config(t))
	const n = 5 * stepLeast
	var many []event.Event
	for i := range n {
		many = append(many, note([]string{"a", "b", "b"}[i%3], "x"))
	}
	r.append(t, many...)
	r.settle(t, n)
	next := uint64(1)
	for rec, err := range r.Query(t.Context(), Filter{Station: "a"}) {
		if err != nil || rec.Seq != next {
			t.Fatalf("%d, want %d; %v", rec.Seq, next, err)
		}
		if next += 3; next > 3*stepLeast {
			break
		}
	}
	for _, err := range r.Query(cancelled(t), Filter{}) {
		if err == nil {
			t.Error("a context that has ended is not told")
		}
	}
}

// A caller who wants only the newest of many events does not read the others. Backward reads one
// step at a time, and no step beyond the one that has the last event wanted.
func TestBackwardReadsFew(t *testing.T) {
	r := start(t, config(t))
	const n = 6 * stepLeast
	var many []event.Event
	for i := range n {
		many = append(many, note([]string{"a", "b", "b"}[i%3], "x"))
	}
	r.append(t, append(many, partEvent("c", "0001", 1))...)
	r.settle(t, n+1)
	for _, f := range []Filter{{Kinds: []event.Kind{event.NoteAdded}}, {Kinds: []event.Kind{event.NoteAdded}, Station: "b"}, {}, {Station: "a"}} {
		read, wanted := 0, 5
		for rows, err := range r.stepsBack(t.Context(), f) {
			if err != nil {
				t.Fatal(err)
			}
			if read += len(rows); read >= wanted {
				break
			}
		}
		if read < wanted || read > backRows {
			t.Errorf("%+v: %d rows are read for %d", f, read, wanted)
		}
	}
	if got := backward(t.Context(), t, r.Journal, Filter{Station: "a", Limit: 300}); len(got) != 300 || got[0] != n-2 || got[299] != n-2-3*299 {
		t.Errorf("%d from %v on", len(got), got[:min(len(got), 1)])
	}
	for _, err := range r.Backward(cancelled(t), Filter{}) {
		if err == nil {
			t.Error("a context that has ended is not told")
		}
	}
}

// A job ended at one station in the indexed rows, and goes on at another station. If a filter asks
// for later rows of the job, the span of the first station is empty, and the span of the other
// station gives the right events.
func TestAskedBeyondAJob(t *testing.T) {
	r := start(t, config(t))
	many := []event.Event{jobEvent("a", "J-4107"), jobEvent("b", "J-4107")}
	for n := len(many); n < indexBatch+20; n++ {
		many = append(many, reading("b", "J-4107", "0001", n))
	}
	many[indexBatch-20] = jobEvent("a", "J-4112")
	r.append(t, many...)
	r.settle(t, uint64(len(many)))
	f := Filter{Job: "J-4107", Kinds: []event.Kind{event.Taken}, AfterSeq: indexBatch + 10}
	if got := backward(t.Context(), t, r.Journal, f); len(got) != 10 || got[0] != indexBatch+20 {
		t.Errorf("%d", got)
	}
}

// A job that is set again and again at a station, with no other job in between, is one span.
func TestSpansOfAJobTakenUpAgain(t *testing.T) {
	r := start(t, config(t))
	r.append(t, note("a", "x"), jobEvent("a", "J-4107"), note("b", "x"), note("a", "x"), jobEvent("a", "J-4107"), jobEvent("b", "J-4107"), note("a", "x"),
		jobEvent("a", "J-4107"), jobEvent("a", "J-4112"), note("a", "x"), jobEvent("a", "J-4107"), note("a", "x"))
	r.settle(t, 12)
	for after, want := range map[uint64][]span{
		0: {{"a", 2, 8}, {"a", 11, 12}, {"b", 6, 12}},
		6: {{"a", 7, 8}, {"a", 11, 12}, {"b", 7, 12}},
	} {
		if got, err := r.jobSpans(t.Context(), Filter{Job: "J-4107", AfterSeq: after}, r.Last()); err != nil || !slices.Equal(got, want) {
			t.Errorf("after %d: %v, want %v; %v", after, got, want, err)
		}
	}
}

// No query reads the whole table: every query plan searches by an index or by the row numbers.
func TestPlansSeek(t *testing.T) {
	r := start(t, config(t))
	full := span{"a", 1, 9}
	for _, f := range []Filter{{}, {Kinds: []event.Kind{event.Taken}}, {Kinds: []event.Kind{event.Taken, event.Voided}}, {Kinds: []event.Kind{event.Voided}}} {
		for _, s := range []span{full, {"", 1, 9}} {
			forward, args := f.statement(s, 5)
			for _, query := range []string{forward, forward + " desc limit 64"} {
				rows, err := r.read.QueryContext(t.Context(), "explain query plan "+query, args...)
				if err != nil {
					t.Fatal(err)
				}
				for rows.Next() {
					var a, b, c int
					var detail string
					if err := rows.Scan(&a, &b, &c, &detail); err != nil {
						t.Fatal(err)
					}
					if strings.HasPrefix(detail, "SCAN e") || strings.HasPrefix(detail, "SCAN r") {
						t.Errorf("%s: %s", query, detail)
					}
				}
				rows.Close()
			}
		}
	}
}

func export(t *testing.T, j *Journal, o ExportOptions) string {
	t.Helper()
	var b strings.Builder
	if err := j.Export(t.Context(), &b, o); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func exportStory() []event.Event {
	void := func(no int, reason string, kind event.Kind) event.Event {
		return event.Event{Station: "hone bay 1", At: morning.Add(time.Hour), Kind: kind, Void: &event.Void{No: no, Reason: analysis.Quote(reason)}}
	}
	odd := reading("hone bay 1", "J-4107", "=0002", 1)
	odd.Reading.Channel, odd.Reading.Sent.Places, odd.Reading.Sent.Digits = "a \"b\", c\nd", 9, -12
	odd.Reading.Study = &event.StudyTrial{Appraiser: "@night shift", Trial: 2}
	return []event.Event{
		jobEvent("hone bay 1", "J-4107"), partEvent("hone bay 1", "0001", 1),
		reading("hone bay 1", "J-4107", "0001", 1), reading("hone bay 1", "J-4107", "0001", 2), reading("hone bay 1", "J-4107", "0001", 3),
		void(1, "-chip on the tip", event.Voided), void(2, "by mistake", event.Voided), void(2, "", event.Restored),
		partEvent("hone bay 1", "=0002", 2), odd,
		void(1, "", event.Voided), partEvent("hone bay 1", "0001", 3), reading("hone bay 1", "J-4107", "0001", 1),
	}
}

// The export says of a surprising reading that it does not count, unless it was kept. The number of
// a reading may occur again in the next part.
func TestExportOfSurprises(t *testing.T) {
	asked := func(part string, no int) event.Event {
		e := reading("hone bay 1", "J-4107", part, no)
		e.Reading.Unexpected = true
		return e
	}
	answer := func(no int, kind event.Kind) event.Event {
		return event.Event{Station: "hone bay 1", At: morning, Kind: kind, Void: &event.Void{No: no, Reason: analysis.Quote("gauged again")}}
	}
	r := start(t, config(t))
	story := []event.Event{
		jobEvent("hone bay 1", "J-4107"), partEvent("hone bay 1", "0001", 1), asked("0001", 1), asked("0001", 2), asked("0001", 3),
		answer(1, event.Kept), answer(2, event.Voided), partEvent("hone bay 1", "0002", 2), asked("0002", 1),
	}
	r.append(t, story...)
	r.settle(t, uint64(len(story)))
	var got []string
	rows, err := csv.NewReader(strings.NewReader(export(t, r.Journal, ExportOptions{Format: CSV}))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		got = append(got, row[slices.Index(rows[0], "void")])
	}
	if want := []string{"", "gauged again", "asked about and not confirmed", "asked about and not confirmed"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestExport(t *testing.T) {
	r := start(t, config(t))
	r.append(t, exportStory()...)
	r.settle(t, 13)
	var at, of uint64
	o := ExportOptions{Format: CSV, Guard: true, Progress: func(done, total uint64) { at, of = done, total }}
	got := strings.ReplaceAll(export(t, r.Journal, o), r.ID(), "JOURNAL")
	if at != 13 || of != 13 {
		t.Errorf("progress ended at %d of %d", at, of)
	}
	golden := filepath.Join("..", "..", "testdata", "store", "export.csv")
	if os.Getenv("FAIRBORE_UPDATE") != "" {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	// An export of a time range that ends before a void was made still has the void.
	early := export(t, r.Journal, ExportOptions{Format: CSV, Filter: Filter{To: morning.Add(30 * time.Second)}})
	if strings.Count(early, "-chip on the tip,,,,\r\n") != 1 || strings.Contains(early, "'") {
		t.Errorf("%s", early)
	}
	if one := export(t, r.Journal, ExportOptions{Format: CSV, Filter: Filter{Part: "=0002"}}); strings.Count(one, "no reason given,@night shift,2,,\r\n") != 1 {
		t.Errorf("%s", one)
	}
	if err := r.Export(t.Context(), &strings.Builder{}, ExportOptions{Format: "xls"}); err == nil {
		t.Error("an unknown format is not refused")
	}
}

func TestExportNDJSON(t *testing.T) {
	r := start(t, config(t))
	r.append(t, exportStory()...)
	r.settle(t, 13)
	all, err := r.after(t.Context(), 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	var want strings.Builder
	for _, rec := range all {
		want.WriteString(asJSON(t, rec) + "\n")
	}
	if got := export(t, r.Journal, ExportOptions{Format: NDJSON}); got != want.String() {
		t.Errorf("got\n%s\nwant\n%s", got, want.String())
	}
}

// judge makes the check that doc.go describes, in another language and with another build of
// SQLite. It also reads the CSV.
const judge = `
import csv, hashlib, json, sqlite3, sys, zlib
db = sqlite3.connect("file:" + sys.argv[1] + "?mode=ro", uri=True)
ident, made, dictionary = db.execute("select id, made, dictionary from journal").fetchone()
head, n = hashlib.sha256(ident.encode() + made.to_bytes(8, "big") + dictionary).digest(), 0
for seq, station, kind, packed, h in db.execute("select seq, station, kind, body, hash from event order by seq"):
    n += 1
    assert seq == n, (seq, n)
    z = zlib.decompressobj(-15, zdict=dictionary)
    body = z.decompress(packed)
    assert z.eof and not z.unused_data, seq
    head = hashlib.sha256(head + seq.to_bytes(8, "big") + body).digest()
    assert head == h, seq
    e = json.loads(body)
    assert e["station"] == station and e["kind"] == kind, seq
assert db.execute("pragma integrity_check").fetchone() == ("ok",)
raw = open(sys.argv[2], "rb").read()
rows = list(csv.reader(raw.decode().splitlines(keepends=True), strict=True))
assert all(len(r) == len(rows[0]) for r in rows)
print(json.dumps({"rows": n, "csv": len(rows), "channel": rows[4][rows[0].index("channel")]}))
`

// The lines of Python that the README gives print every event as it was written.
func TestReadmeReadsTheBodies(t *testing.T) {
	python := needPython(t)
	r := start(t, config(t))
	r.append(t, exportStory()...)
	mustStop(t, r)
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, script, _ := strings.Cut(string(text), "```python\n")
	script, _, _ = strings.Cut(script, "```")
	script = strings.ReplaceAll(script, "fairbore.db", filepath.Base(r.path))
	cmd := exec.CommandContext(t.Context(), python, "-c", script)
	cmd.Dir = filepath.Dir(r.path)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var want strings.Builder
	for _, e := range r.told {
		fmt.Fprintf(&want, "%d %s\n", e.Seq, e.Body)
	}
	if string(out) != want.String() {
		t.Errorf("got\n%s\nwant\n%s", out, want.String())
	}
}

func needPython(t *testing.T) string {
	t.Helper()
	python, err := exec.LookPath("python3")
	if err != nil && os.Getenv("FAIRBORE_ALL") == "" {
		t.Skip("no python3 here to check with")
	}
	if err != nil {
		t.Fatal(err)
	}
	return python
}

func TestAnotherProgramAgrees(t *testing.T) {
	python := needPython(t)
	r := start(t, config(t))
	r.append(t, exportStory()...)
	mustStop(t, r)
	table := filepath.Join(t.TempDir(), "export.csv")
	v, err := View(t.Context(), r.path)
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	if err := os.WriteFile(table, []byte(export(t, v, ExportOptions{Format: CSV})), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), python, "-c", judge, r.path, table).Output()
	if err != nil {
		t.Fatalf("%v: %s", err, err.(*exec.ExitError).Stderr)
	}
	var says struct {
		Rows, CSV int
		Channel   string
	}
	if err := json.Unmarshal(out, &says); err != nil {
		t.Fatal(err)
	}
	if says.Rows != 13 || says.CSV != 6 || says.Channel != "a \"b\", c\r\nd" {
		t.Errorf("%+v", says)
	}
}

// Rows that somebody has put far beyond the others don't keep a reader busy for years.
func TestFarRowsAreReached(t *testing.T) {
	cfg := config(t)
	fill(t, cfg, 3)
	tamper(t, cfg.Path, "drop trigger event_insert")
	for _, seq := range []int64{1 << 62, math.MaxInt64} {
		tamper(t, cfg.Path, fmt.Sprintf("insert into event select %d, at, station, kind, job, part, body, hash from event where seq = 3", seq))
	}
	j, err := View(t.Context(), cfg.Path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if lines := strings.Count(export(t, j, ExportOptions{Format: NDJSON}), "\n"); lines != 7 {
		t.Errorf("%d of 7 events were exported", lines)
	}
}
