package visit

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
)

// ErrNotScored says that some files could not be scored. The others were.
var ErrNotScored = errors.New("not scored")

// replayed is the result of this build's capture for a visit.
type replayed struct {
	taken   []Reading
	refused []Refusal
	took    time.Duration // all of its samples
}

// plays is how often a visit is played to measure the time for a sample. The fastest counts, since
// a busy machine can only add to it.
const plays = 3

// timed is replay, with the time of the fastest of several plays.
func (v *Visit) timed() (r replayed, err error) {
	for i := range plays {
		again, err := v.replay()
		if err != nil {
			return r, err
		}
		if i == 0 || again.took < r.took {
			r = again
		}
	}
	return r, nil
}

// replay gives the samples of a visit to the capture of this build.
func (v *Visit) replay() (r replayed, err error) {
	c, err := capture.New(v.Options)
	if err != nil {
		return r, err
	}
	start := time.Now()
	var told Sample
	for _, s := range v.Samples {
		if s.Expected != told.Expected || s.ExpectedU != told.ExpectedU {
			c.Expect(s.Expected, s.ExpectedU)
		}
		told = s
		for _, x := range c.Feed(capture.Sample{At: s.At, Value: s.Raw + v.Offset}) {
			switch x.Kind {
			case capture.Taken:
				r.taken = append(r.taken, taken(&x, v.Offset, 0))
			case capture.Refused:
				r.refused = append(r.refused, Refusal{x.At, string(x.Reason)})
			}
		}
	}
	r.took = time.Since(start)
	return r, nil
}

// pair is a reading before and now. One of them is nil if there was none.
type pair struct{ before, now *Reading }

// pairs matches the readings now to those before: as many as possible, in order, and with the
// smallest sum of differences.
func pairs(before, now []Reading) (out []pair) {
	swapped := len(before) > len(now)
	few, many := before, now
	if swapped {
		few, many = now, before
	}
	n, m := len(few), len(many)
	// least[i][j] is the least sum of differences of the first i of few among the first j of many.
	least := make([][]float64, n+1)
	for i := range least {
		least[i] = make([]float64, m+1)
		for j := i; i > 0 && j <= m; j++ {
			least[i][j] = least[i-1][j-1] + (few[i-1].Raw - many[j-1].Raw).Abs().Micrometres()
			if j > i {
				least[i][j] = min(least[i][j], least[i][j-1])
			}
		}
	}
	put := func(f, m *Reading) {
		if swapped {
			f, m = m, f
		}
		out = append(out, pair{f, m})
	}
	for i, j := n, m; j > 0; j-- {
		if i > 0 && (j == i || least[i][j] < least[i][j-1]) {
			put(&few[i-1], &many[j-1])
			i--
			continue
		}
		put(nil, &many[j-1])
	}
	slices.Reverse(out)
	return out
}

// worthTelling is the smallest change of a reading that is reported.
const worthTelling = analysis.Micrometre / 10

// moved returns by how much the reading has changed.
func (p pair) moved() analysis.Length { return p.now.Raw - p.before.Raw }

// same reports whether the readings agree within the larger of their U, k = 2.
func (p pair) same() bool {
	return p.moved().Abs() <= 2*analysis.Length(max(p.before.U, p.now.U))
}

// Tally counts visits and readings of one gauge, or of all. What a reading was before comes from
// the file.
type Tally struct {
	Gauge    string `json:"gauge,omitempty"` // "" of all
	Visits   int    `json:"visits"`
	Before   int    `json:"readings_before"`
	Now      int    `json:"readings_now"`
	Same     int    `json:"same"`           // within the larger U of the two
	Other    int    `json:"other"`          // not within it
	Newly    int    `json:"newly_read"`     // a reading now, none before
	NoLonger int    `json:"no_longer_read"` // none now
	Changed  int    `json:"changed"`        // by more than 0.1 µm, of same and other
	// Medians for the first reading of a visit: passes, and seconds since entering the bore; 0 if
	// there is no reading.
	PassesBefore float64 `json:"passes_before"`
	PassesNow    float64 `json:"passes_now"`
	TimeBefore   float64 `json:"seconds_before"`
	TimeNow      float64 `json:"seconds_now"`
	Cost         float64 `json:"microseconds_a_sample"`

	passes, times [2][]float64 // before, now
	samples       int
	took          time.Duration
}

