package listen

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"fairbore/drivers"
)

// Options say how to listen at a terminal.
type Options struct {
	Settings               // Patient and Tell are set by Run
	Name     string        // name of gauge and station in the configuration
	Shows    []string      // what the display showed, if no person can be asked
	Answers  <-chan string // lines that a person types; nil: nobody does
	Out      string        // where to write the configuration; "": to Print
	Record   string        // where to write a recording; "": beside Out, nowhere without one
	Print    io.Writer
}

// ErrCantTell is the error for a gauge that was not identified. Run has said what is needed.
var ErrCantTell = errors.New("can't tell yet how the gauge talks; see above for what is needed")

// Run finds out how the gauge on a port communicates, and writes what it found. If it is not sure
// it fails with [ErrCantTell] and writes no configuration, but still writes a recording.
func Run(ctx context.Context, o Options) error {
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
	t := &screen{Options: o}
	if err := t.listen(ctx); err != nil {
		return err
	}
	evidence := t.ear.Evidence()
	if last := len(evidence) - 1; last >= 0 {
		for _, s := range t.Shows {
			evidence[last].Shown = append(evidence[last].Shown, Shown{Text: s})
		}
	}
	return t.conclude(evidence)
}

// screen shows at a terminal what a listener hears, and passes on what a person types.
type screen struct {
	Options
	ear *Listener
	mu  sync.Mutex // guards Print
}

func (t *screen) say(format string, a ...any) {
	t.mu.Lock()
	defer t.mu.Unlock()
	fmt.Fprintf(t.Print, format+"\n", a...)
}

// listen listens until the person is done or, without one, until all was tried.
func (t *screen) listen(ctx context.Context) error {
	t.Patient, t.Tell = t.Answers != nil, t.told
	t.ear = NewListener(t.Settings)
	t.say("Listening on %s. Press the gauge's button, or let it stream.", t.Device)
	if t.Patient {
		t.say("Take your time; Enter alone ends it.")
	}
	within, done := context.WithCancel(ctx)
	defer done()
	ended := make(chan error, 1)
	go func() { ended <- t.ear.Listen(within) }()
	for {
		select {
		case err := <-ended:
			if err != nil && kind(t.Device) == "serial" {
				if _, missing := os.Stat(t.Device); errors.Is(missing, fs.ErrNotExist) {
					err = fmt.Errorf("%w; fairbore listen without a port lists the serial lines", err)
				}
			}
			return errors.Join(err, ctx.Err())
		case text, ok := <-t.Answers:
			if !ok { // nobody is there any more
				if t.Answers = nil; t.ear.State().Best == nil {
					done()
					return errors.Join(<-ended, t.listen(ctx))
				}
			}
			if text = strings.TrimSpace(text); text == "" {
				done()
			} else {
				t.answer(text)
			}
		}
	}
}

// told shows what passes.
func (t *screen) told(p Passing) {
	at := p.At.Round(time.Millisecond)
	switch p.Is {
	case Trying:
		if p.Line.Baud > 0 {
			t.say("-- %s%s", p.Line, asking(p.Text))
		} else if p.Text != "" {
			t.say("--%s", asking(p.Text)[1:])
		}
	case Came:
		t.say("%10s  %s", at, p.Text)
	case Damaged:
		t.say("%10s  (a damaged byte)", at)
	case Sent:
		t.say("%10s  > %s", at, p.Text)
	case Gone:
		t.say("%s", p.Text)
	case Whole:
		if p.Text != "" {
			t.say("It answers to %s.", p.Text)
		}
		if t.Patient {
			t.say("Receiving complete readings. Move the gauge, below zero too if it goes there. Each time it rests, type what its\ndisplay shows, with the unit, then Enter; Enter alone when you are done. To see over what time it averages,\npress a contact in, hold it, and let it go at once, a few times.")
		}
	}
}

func asking(request string) string {
	if request == "" {
		return ""
	}
	return ", asking " + request
}

// answer notes what the display shows, and says what came of it.
func (t *screen) answer(text string) {
	if strings.EqualFold(text, "undo") {
		if was := t.ear.Undo(); was != "" {
			t.say("%s taken back", was)
		}
		return
	}
	if !t.ear.Show(text) {
		t.say("%q is no number with a unit; such as -0.0044 mm", text)
		return
	}
	switch best := t.ear.State().Best; {
	case best == nil:
		t.say("noted; no frame reads so yet")
	case best.Sure():
		t.say("agrees with driver %s: %s; %d frames so far", best.Driver, best.Last, best.Agreed)
	default:
		for _, o := range best.Open {
			t.say("%s", said(o))
		}
		if best.Matched < best.Told {
			t.say("If you mistyped, undo takes it back.")
		}
	}
}

// whole makes a gauge and its station a configuration that runs.
const whole = "version: 1\nsite: my-shop # name your shop: letters, digits, - and _\njournal: {path: fairbore.db}\n"

// conclude prints what was found and writes it.
func (t *screen) conclude(evidence []Heard) error {
	ps := Guess(evidence)
	date := t.ear.Now().Format(time.DateOnly)
	if len(ps) == 0 {
		t.say("%s.", Need(evidence))
		return errors.Join(t.record(Recording(evidence, t.Device, date)), ErrCantTell)
	}
	for i := range ps[:min(3, len(ps))] {
		if i == 0 || !ps[0].Sure() {
			fmt.Fprint(t.Print, ps[i].Report())
		}
	}
	if err := t.record(ps[0].Recording(t.Device, date)); err != nil {
		return err
	}
	if !ps[0].Sure() {
		return ErrCantTell
	}
	block := whole + ps[0].Block(t.Name, t.Device, date)
	if t.Out == "" {
		t.say("\n%s", block)
		return nil
	}
	if err := write(t.Out, []byte(block)); err != nil {
		return err
	}
	t.say("Configuration written to %s. Try it: fairbore run %[1]s. Add your rings, and jobs here or on the page.", t.Out)
	return nil
}

// record writes the recording.
func (t *screen) record(r *drivers.Recording) error {
	if t.Record == "" || r == nil {
		return nil
	}
	if err := write(t.Record, text(r)); err != nil {
		return err
	}
	t.say("Recording written to %s.", t.Record)
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
