package drivers

import (
	"encoding/binary"
	"time"
)

// Driver typed: a gauge that types its value as a keyboard would. The driver reads the records of a
// Linux input device (struct input_event, evdev). Each letter is a byte:
//
//	ssssssss uuuuuuuu tt cc vvvv    24 bytes, of a 64-bit system
//	ssss uuuu tt cc vvvv            16 bytes, of a 32-bit one
//
//	s  seconds    t  type: 1 key, 0 end of report, others say nothing
//	u  and µs     c  code of the key    v  0 up, 1 down, 2 held
//
// All numbers are little-endian. Keys are read by the US layout. Enter (or Tab, option end) ends
// the text. The text is then read as driver line reads a line, so the options of line, except
// quiet, are options here.
//
// A gauge types fast and evenly. A pause longer than the option gap ends a burst. A burst that
// ended without Enter is refused, and what follows is believed only after a silence of ten such
// pauses. So neither a person at the keys nor the rest of a broken burst is taken for a gauge.
func typedDriver() Driver {
	options := []Option{
		{"end", "the key that ends a value", "enter", []string{"enter", "tab"}},
		{"gap", "longest pause between two keys of a value", "100ms", nil},
		{"record", "size of a record: 24 bytes on a 64-bit system, 16 on a 32-bit one", "24", []string{"24", "16"}},
	}
	for _, o := range lineOptions() {
		if o.Name != "quiet" {
			options = append(options, o)
		}
	}
	return Driver{
		Name:    "typed",
		Help:    "gauge that types like a keyboard, by Linux input events",
		Options: options,
		New:     newTyped,
	}
}

// Types and codes of events (linux/input-event-codes.h).
const (
	evSyn      = 0
	evKey      = 1
	evMisc     = 4
	evLED      = 17
	evRepeat   = 20
	synDropped = 3
	keyMax     = 0x2ff

	keyTab        = 15
	keyEnter      = 28
	keyLeftShift  = 42
	keyRightShift = 54
	keyPadEnter   = 96
)

// The characters of the US layout, indexed by key code from 0, without and with shift. A NUL stands
// for a key that types no character.
const (
	typedPlain = "\x00\x001234567890-=\x00\tqwertyuiop[]\x00\x00asdfghjkl;'`\x00\\zxcvbnm,./\x00*\x00 " +
		"\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00" + "789-456+1230."
	typedShift = "\x00\x00!@#$%^&*()_+\x00\tQWERTYUIOP{}\x00\x00ASDFGHJKL:\"~\x00|ZXCVBNM<>?\x00*\x00 " +
		"\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00" + "789-456+1230."
)

// restGaps is the number of gaps of silence that must pass before text after a broken burst is
// trusted. An interval above maxRest is not silence: either the clock was set, or the bytes are not
// a record.
const (
	restGaps = 10
	maxRest  = 24 * time.Hour
)

type typed struct {
	form   lineForm
	record int
	gap    time.Duration
	end    uint16

	nextByte nextByte
	text     []byte // typed so far
	spoilt   Reason // why the text must not be trusted, empty if nothing is wrong
	shift    [2]bool
	last     time.Duration // time of the latest key, or of the first event, by the clock of the device
	known    bool          // last is set
	heard    bool          // some bytes came since the device was opened
	frame    []byte        // the text returned last
	fault    Reason        // what is wrong with frame, empty if nothing is
}

func newTyped(o Options) (Decoder, error) {
	r := &optionReader{options: o}
	d := &typed{form: readLineForm(r), record: r.number("record", 16, 24), gap: r.duration("gap", time.Millisecond, 10*time.Second), end: keyEnter}
	if r.is("end", "tab") {
		d.end = keyTab
	}
	d.text, d.frame = make([]byte, 0, maxLine+1), make([]byte, 0, maxLine+1)
	return d, r.err()
}

// Pause implements Pauser.
func (d *typed) Pause() time.Duration { return d.gap }

// Reset implements Resetter.
func (d *typed) Reset() {
	d.nextByte, d.text, d.spoilt, d.fault = unsure, d.text[:0], "", ""
	d.shift, d.known, d.heard = [2]bool{}, false, false
}

// Split implements Decoder. The frame that it returns is the typed text.
func (d *typed) Split(data []byte, idle bool) (advance int, frame []byte) {
	d.fault = ""
	d.heard = d.heard || len(data) > 0
	if len(data) < d.record {
		switch {
		case !idle:
			return 0, nil
		case len(d.text) > 0:
			return len(data), d.breakOff()
		case len(data) > 0:
			d.lose()
			return len(data), nil
		case !d.heard:
			d.nextByte = begin
		}
		return 0, nil
	}
	e, ok := parseEvent(data[:d.record])
	if !ok {
		d.lose()
		return 1, nil
	}
	return d.record, d.event(e)
}

