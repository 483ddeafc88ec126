package listen

import (
	"math/bits"
	"slices"
	"time"

	"fairbore/drivers"
)

// view is evidence heard in one way: the setting of the line, and what passed.
type view struct {
	line    drivers.Serial
	keys    bool
	driver  string
	options drivers.Options
	entries []drivers.Entry
	shown   []display
	bytes   int // that came
	damaged int // places where a byte was damaged
	texts   []string
	table   []drivers.Driver // made once, since that takes longer than nearly everything else
}

// decoder makes a decoder from options that are known to be good; otherwise nil.
func (v *view) decoder(driver string, o drivers.Options) drivers.Decoder {
	i := slices.IndexFunc(v.table, func(d drivers.Driver) bool { return d.Name == driver })
	if i < 0 {
		return nil
	}
	dec, err := v.table[i].Decoder(o)
	if err != nil {
		return nil
	}
	return dec
}

// views joins what was heard in the same way. For each line heard with 8 bits and no parity it adds
// what the line would have been with 7 bits and parity, since the bits on the wire are the same.
func views(evidence []Heard) []*view {
	var all []*view
	for _, h := range evidence {
		same := func(v *view) bool {
			return v.line == h.Line && v.keys == h.Keys && v.driver == h.Driver && equalOptions(v.options, h.Options)
		}
		i := slices.IndexFunc(all, same)
		if i < 0 {
			i = len(all)
			all = append(all, &view{line: h.Line, keys: h.Keys, driver: h.Driver, options: h.Options})
		}
		v := all[i]
		if len(v.entries) > 0 {
			v.entries = append(v.entries, drivers.Entry{At: v.entries[len(v.entries)-1].At, Mark: drivers.MarkLost})
		}
		v.entries = append(v.entries, h.Entries...)
		for _, s := range h.Shown {
			if d, ok := s.read(); ok {
				v.shown = append(v.shown, d)
			}
		}
	}
	for _, v := range slices.Clone(all) {
		if v.line.Data == 8 && v.line.Parity == "none" {
			all = append(all, v.sevenBits()...)
		}
	}
	table := drivers.Table()
	for _, v := range all {
		v.table = table
		v.measure()
	}
	return all
}

func equalOptions(a, b drivers.Options) bool {
	if len(a) != len(b) {
		return false
	}
	for k, v := range a {
		if b[k] != v {
			return false
		}
	}
	return true
}

// measure counts the bytes and splits them into texts.
func (v *view) measure() {
	for _, c := range v.entries {
		switch {
		case c.Mark == MarkDamaged:
			v.damaged++
		case c.Mark == "" && !c.Out:
			v.bytes += len(c.Data)
		}
	}
	v.texts = texts(v.entries)
}

// sevenBits returns a view for each parity that the eighth bits agree with. An eighth bit that is
// always 0 is not a parity; one that is always 1 is mark parity.
func (v *view) sevenBits() []*view {
	total, high := 0, 0
	agree := map[string]int{}
	for _, c := range v.entries {
		if c.Mark != "" || c.Out {
			continue
		}
		for _, b := range c.Data {
			total++
			high += int(b >> 7)
			agree[parityOf(b)]++
		}
	}
	if high == 0 || total < 8 {
		return nil
	}
	var out []*view
	agree["mark"] = high
	for _, parity := range []string{"even", "odd", "mark"} {
		if agree[parity]*100 >= total*93 {
			out = append(out, v.strip(parity))
		}
	}
	return out
}

// parityOf returns the parity of the eight bits of all bytes in b.
func parityOf(b byte) string {
	if bits.OnesCount8(b)%2 == 0 {
		return "even"
	}
	return "odd"
}

// strip removes the eighth bit. Bytes whose eighth bit does not agree count as damaged.
func (v *view) strip(parity string) *view {
	w := &view{line: v.line, driver: v.driver, options: v.options, shown: v.shown}
	w.line.Data, w.line.Parity = 7, parity
	if parity == "mark" { // a second stop bit looks the same on the wire, and is usual
		w.line.Parity, w.line.Stop = "none", 2
	}
	for _, c := range v.entries {
		if c.Mark != "" || c.Out {
			w.entries = append(w.entries, c)
			continue
		}
		from := 0
		data := make([]byte, len(c.Data))
		put := func(to int) {
			if to > from {
				w.entries = append(w.entries, drivers.Entry{At: c.At, Wall: c.Wall, Data: data[from:to]})
			}
		}
		for i, b := range c.Data {
			data[i] = b & 0x7f
			good := parityOf(b) == parity
			if parity == "mark" {
				good = b >= 0x80
			}
			if !good {
				put(i)
				w.entries = append(w.entries, drivers.Entry{At: c.At, Mark: MarkDamaged})
				from = i + 1
			}
		}
		put(len(data))
	}
	return w
}

// texts splits what came into lines, without their ends and without empty lines. A line in which a
// byte was damaged or the line was lost is left out.
func texts(entries []drivers.Entry) (lines []string) {
	var text []byte
	spoilt := true // the first line may be incomplete
	last := time.Duration(0)
	flush := func() {
		if len(text) > 0 && !spoilt {
			lines = append(lines, string(text))
		}
		text, spoilt = text[:0], false
	}
	for _, c := range entries {
		switch {
		case c.Out:
			text, spoilt = text[:0], false
		case c.Mark == MarkDamaged, c.Mark == drivers.MarkLost, c.Mark == drivers.MarkOpened:
			spoilt = true
		case c.Mark == "":
			if c.At-last > 300*time.Millisecond {
				text, spoilt = text[:0], false
			}
			for _, b := range c.Data {
				if b == '\r' || b == '\n' {
					flush()
				} else {
					text = append(text, b)
				}
			}
		}
		last = c.At
	}
	return lines
}
