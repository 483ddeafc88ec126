package visit

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/drivers"
)

// The file of a visit is a recording (see [drivers.Recording]) whose samples stand as the
// line driver reads them, whatever the gauge sent, so that it needs no configuration:
//
//	visit station: bay2
//	visit gauge: G-11
//	visit in: job J-4112
//	visit mode: turning
//	visit nominal: 31.75 mm
//	…
//	outcome: 4.312345 reading 31.7501234 mm u 0.0001206 mm passes 3
//	outcome: 4.312345 not counted the spindle turns
//	outcome: 6.1 refused rock wider
//
//	! 0.000000 "expect 31.7502 mm u 0.0005 mm"
//	< 0.000000 "+32.6501 mm\r\n"
//
// "not counted" is of the reading before it.
const (
	mostBytes = 1 << 20 // of a file: mostSamples, each with an expectation
	mostName  = 200     // bytes of a value in the head
	mostText  = 1000    // and of an outcome
	expects   = "expect "

	mostOutcomes = 1000
)

// length is an option that is a length.
type length struct {
	name string
	of   *analysis.Length
}

// duration is an option that is a time.
type duration struct {
	name string
	of   *time.Duration
}

// lengths returns the options that are lengths, with their names in the file. A 0 is not written.
func (v *Visit) lengths() []length {
	o := &v.Options
	return []length{
		{"nominal", &o.Nominal}, {"offset", &v.Offset}, {"band", (*analysis.Length)(&o.Band)}, {"repeatability", (*analysis.Length)(&o.Repeatability)},
		{"step", (*analysis.Length)(&o.Resolution)}, {"tip", &o.Tip}, {"air", &o.Air}, {"slope", (*analysis.Length)(&o.Slope)},
		{"range", (*analysis.Length)(&o.Range)}, {"rearm", (*analysis.Length)(&o.Rearm)},
	}
}

func (v *Visit) durations() []duration {
	o := &v.Options
	return []duration{{"entered", &v.Entered}, {"bounce", &o.Bounce}, {"settle", &o.Settle}, {"averages", &o.Averages}, {"lag", &o.Lag}}
}

// texts returns the texts of the head.
func (v *Visit) texts() map[string]*string {
	return map[string]*string{"station": &v.Station, "gauge": &v.Gauge, "in": &v.In, "cut": &v.Cut}
}

// Append appends the file of the visit to b.
func (v *Visit) Append(b []byte) []byte {
	r := drivers.Recording{
		Driver: "line", Made: "fairbore, of one visit", Date: v.Began.Format(time.RFC3339Nano),
		Visit: drivers.Options{"mode": v.Options.Mode.String(), "samples": strconv.Itoa(len(v.Samples))},
	}
	for name, s := range v.texts() {
		r.Visit[name] = clean(*s, mostName)
	}
	for _, l := range v.lengths() {
		if *l.of != 0 {
			r.Visit[l.name] = l.of.String()
		}
	}
	for _, d := range v.durations() {
		if *d.of != 0 {
			r.Visit[d.name] = d.of.String()
		}
	}
	if v.Options.Turns != 0 {
		r.Visit["turns"] = strconv.Itoa(v.Options.Turns)
	}
	if v.Options.AirLearned {
		r.Visit["air_learned"] = "true"
	}
	for _, t := range v.Taken {
		at := seconds(t.At)
		r.Outcomes = append(r.Outcomes, fmt.Sprintf("%s reading %s u %s passes %d", at, t.Raw, analysis.Length(t.U), t.Passes))
		if t.Not != "" {
			r.Outcomes = append(r.Outcomes, at+" not counted "+clean(t.Not, mostText/2))
		}
	}
	for _, f := range v.Refused {
		r.Outcomes = append(r.Outcomes, seconds(f.At)+" refused "+clean(f.Reason, mostText/2))
	}
	b = drivers.AppendHeader(b, &r)
	var was Sample
	for _, s := range v.Samples {
		if s.Expected != was.Expected || s.ExpectedU != was.ExpectedU {
			b = drivers.AppendEntry(b, drivers.Entry{At: s.At, Mark: expects + s.Expected.String() + " u " + analysis.Length(s.ExpectedU).String()})
		}
		was = s
		text := s.Raw.String() + "\r\n"
		if s.Raw >= 0 {
			text = "+" + text
		}
		b = drivers.AppendEntry(b, drivers.Entry{At: s.At, Data: []byte(text)})
	}
	return b
}