func (t *Tally) add(v *Visit, r *replayed, ps []pair) {
	t.Visits++
	t.Before += len(v.Taken)
	t.Now += len(r.taken)
	for _, p := range ps {
		switch {
		case p.before == nil:
			t.Newly++
			continue
		case p.now == nil:
			t.NoLonger++
			continue
		case p.same():
			t.Same++
		default:
			t.Other++
		}
		if p.moved().Abs() > worthTelling {
			t.Changed++
		}
	}
	for i, rs := range [][]Reading{v.Taken, r.taken} {
		if len(rs) > 0 {
			t.passes[i] = append(t.passes[i], float64(rs[0].Passes))
			t.times[i] = append(t.times[i], (rs[0].At - v.Entered).Seconds())
		}
	}
	t.samples += len(v.Samples)
	t.took += r.took
}

func (t *Tally) finish() {
	t.PassesBefore, t.PassesNow = median(t.passes[0]), median(t.passes[1])
	t.TimeBefore, t.TimeNow = median(t.times[0]), median(t.times[1])
	t.Cost = t.took.Seconds() * 1e6 / float64(max(t.samples, 1))
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	slices.Sort(x)
	return (x[(len(x)-1)/2] + x[len(x)/2]) / 2
}

// scored is a visit as a line of JSON.
type scored struct {
	Kind    string    `json:"kind"` // visit
	File    string    `json:"file"`
	Gauge   string    `json:"gauge"`
	Station string    `json:"station"`
	In      string    `json:"in"`
	Began   time.Time `json:"began"`
	Before  []Reading `json:"before"`
	Now     []Reading `json:"now"`
	Refused struct {
		Before []Refusal `json:"before"`
		Now    []Refusal `json:"now"`
	} `json:"refused"`
}

// ScoreOptions say how to write a score.
type ScoreOptions struct {
	Lines    bool                     // as JSON: one line for each visit, each file that was not scored, each gauge and all
	Progress func(done, total uint64) // may be nil
}

// most is how many of the largest changes, and how many refused files, a score lists.
const most = 10

// Score plays visits, given by files or folders, through the capture of this build, and writes the
// results beside the earlier ones. A file that is not a visit is listed with what is wrong; the
// rest is scored, and the error is [ErrNotScored].
func Score(ctx context.Context, paths []string, out io.Writer, o ScoreOptions) error {
	files, err := find(paths)
	if err != nil {
		return err
	}
	s := scorer{lines: json.NewEncoder(out), options: o, gauges: map[string]*Tally{}}
	for i, f := range files {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := s.score(f); err != nil {
			return err
		}
		if o.Progress != nil {
			o.Progress(uint64(i+1), uint64(len(files)))
		}
	}
	if err := s.write(out); err != nil {
		return err
	}
	if n := len(s.refused); n > 0 {
		return fmt.Errorf("%d of %d files were %w, the first %s: %s", n, len(files), ErrNotScored, s.refused[0].File, s.refused[0].Why)
	}
	return nil
}

// find returns the files for paths: files themselves, and the files in folders. The folder of all
// recordings stands for its visits.
func find(paths []string) (files []string, err error) {
	for _, p := range paths {
		info, err := os.Stat(p)
		if err != nil {
			return nil, err
		}
		if !info.IsDir() {
			files = append(files, p)
			continue
		}
		below := filepath.Join(p, Folder)
		if info, err := os.Stat(below); err == nil && info.IsDir() {
			p = below
		}
		all, err := os.ReadDir(p)
		if err != nil {
			return nil, err
		}
		n := len(files)
		for _, e := range all {
			if strings.HasSuffix(e.Name(), ".rec") {
				files = append(files, filepath.Join(p, e.Name()))
			}
		}
		if len(files) == n {
			return nil, fmt.Errorf("%s: no visits here; a station with record: true keeps them in the folder %s of recordings.dir", p, Folder)
		}
	}
	return files, nil
}

// Folder is the folder of the visits, inside the folder of the recordings.
const Folder = "visits"

type scorer struct {
	options ScoreOptions
	lines   *json.Encoder
	all     Tally
	gauges  map[string]*Tally
	changed []change
	missed  []miss
	refused []unscored
}

// change is a reading that has changed.
type change struct {
	file string
	pair
}

// miss is a reading that exists only before or only now.
type miss struct {
	change
	why string // why this build has no reading
}

type unscored struct {
	Kind string `json:"kind"` // refused
	File string `json:"file"`
	Why  string `json:"why"`
}

