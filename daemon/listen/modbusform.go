package listen

import (
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/drivers"
)

// reply is what all registers that were asked for held at one time.
type reply struct {
	at    time.Duration
	words []uint16
}

// probeRegisters is the value of option registers that reads n words from 0 unchanged.
func probeRegisters(n int) string {
	items := make([]string, n)
	for i := range items {
		items[i] = fmt.Sprintf("r%d@%d:uint16:1", i, i)
	}
	return strings.Join(items, ",")
}

// repliesOf reads the registers with the driver that asked for them.
func repliesOf(v *view) (out []reply) {
	o := (&candidate{driver: v.driver, options: v.options, view: v}).play()
	for _, f := range o.frames {
		r := reply{at: f.at}
		for _, s := range f.samples {
			r.words = append(r.words, uint16(s.Digits))
		}
		out = append(out, r)
	}
	return out
}

// modbusCandidates tries every register, type and order that gives what the display showed each
// time. Without a display there are none, since every order gives a number.
func modbusCandidates(v *view) (out []*candidate) {
	replies := repliesOf(v)
	if len(replies) == 0 || len(v.shown) == 0 {
		return nil
	}
	places, unit := v.shown[0].Places, v.shown[0].Unit
	for _, kind := range []string{"int32", "float32", "int16", "uint16", "uint32"} {
		for _, order := range []string{"ABCD", "CDAB", "BADC", "DCBA"} {
			size := 2
			if strings.HasSuffix(kind, "16") {
				size = 1
				if order == "CDAB" || order == "DCBA" { // read like ABCD and BADC
					continue
				}
			}
			for at := 0; at+size <= len(replies[0].words); at++ {
				for _, step := range []int{1, 2, 5} {
					if kind == "float32" && step > 1 {
						break
					}
					register := fmt.Sprintf("@%d:%s:%s", at, kind, stepText(step, places))
					if unit != drivers.NoUnit {
						register += ":" + wordOf(unit)
					}
					rank := rankLine
					if halfUsed(replies, register) {
						rank = rankFields
					}
					o := maps.Clone(v.options)
					o["registers"], o["order"] = register, order
					out = append(out, &candidate{driver: v.driver, options: o, view: v, rank: rank, blind: true, replies: replies})
				}
			}
		}
	}
	return out
}

func stepText(step, places int) string {
	if places == 0 {
		return strconv.Itoa(step)
	}
	return "0." + strings.Repeat("0", places-1) + strconv.Itoa(step)
}

// playReplies passes to the driver the registers that it would have asked for, in the network form
// of a reply.
func (o *outcome) playReplies() {
	options := drivers.Options{"registers": o.options["registers"], "order": o.options["order"], "function": o.options["function"]}
	dec := o.view.decoder("modbus-tcp", options)
	if dec == nil {
		return
	}
	s := drivers.Stream{Decoder: dec}
	for _, r := range o.replies {
		ask := dec.(drivers.Requester).Request(nil)
		function, first, count := ask[7], binary.BigEndian.Uint16(ask[8:]), binary.BigEndian.Uint16(ask[10:])
		answer := append([]byte{ask[0], ask[1], 0, 0, 0, byte(3 + 2*count), ask[6], function, byte(2 * count)}, words(r.words[first:first+count])...)
		s.Feed(answer, false, func(f drivers.Found) { o.add(r.at, f) })
	}
}

func words(w []uint16) (out []byte) {
	for _, x := range w {
		out = binary.BigEndian.AppendUint16(out, x)
	}
	return out
}

// undecided says what must still be seen before the type of a register is known, if a 16-bit number
// was never negative or above 32767, or only half of a 32-bit number was ever used.
func (o *outcome) undecided() []analysis.Phrase {
	if o.replies == nil {
		return nil
	}
	register := strings.Split(o.options["registers"], ":")
	at, _ := strconv.Atoi(strings.TrimPrefix(register[0], "@"))
	switch register[1] {
	case "int16", "uint16":
		if !slices.ContainsFunc(o.replies, func(r reply) bool { return signBit(r.words[at], o.options["order"]) }) {
			return []analysis.Phrase{analysis.Say("listen.needs.sign")}
		}
	}
	if o.halved() {
		return []analysis.Phrase{analysis.Say("listen.needs.bits")}
	}
	return nil
}

// halved reports whether only one of two registers was ever used.
func (o *outcome) halved() bool {
	return o.replies != nil && halfUsed(o.replies, o.options["registers"])
}

func halfUsed(replies []reply, registers string) bool {
	register := strings.Split(registers, ":")
	at, err := strconv.Atoi(strings.TrimPrefix(register[0], "@"))
	if err != nil || !strings.HasSuffix(register[1], "32") {
		return false
	}
	unused := func(i int) bool {
		return !slices.ContainsFunc(replies, func(r reply) bool { return r.words[i] != 0 })
	}
	return unused(at) || unused(at+1)
}

func signBit(w uint16, order string) bool {
	if order == "BADC" {
		w = w<<8 | w>>8
	}
	return w > math.MaxInt16
}
