package listen

import (
	"math/bits"
	"time"

	"fairbore/drivers"
)

// wire is a serial line, idle high, as its levels over time: what one UART sends
// bit by bit and another samples in the middle of what it takes for bits
// (asynchronous start-stop signalling, as every UART does it).
type wire struct {
	baud  int
	bits  []bool // levels of consecutive bit times; idle fills the gaps
	start []time.Duration
	runs  []int // where in bits the run of each start begins
}

// send puts a run of bytes on the wire at a time, back to back.
func (w *wire) send(at time.Duration, l drivers.Serial, data []byte) {
	w.baud = l.Baud
	if n := len(w.start); n > 0 { // no sooner than what is under way is over
		at = max(at, w.start[n-1]+w.bit(len(w.bits)-w.runs[n-1]+1))
	}
	w.start, w.runs = append(w.start, at), append(w.runs, len(w.bits))
	for _, b := range data {
		w.bits = append(w.bits, false)
		for i := range l.Data {
			w.bits = append(w.bits, b>>i&1 != 0)
		}
		if p, ok := parityBit(b, l); ok {
			w.bits = append(w.bits, p)
		}
		for range l.Stop {
			w.bits = append(w.bits, true)
		}
	}
}

func parityBit(b byte, l drivers.Serial) (bit, has bool) {
	odd := bits.OnesCount8(b&byte(1<<l.Data-1))%2 != 0
	switch l.Parity {
	case "even":
		return odd, true
	case "odd":
		return !odd, true
	case "mark":
		return true, true
	}
	return false, l.Parity == "space"
}

func (w *wire) bit(n int) time.Duration {
	return time.Duration(n) * time.Second / time.Duration(w.baud)
}

// level returns the level at a time, searching from run r on.
func (w *wire) level(t time.Duration, r int) bool {
	for ; r+1 < len(w.start) && w.start[r+1] <= t; r++ {
	}
	if r >= len(w.start) || t < w.start[r] {
		return true
	}
	i := w.runs[r] + int((t-w.start[r])*time.Duration(w.baud)/time.Second)
	end := len(w.bits)
	if r+1 < len(w.runs) {
		end = w.runs[r+1]
	}
	return i >= end || w.bits[i]
}

// receive is what a UART set to l takes from the wire: bytes, and marks where one
// came with a parity or framing error.
func (w *wire) receive(l drivers.Serial) (entries []drivers.Entry) {
	one := time.Second / time.Duration(l.Baud)
	t := time.Duration(0)
	step := one / 8
	for r := 0; r < len(w.start); {
		if t < w.start[r] {
			t = w.start[r]
		}
		end := w.start[r] + w.bit(len(w.bits)-w.runs[r])
		if r+1 < len(w.runs) {
			end = w.start[r] + w.bit(w.runs[r+1]-w.runs[r])
		}
		for t < end && w.level(t, r) {
			t += step
		}
		if t >= end {
			r++
			continue
		}
		if w.level(t+one/2, r) { // a glitch, no start bit
			t += step
			continue
		}
		var b byte
		at := t + one + one/2
		for i := range l.Data {
			if w.level(at, r) {
				b |= 1 << i
			}
			at += one
		}
		good := true
		if p, has := parityBit(b, l); has {
			good = w.level(at, r) == p
			at += one
		}
		good = good && w.level(at, r)
		n := len(entries) - 1
		switch {
		case !good:
			entries = append(entries, drivers.Entry{At: at, Mark: MarkDamaged})
		case n >= 0 && entries[n].Mark == "" && at-entries[n].At < 16*time.Millisecond: // adapters gather bytes
			entries[n].Data = append(entries[n].Data, b)
		default:
			entries = append(entries, drivers.Entry{At: at, Data: []byte{b}})
		}
		if t = at; !w.level(at, r) { // wait for the line to be idle
			for t < end && !w.level(t, r) {
				t += step
			}
		}
	}
	return entries
}