// lose notes that events were lost. So the present text has a gap, or the next text begins within a
// value.
func (d *typed) lose() {
	d.nextByte = unsure
	d.spoil(LineError)
}

func (d *typed) spoil(r Reason) {
	if d.spoilt == "" && len(d.text) > 0 {
		d.spoilt = r
	}
}

// inputEvent is a record of an input device.
type inputEvent struct {
	at    time.Duration
	kind  uint16
	code  uint16
	value uint32
}

// parseEvent reads a record. It reports whether the bytes can be a record.
func parseEvent(b []byte) (e inputEvent, ok bool) {
	var seconds, micros uint64
	if half := (len(b) - 8) / 2; half == 8 {
		seconds, micros = binary.LittleEndian.Uint64(b), binary.LittleEndian.Uint64(b[8:])
	} else {
		seconds, micros = uint64(binary.LittleEndian.Uint32(b)), uint64(binary.LittleEndian.Uint32(b[4:]))
	}
	rest := b[len(b)-8:]
	e.kind, e.code = binary.LittleEndian.Uint16(rest), binary.LittleEndian.Uint16(rest[2:])
	e.value = binary.LittleEndian.Uint32(rest[4:])
	if seconds >= 1<<32 || micros >= 1e6 || e.code > keyMax {
		return e, false
	}
	e.at = time.Duration(seconds)*time.Second + time.Duration(micros)*time.Microsecond
	switch e.kind {
	case evKey:
		return e, e.value <= 2
	case evSyn:
		return e, e.code <= synDropped && e.value <= 1
	case evMisc, evLED, evRepeat:
		return e, true
	}
	return e, false
}

// event takes an event. It returns a text if the event completes one, and filler otherwise.
func (d *typed) event(e inputEvent) (frame []byte) {
	filler := d.text[:0]
	if !d.known { // a key may have gone down before this event
		d.last, d.known = e.at, true
	}
	switch {
	case e.kind == evSyn && e.code == synDropped:
		d.lose()
		return filler
	case e.kind != evKey:
		return filler
	case e.code == keyLeftShift || e.code == keyRightShift:
		d.shift[e.code/keyRightShift] = e.value != 0
		return filler
	case e.value == 0:
		return filler
	}
	frame = d.pause(e.at)
	switch {
	case e.code == d.end || (d.end == keyEnter && e.code == keyPadEnter):
		if len(d.text) > 0 {
			return d.take()
		}
		d.nextByte = begin
	case e.value == 2:
		d.spoil(Noise)
	default:
		d.key(e.code)
	}
	if frame == nil {
		frame = filler
	}
	return frame
}

// pause ends the burst if a key comes long after the previous key. It returns the text of that
// burst.
func (d *typed) pause(at time.Duration) (frame []byte) {
	since := at - d.last
	paused := d.known && (since > d.gap || since < 0)
	if paused && len(d.text) > 0 {
		frame = d.breakOff()
	}
	if paused && since >= restGaps*d.gap && since < maxRest {
		d.nextByte = begin
	}
	d.last, d.known = at, true
	return frame
}

// key adds the character of a key to the text.
func (d *typed) key(code uint16) {
	if len(d.text) == 0 && d.nextByte == unsure {
		d.spoilt = Cut
	}
	plain := typedPlain
	if d.shift[0] || d.shift[1] {
		plain = typedShift
	}
	c := byte(0)
	if int(code) < len(plain) {
		c = plain[code]
	}
	if len(d.text) <= maxLine {
		d.text = append(d.text, c)
	}
	if c == 0 {
		d.spoil(Noise)
	}
}

// take returns the text and starts a new one.
func (d *typed) take() []byte {
	d.frame = append(d.frame[:0], d.text...)
	d.fault = d.spoilt
	d.text, d.spoilt = d.text[:0], ""
	d.nextByte = begin
	return d.frame
}

// breakOff returns a text that was not ended by the end key.
func (d *typed) breakOff() []byte {
	d.spoil(TooShort)
	frame := d.take()
	d.nextByte = unsure
	return frame
}

// Decode implements Decoder.
func (d *typed) Decode(frame []byte, out []Sample) ([]Sample, error) {
	if f := d.fault; f != "" {
		d.fault = ""
		return out, f
	}
	return d.form.decode(frame, out)
}
