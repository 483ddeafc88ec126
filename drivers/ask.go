package drivers

import (
	"bytes"
	"slices"
)

// Driver ask: a gauge that sends one line for each request.
//
//	to it    ?<CR>                  option request
//	from it  +12.7003 mm<CR><LF>    as driver line, fixed or pattern reads it (option form)
//
// The options of the form are options here too. The start of the reply is checked by the option
// prefix of line, or by a part of the layout or of the expression. With echo, the gauge repeats the
// request before the reply. The echo must be equal to the request.
//
// A request is repeated until it is answered. See exchange for how a late reply is not taken for
// the reply to another request.
func askDriver() Driver {
	return Driver{
		Name:    "ask",
		Help:    "a line for each request",
		Line:    Serial{9600, 8, "none", 1},
		Options: askOptions(),
		New:     newAsk,
	}
}

func askOptions() []Option {
	all := append([]Option{
		{"form", "the driver that reads the replies", "line", []string{"line", "fixed", "pattern"}},
		{"request", `what is sent; \r, \n and \x02 are bytes`, `?\r`, nil},
		{"echo", "whether the gauge repeats the request before its reply", "no", []string{"no", "yes"}},
	}, pacingOptions("100ms", "1s")...)
	for _, form := range askForms() {
		for _, o := range form.Options {
			if !slices.ContainsFunc(all, func(p Option) bool { return p.Name == o.Name }) {
				all = append(all, o)
			}
		}
	}
	return all
}

func askForms() []Driver { return []Driver{lineDriver(), fixedDriver(), patternDriver()} }

// form is a decoder of lines. Its method start tells it that the next byte begins a line.
type form interface {
	Decoder
	Pauser
	start()
}

func (l *splitter) start() { l.nextByte, l.fault = begin, "" }

type ask struct {
	exchange
	form
	request []byte
	echo    bool
	echoing bool // the echo is still to come
	garbled bool // the echo was not equal to the request
}

func newAsk(o Options) (Decoder, error) {
	r := &optionReader{options: o}
	d := &ask{exchange: exchange{pacing: readPacing(r)}, request: r.bytes("request"), echo: r.is("echo", "yes")}
	if len(d.request) == 0 {
		r.fault("request", "give what asks the gauge for a value")
	}
	forms := askForms()
	i := slices.IndexFunc(forms, func(f Driver) bool { return r.is("form", f.Name) })
	inner, err := forms[i].Decoder(optionsOf(&forms[i], r))
	if err != nil {
		r.faults = append(r.faults, err.Error())
	} else {
		d.form = inner.(form)
	}
	return d, r.err()
}

// optionsOf returns the options of the form. It reports the given options that belong to another
// form.
func optionsOf(f *Driver, r *optionReader) Options {
	own := Options{}
	for _, o := range f.Options {
		own[o.Name] = r.options[o.Name]
	}
	for _, o := range askOptions()[5:] {
		if _, ok := own[o.Name]; !ok && r.options[o.Name] != o.Default {
			r.fault(o.Name, "form %s has no such option; it has %s", f.Name, f.optionNames())
		}
	}
	return own
}

// Checked implements Checker.
func (d *ask) Checked() bool {
	c, ok := d.form.(Checker)
	return ok && c.Checked()
}

// Reset implements Resetter.
func (d *ask) Reset() {
	d.exchange.Reset()
	if r, ok := d.form.(Resetter); ok {
		r.Reset()
	}
}

// Request implements Requester.
func (d *ask) Request(out []byte) []byte {
	if !d.next() {
		return out
	}
	d.form.start()
	d.echoing, d.garbled = d.echo, false
	return append(out, d.request...)
}

// Split implements Decoder.
func (d *ask) Split(data []byte, idle bool) (advance int, frame []byte) {
	return d.split(data, idle, d.cut)
}

func (d *ask) cut(data []byte, idle bool) (advance int, frame []byte) {
	if d.asked && d.echoing && len(data) > 0 {
		n := min(len(data), len(d.request))
		same := bytes.Equal(data[:n], d.request[:n])
		switch {
		case same && n == len(d.request):
			d.echoing = false
			return n, data[:0]
		case same && !idle:
			return 0, nil
		}
		d.echoing, d.garbled = false, true
	}
	return d.form.Split(data, idle)
}

// Decode implements Decoder.
func (d *ask) Decode(frame []byte, out []Sample) ([]Sample, error) {
	n := len(out)
	answer := d.answers()
	out, err := d.form.Decode(frame, out) // decode a reply that is not wanted too, so that the form stays in step
	switch {
	case !answer:
		return out[:n], NotAsked
	case d.garbled:
		out, err = out[:n], CheckFailed
	}
	d.judge(err)
	return out, err
}
