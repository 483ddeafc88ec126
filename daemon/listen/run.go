package listen

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/port"
	"fairbore/drivers"
)

// Options say how to listen.
type Options struct {
	Device  string
	Line    drivers.Serial // for a serial line; Baud 0: try the usual settings
	Ask     bool           // allow requests; otherwise nothing is ever sent
	Name    string         // name of gauge and station in the configuration
	For     time.Duration  // how long to listen with each setting; 0: 3 s
	Shows   []string       // what the display showed, if no person can be asked
	Answers <-chan string  // lines that a person types; nil: nobody does
	Out     string         // where to write the configuration; "": to Print
	Record  string         // where to write a recording; "": beside Out, nowhere without one
	Print   io.Writer
	Log     zerolog.Logger
	Now     func() time.Time // nil: time.Now
}

// ErrCantTell is the error for a gauge that was not identified. Run has said what is needed.
var ErrCantTell = errors.New("can't tell yet how the gauge talks; see above for what is needed")

const listenFor = 3 * time.Second

// Run finds out how the gauge on a port communicates, and writes what it found. If it is not sure
// it fails with [ErrCantTell] and writes no configuration, but still writes a recording.
func Run(ctx context.Context, o Options) error {
	if o.For == 0 {
		o.For = listenFor
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Name == "" {
		o.Name = "new-gauge"
	}
	for _, shown := range o.Shows {
		if _, ok := (Shown{Text: shown}).read(); !ok {
			return fmt.Errorf("shows %q: give what the display shows, with its unit, such as -0.0044 mm", shown)
		}
	}
	if o.Record == "" && o.Out != "" {
		o.Record = strings.TrimSuffix(o.Out, filepath.Ext(o.Out)) + ".rec"
	}
	for _, path := range []string{o.Out, o.Record} {
		if err := replaceable(path); err != nil {
			return err
		}
	}
	l := &listener{Options: o, start: o.Now()}
	if err := l.find(ctx); err != nil {
		return err
	}
	if len(l.Shows) > 0 && len(l.evidence) > 0 {
		for _, s := range l.Shows {
			l.evidence[len(l.evidence)-1].Shown = append(l.evidence[len(l.evidence)-1].Shown, Shown{Text: s})
		}
	}
	return l.conclude()
}

// listener is the state of Run.
type listener struct {
	Options
	start    time.Time
	evidence []Heard
	staying  bool // frames are complete
}

func (l *listener) say(format string, a ...any) { fmt.Fprintf(l.Print, format+"\n", a...) }

// find listens with one setting after another, then asks if it may. It stays with the first setting
// that gives complete frames.
func (l *listener) find(ctx context.Context) error {
	l.say("Listening on %s. Press the gauge's button about twice a second, or let it stream.", l.Device)
	for lines := l.lines(listenLines()); len(lines) > 0; lines = lines[1:] {
		h, err := l.hear(ctx, lines[0], probe{}, l.For)
		if err != nil || ctx.Err() != nil {
			return errors.Join(err, ctx.Err())
		}
		if l.whole(&h) {
			return l.stay(ctx, h)
		}
		lines = next(lines, &h)
	}
	if !l.Ask {
		return nil
	}
	l.say("No readings so far. Now asking the gauge.")
	for _, line := range l.lines(askLines()) {
		for _, p := range probes(l.Device) {
			h, err := l.hear(ctx, line, p, 1200*time.Millisecond)
			if err != nil || ctx.Err() != nil {
				return errors.Join(err, ctx.Err())
			}
			if l.whole(&h) {
				l.say("It answers to %s.", p.says)
				return l.stay(ctx, h)
			}
		}
	}
	return nil
}

// lines returns the settings to try: those of the options, or none on a network.
func (l *listener) lines(usual []drivers.Serial) []drivers.Serial {
	switch k := kind(l.Device); {
	case k == "tcp" || k == "keyboard":
		return []drivers.Serial{{}}
	case l.Line.Baud > 0:
		return []drivers.Serial{l.Line}
	}
	return usual
}

// next puts settings with the same speed and with parity first, if bytes were damaged without
// parity.
func next(lines []drivers.Serial, h *Heard) []drivers.Serial {
	v := views([]Heard{*h})[0]
	if h.Line.Parity != "none" || v.bytes+v.damaged < 8 || v.damaged*10 < v.bytes+v.damaged || v.damaged > 3*v.bytes {
		return lines
	}
	even, odd := h.Line, h.Line
	even.Parity, odd.Parity = "even", "odd"
	return slices.Insert(slices.Clone(lines), 1, even, odd)
}

// whole reports whether complete frames of one kind came.
func (l *listener) whole(h *Heard) bool {
	if len(h.Driver) > 0 && h.Driver[0] == 'm' { // register replies are always complete
		return len(repliesOf(views([]Heard{*h})[0])) > 0
	}
	least := 3
	if h.Driver != "" {
		least = 1
	}
	for _, p := range Guess([]Heard{*h}) {
		if p.Agreed >= least && p.Score >= scoreLeast {
			return true
		}
	}
	return false
}

// stay goes on with a setting that gives frames: while a person types displays, or without a person
// three times as long as it listens to a setting.
func (l *listener) stay(ctx context.Context, h Heard) error {
	if l.Answers != nil {
		l.say("Receiving complete readings. Move the gauge, below zero too if it goes there. Each time it rests, type what its\ndisplay shows, with the unit, then Enter; Enter alone when you are done. To see over what time it averages,\npress a contact in, hold it, and let it go at once, a few times.")
	}
	p := probe{driver: h.Driver, options: h.Options}
	line := h.Line
	if ps := Guess([]Heard{h}); len(ps) > 0 && ps[0].Line.Baud > 0 {
		line = ps[0].Line
	}
	limit := 3 * l.For
	if l.Answers != nil {
		limit = time.Hour
	}
	l.staying = true
	_, err := l.hear(ctx, line, p, limit)
	return err
}

// hear opens the port with one setting, asks if there is a probe, and keeps what passed as
// evidence.
func (l *listener) hear(ctx context.Context, line drivers.Serial, p probe, limit time.Duration) (Heard, error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	h := Heard{Line: line, Keys: isKeys(l.Device), Driver: p.driver, Options: p.options}
	if line.Baud > 0 {
		l.say("-- %s%s", line, asking(p))
	}
	prt := port.New(port.Config{Name: "to listen on", Device: l.Device, Line: line, Silence: 200 * time.Millisecond, Start: l.start}, l.Log)
	chunks, ended := make(chan port.Chunk, 64), make(chan error, 1)
	go func() {
		err := prt.Run(ctx, func(c port.Chunk) {
			c.Data = slices.Clone(c.Data)
			select {
			case chunks <- c:
			case <-ctx.Done():
			}
		})
		close(chunks)
		ended <- err
	}()
	t := taking{listener: l, heard: &h, port: prt, screen: screen{out: l.Print}}
	t.loop(ctx, chunks)
	cancel()
	for range chunks { // what came while the port closed
	}
	err := <-ended
	if err == nil && t.lost != "" && !t.opened {
		err = errors.New(t.lost)
		if _, missing := os.Stat(l.Device); kind(l.Device) == "serial" && errors.Is(missing, fs.ErrNotExist) {
			err = fmt.Errorf("%s; fairbore listen without a port lists the serial lines", t.lost)
		}
	}
	l.evidence = append(l.evidence, h)
	return h, err
}

func asking(p probe) string {
	if p.driver == "" {
		return ""
	}
	return ", asking " + p.says
}

// whole makes a gauge and its station a configuration that runs.
const whole = "version: 1\nsite: my-shop # name your shop: letters, digits, - and _\njournal: {path: fairbore.db}\n"

// conclude prints what was found and writes it.
func (l *listener) conclude() error {
	ps := Guess(l.evidence)
	if len(ps) == 0 {
		l.say("%s.", Need(l.evidence))
		return errors.Join(l.record(Recording(l.evidence, l.Device, l.Now().Format(time.DateOnly))), ErrCantTell)
	}
	for i := range ps[:min(3, len(ps))] {
		if i == 0 || !ps[0].Sure() {
			fmt.Fprint(l.Print, ps[i].Report())
		}
	}
	date := l.Now().Format(time.DateOnly)
	if err := l.record(ps[0].Recording(l.Device, date)); err != nil {
		return err
	}
	if !ps[0].Sure() {
		return ErrCantTell
	}
	block := whole + ps[0].Block(l.Name, l.Device, date)
	if l.Out == "" {
		l.say("\n%s", block)
		return nil
	}
	if err := write(l.Out, []byte(block)); err != nil {
		return err
	}
	l.say("Configuration written to %s. Try it: fairbore run %[1]s. Add your rings, and jobs here or on the page.", l.Out)
	return nil
}

// record writes the recording.
func (l *listener) record(r *drivers.Recording) error {
	if l.Record == "" || r == nil {
		return nil
	}
	if err := write(l.Record, text(r)); err != nil {
		return err
	}
	l.say("Recording written to %s.", l.Record)
	return nil
}

// replaceable refuses a symbolic link, since somebody else may have put it there to have another file
// written over, and everything else that is no file.
func replaceable(path string) error {
	switch was, err := os.Lstat(path); {
	case err == nil && was.Mode()&fs.ModeSymlink != 0:
		return fmt.Errorf("%s is a symbolic link; give the name of the file itself", path)
	case err == nil && !was.Mode().IsRegular():
		return fmt.Errorf("%s is not a file; give another name", path)
	}
	return nil
}

// write writes a file, in place of the one that is there.
func write(path string, text []byte) error {
	if err := replaceable(path); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*.part") // has no name that anybody knows before
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = errors.Join(f.Chmod(0o640), f.Sync())
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}