// seconds writes a time exactly.
func seconds(d time.Duration) string {
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%d.%09d", d/time.Second, d%time.Second), "0"), ".")
}

// clean returns a text that printable accepts.
func clean(s string, most int) string {
	s = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) || r == unicode.ReplacementChar {
			return '?'
		}
		return r
	}, s)
	for len(s) > most {
		_, n := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-n]
	}
	return s
}

// Load reads the file of a visit. If the file is not one, the error says what is wrong.
func Load(path string) (*Visit, error) {
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular():
		return nil, errors.New("not a file")
	case info.Size() > mostBytes:
		return nil, fmt.Errorf("%d bytes: a visit has at most %d; is it a recording of the whole line?", info.Size(), mostBytes)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return Parse(text)
}

// Parse reads the text of a file.
func Parse(text []byte) (*Visit, error) {
	r, err := drivers.ParseRecording(text)
	switch {
	case errors.Is(err, drivers.ErrTorn):
		return nil, fmt.Errorf("it is torn: %w", err)
	case errors.Is(err, drivers.ErrHole):
		return nil, fmt.Errorf("it is damaged: %w", err)
	case err != nil:
		return nil, fmt.Errorf("not a recording: %w", err)
	case len(r.Visit) == 0:
		return nil, errors.New("a recording of a whole line, not of a visit; those are in the folder visits")
	case r.Driver != "line":
		return nil, fmt.Errorf("driver %q: a visit is written for the driver line", r.Driver)
	}
	v := &Visit{}
	if err := v.head(r); err != nil {
		return nil, err
	}
	if n := len(r.Outcomes); n > mostOutcomes {
		return nil, fmt.Errorf("%d outcomes is out of range: give up to %d", n, mostOutcomes)
	}
	for _, o := range r.Outcomes {
		if err := v.outcome(o); err != nil {
			return nil, fmt.Errorf("outcome %.60q: %w", o, err)
		}
	}
	return v, v.body(r)
}

// head reads what stands before the samples.
func (v *Visit) head(r *drivers.Recording) (err error) {
	if v.Began, err = time.Parse(time.RFC3339Nano, r.Date); err != nil {
		return fmt.Errorf("date %.60q is not valid: give a time by RFC 3339", r.Date)
	}
	texts := v.texts()
	for _, name := range slices.Sorted(maps.Keys(r.Visit)) {
		value := r.Visit[name]
		if err := printable(value, mostName); err != nil {
			return fmt.Errorf("visit %.60q: %w", name, err)
		}
		if s := texts[name]; s != nil {
			*s = value
			continue
		}
		if err := v.setting(name, value); err != nil {
			return fmt.Errorf("visit %.60q: %w", name, err)
		}
	}
	if _, ok := r.Visit["mode"]; !ok {
		return errors.New("visit mode: missing")
	}
	_, err = capture.New(v.Options)
	return err
}

func (v *Visit) setting(name, value string) (err error) {
	for _, l := range v.lengths() {
		if l.name == name {
			*l.of, err = analysis.ParseLength(value)
			return err
		}
	}
	for _, d := range v.durations() {
		if d.name == name {
			*d.of, err = time.ParseDuration(value)
			return err
		}
	}
	switch name {
	case "mode":
		v.Options.Mode, err = capture.ParseMode(value)
	case "turns":
		v.Options.Turns, err = strconv.Atoi(value)
	case "air_learned":
		v.Options.AirLearned, err = strconv.ParseBool(value)
	case "samples":
		_, err = strconv.Atoi(value)
	default:
		return errors.New("this version knows no such setting; score it with the version that wrote it, or a newer one")
	}
	return err
}