// score scores one file. An error means that it could not write.
func (s *scorer) score(file string) error {
	v, err := Load(file)
	var r replayed
	if err == nil {
		r, err = v.timed()
	}
	shown := clean(file, 4096)
	if err != nil {
		if path := (*fs.PathError)(nil); errors.As(err, &path) {
			err = path.Err
		}
		x := unscored{"refused", shown, clean(err.Error(), mostText)}
		s.refused = append(s.refused, x)
		return s.line(x)
	}
	ps := pairs(v.Taken, r.taken)
	g := s.gauges[v.Gauge]
	if g == nil {
		g = &Tally{Gauge: v.Gauge}
		s.gauges[v.Gauge] = g
	}
	g.add(v, &r, ps)
	s.all.add(v, &r, ps)
	for _, p := range ps {
		c := change{shown, p}
		switch {
		case p.before == nil || p.now == nil:
			m := miss{change: c}
			if p.now == nil && len(r.refused) > 0 {
				m.why = r.refused[len(r.refused)-1].Reason
			}
			s.missed = append(s.missed, m)
		case p.moved().Abs() > worthTelling:
			s.changed = append(s.changed, c)
		}
	}
	x := scored{Kind: "visit", File: shown, Gauge: v.Gauge, Station: v.Station, In: v.In, Began: v.Began, Before: listed(v.Taken), Now: listed(r.taken)}
	x.Refused.Before, x.Refused.Now = listed(v.Refused), listed(r.refused)
	return s.line(x)
}

// listed makes JSON show a nil list as an empty list.
func listed[T any](x []T) []T { return append([]T{}, x...) }

func (s *scorer) line(x any) error {
	if !s.options.Lines {
		return nil
	}
	return s.lines.Encode(x)
}

func (s *scorer) write(out io.Writer) error {
	var tallies []*Tally
	for _, g := range s.gauges {
		tallies = append(tallies, g)
	}
	slices.SortFunc(tallies, func(a, b *Tally) int { return cmp.Compare(a.Gauge, b.Gauge) })
	tallies = append(tallies, &s.all)
	for _, t := range tallies {
		t.finish()
	}
	if s.options.Lines {
		for _, t := range tallies {
			kind := "gauge"
			if t == &s.all {
				kind = "all"
			}
			if err := s.lines.Encode(struct {
				Kind string `json:"kind"`
				*Tally
			}{kind, t}); err != nil {
				return err
			}
		}
		return nil
	}
	return s.text(out, tallies)
}

func (s *scorer) text(out io.Writer, tallies []*Tally) error {
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "gauge\tvisits\treadings\tnow\tsame\tother\tnewly read\tno longer\t> 0.1 µm\tpasses\tnow\tseconds\tnow\tµs a sample\t")
	for _, t := range tallies {
		name := t.Gauge
		if t == &s.all {
			name = "all"
		}
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%.3g\t%.3g\t%.2f\t%.2f\t%.2f\t\n", name, t.Visits, t.Before, t.Now,
			t.Same, t.Other, t.Newly, t.NoLonger, t.Changed, t.PassesBefore, t.PassesNow, t.TimeBefore, t.TimeNow, t.Cost)
	}
	w.Flush() // into memory
	b.WriteString("\nreadings, passes and seconds: as the files say, then now; same and other: within and beyond the larger U of both.\n")
	slices.SortStableFunc(s.changed, func(a, b change) int { return cmp.Compare(b.moved().Abs(), a.moved().Abs()) })
	list(&b, "Changed most", s.changed, func(c change) string {
		return fmt.Sprintf("%s: at %s s %s, now %+.2f µm; U %.2f µm, now %.2f µm", c.file, seconds(c.before.At), c.before.Raw, c.moved().Micrometres(), expanded(c.before), expanded(c.now))
	})
	list(&b, "Newly read, no longer read", s.missed, func(m miss) string {
		if m.now == nil {
			return fmt.Sprintf("%s: at %s s %s, U %.2f µm; none now: %s", m.file, seconds(m.before.At), m.before.Raw, expanded(m.before), cmp.Or(m.why, "no reason given"))
		}
		return fmt.Sprintf("%s: none before; now at %s s %s, U %.2f µm", m.file, seconds(m.now.At), m.now.Raw, expanded(m.now))
	})
	list(&b, "Not scored", s.refused, func(r unscored) string { return r.File + ": " + r.Why })
	_, err := io.WriteString(out, b.String())
	return err
}

// expanded returns the U of a reading, k = 2, in µm.
func expanded(r *Reading) float64 { return 2 * analysis.Length(r.U).Micrometres() }

// list writes the first few items under a title, if there are any.
func list[T any](b *strings.Builder, title string, all []T, say func(T) string) {
	if len(all) == 0 {
		return
	}
	fmt.Fprintf(b, "\n%s:\n", title)
	for _, x := range all[:min(most, len(all))] {
		fmt.Fprintf(b, "  %s\n", say(x))
	}
	if n := len(all) - most; n > 0 {
		fmt.Fprintf(b, "  and %d more\n", n)
	}
}