// outcome reads a line with a result.
func (v *Visit) outcome(s string) error {
	if err := printable(s, mostText); err != nil {
		return err
	}
	when, rest, _ := strings.Cut(s, " ")
	at, err := time.ParseDuration(when + "s")
	if err != nil || at < 0 {
		return fmt.Errorf("%q is not valid: give seconds since the first sample", when)
	}
	if reason, ok := strings.CutPrefix(rest, "refused "); ok {
		v.Refused = append(v.Refused, Refusal{at, reason})
		return nil
	}
	if why, ok := strings.CutPrefix(rest, "not counted "); ok && len(v.Taken) > 0 {
		v.Taken[len(v.Taken)-1].Not = why
		return nil
	}
	value, ok := strings.CutPrefix(rest, "reading ")
	size, value, ok2 := strings.Cut(value, " u ")
	u, passes, ok3 := strings.Cut(value, " passes ")
	if !ok || !ok2 || !ok3 {
		return errors.New("give seconds and: reading SIZE u SIZE passes N, not counted WHY, or refused WHY")
	}
	t := Reading{At: at}
	var e1, e2, e3 error
	t.Raw, e1 = analysis.ParseLength(size)
	l, e2 := analysis.ParseLength(u)
	t.Passes, e3 = strconv.Atoi(passes)
	t.U = analysis.Deviation(l)
	if l < 0 || t.Passes < 0 {
		return errors.New("an uncertainty and a number of passes can't be negative")
	}
	v.Taken = append(v.Taken, t)
	return errors.Join(e1, e2, e3)
}

// body reads the samples.
func (v *Visit) body(r *drivers.Recording) error {
	var told Sample
	for i, c := range r.Entries {
		if told.At > c.At {
			return fmt.Errorf("sample %d: its time is before that of the one before", len(v.Samples)+1)
		}
		told.At = c.At
		if value, ok := strings.CutPrefix(c.Mark, expects); ok {
			size, u, ok := strings.Cut(value, " u ")
			var e1, e2 error
			told.Expected, e1 = analysis.ParseLength(size)
			l, e2 := analysis.ParseLength(u)
			if told.ExpectedU = analysis.Deviation(l); !ok || e1 != nil || e2 != nil || l < 0 {
				return fmt.Errorf("mark %.60q is not valid: give expect SIZE u SIZE", c.Mark)
			}
			continue
		}
		if c.Mark != "" || c.Out {
			return fmt.Errorf("line %d after the head: a visit has samples and expectations only", i+1)
		}
		l, err := analysis.ParseLength(string(bytes.TrimSpace(c.Data)))
		if err != nil {
			return fmt.Errorf("sample %d: %w", len(v.Samples)+1, err)
		}
		told.Raw = l
		v.Samples = append(v.Samples, told)
	}
	if want := r.Visit["samples"]; want != strconv.Itoa(len(v.Samples)) {
		return fmt.Errorf("%d samples, and its head says %q: it is torn, or was changed", len(v.Samples), want)
	}
	if len(v.Samples) == 0 || len(v.Samples) > mostSamples {
		return fmt.Errorf("%d samples is out of range: give 1 to %d", len(v.Samples), mostSamples)
	}
	return nil
}

// printable refuses a text that could do harm on a screen.
func printable(s string, most int) error {
	if len(s) > most {
		return fmt.Errorf("%d bytes is out of range: give up to %d", len(s), most)
	}
	if strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) || r == unicode.ReplacementChar }) {
		return errors.New("it has characters that can't be printed")
	}
	return nil
}
