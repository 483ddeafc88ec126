package port

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"fairbore/analysis"
	"fairbore/drivers"

	"github.com/rs/zerolog"
)

// The commands of RFC 2217, section 3. The server adds 100 to the command in its answer.
const (
	setBaud      = 1
	setData      = 2
	setParity    = 3
	setStop      = 4
	setControl   = 5
	lineMask     = 10
	modemMask    = 11
	fromServer   = 100
	notifyLine   = 106
	notifyModem  = 107
	controlFlow  = 1  // no flow control
	controlDTR   = 8  // on
	controlRTS   = 11 // on
	lineFaults   = 0x1E
	modemCTS     = 0x10
	modemDSR     = 0x20
	modemRI      = 0x40
	modemDCD     = 0x80
	settings     = 4 // baud, data, parity and stop; the server answers each
	answerWithin = 2 * time.Second
)

// rfcLink is a line behind a device server that lets us set the line (RFC 2217).
type rfcLink struct {
	*tcpLink
	log      zerolog.Logger
	line     drivers.Serial
	codec    telnet
	us, them map[byte]optionState
	answers  map[byte]uint32 // the server's answers to the settings
	controls map[byte]bool   // whether each control setting is acknowledged; nil after the warning
	opened   time.Time
	state    ModemLines
	err      error
	got      func([]byte, bool) // the function of the present call of read
	early    []byte             // data that came together with the last answer
}

// optionState is the state of the negotiation of an option (RFC 1143). It has no queue as in RFC
// 1143, since we never change an option again.
type optionState uint8

const (
	optionOff optionState = iota
	optionWanted
	optionOn
	optionRefused
)

func dialRFC2217(ctx context.Context, address string, c Config, log zerolog.Logger) (link, error) {
	t, err := dialTCP(ctx, address, c.Stale)
	if err != nil {
		return nil, err
	}
	return newRFC2217(ctx, t, address, c, log)
}

// newRFC2217 sets the line of the device server at the other end of a connection.
func newRFC2217(ctx context.Context, t *tcpLink, address string, c Config, log zerolog.Logger) (link, error) {
	t.name = fmt.Sprintf("%s%s at %v", schemeRFC2217, address, c.Line)
	r := &rfcLink{tcpLink: t, log: log, line: c.Line, us: map[byte]optionState{}, them: map[byte]optionState{},
		answers: map[byte]uint32{}, controls: map[byte]bool{controlFlow: false, controlDTR: false, controlRTS: false}}
	if err := r.negotiate(ctx); err != nil {
		return nil, errors.Join(err, t.close())
	}
	r.opened = time.Now()
	return r, nil
}

// negotiate agrees on the options with the server and sets the line.
func (r *rfcLink) negotiate(ctx context.Context) error {
	r.us = map[byte]optionState{optionBinary: optionWanted, optionSGA: optionWanted, optionComPort: optionWanted}
	r.them = map[byte]optionState{optionBinary: optionWanted, optionSGA: optionWanted}
	if err := r.tcpLink.write([]byte{
		telnetIAC, telnetWILL, optionBinary, telnetIAC, telnetDO, optionBinary,
		telnetIAC, telnetWILL, optionSGA, telnetIAC, telnetDO, optionSGA,
		telnetIAC, telnetWILL, optionComPort,
	}); err != nil {
		return err
	}
	decided := func() bool { return r.us[optionComPort] != optionWanted }
	if err := r.await(ctx, decided); err != nil {
		return unanswered("port.no_telnet", err)
	}
	if r.us[optionComPort] != optionOn {
		return refuse("port.no_com_port_option")
	}
	want := lineValues(r.line)
	b := appendSub(nil, optionComPort, binary.BigEndian.AppendUint32([]byte{setBaud}, want[setBaud])...)
	for _, c := range []byte{setData, setParity, setStop} {
		b = appendSub(b, optionComPort, c, byte(want[c]))
	}
	for _, v := range []byte{controlFlow, controlDTR, controlRTS} {
		b = appendSub(b, optionComPort, setControl, v)
	}
	b = appendSub(b, optionComPort, lineMask, lineFaults)
	b = appendSub(b, optionComPort, modemMask, 0xFF)
	if err := r.tcpLink.write(b); err != nil {
		return err
	}
	if err := r.await(ctx, func() bool { return len(r.answers) == settings }); err != nil {
		return unanswered("port.server_settings", err)
	}
	return r.checkAnswers(want)
}

// unanswered is the error for a server that did not answer as it should because of err. If the
// server has said in words why, these are enough.
func unanswered(code string, err error) error {
	why := reason(err)
	if why.Code != ServerSaid {
		why = analysis.Say(code, why)
	}
	return fault{why, err}
}

// lineValues returns the values of RFC 2217 for the settings of a line.
func lineValues(l drivers.Serial) map[byte]uint32 {
	parity := map[string]uint32{"none": 1, "odd": 2, "even": 3, "mark": 4, "space": 5}
	return map[byte]uint32{setBaud: uint32(l.Baud), setData: uint32(l.Data), setParity: parity[l.Parity], setStop: uint32(l.Stop)}
}

func (r *rfcLink) checkAnswers(want map[byte]uint32) error {
	names := map[byte]string{setBaud: "baud", setData: "data", setParity: "parity", setStop: "stop"}
	var why analysis.Phrase
	for _, c := range []byte{setBaud, setData, setParity, setStop} {
		got := r.answers[c]
		// 2 % is half the tolerance of a UART (common practice).
		near := c == setBaud && abs(int(got)-int(want[c]))*50 <= int(want[c])
		if got != want[c] && !near {
			fault := analysis.Say("port.server_has."+names[c], int(got), int(want[c]))
			if why.IsZero() {
				why = fault
			} else {
				why = analysis.Say("port.both", why, fault)
			}
		}
	}
	if !why.IsZero() {
		return refusal{why}
	}
	return nil
}

// await reads until done returns true. It drops data that came before the line was set.
func (r *rfcLink) await(ctx context.Context, done func() bool) error {
	deadline := time.Now().Add(answerWithin)
	for !done() {
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case time.Now().After(deadline):
			return analysis.Say("port.no_answer", answerWithin)
		}
		if err := r.read(readWait, r.keepEarly); err != nil {
			return err
		}
	}
	return nil
}

func (r *rfcLink) keepEarly(b []byte, damaged bool) {
	if len(r.answers) == settings && !damaged {
		r.early = append(r.early, b...)
	}
}

func (r *rfcLink) read(wait time.Duration, got func([]byte, bool)) error {
	r.got = got
	if len(r.early) > 0 {
		got(r.early, false)
		r.early = nil
		return nil
	}
	err := r.tcpLink.read(wait, func(b []byte, _ bool) { r.codec.feed(b, r) })
	return errors.Join(err, r.err)
}

func (r *rfcLink) write(b []byte) error {
	return r.tcpLink.write(appendEscaped(make([]byte, 0, len(b)+8), b))
}

// The codec calls data, option and sub with what it finds in the stream.
func (r *rfcLink) data(b []byte) { r.got(b, false) }

func (r *rfcLink) option(verb, option byte) {
	ours := option == optionBinary || option == optionSGA || option == optionComPort
	switch verb {
	case telnetDO:
		r.agree(r.us, option, ours, telnetWILL, telnetWONT)
	case telnetWILL:
		r.agree(r.them, option, ours, telnetDO, telnetDONT)
	case telnetDONT:
		r.disagree(r.us, option, telnetWONT)
	case telnetWONT:
		r.disagree(r.them, option, telnetDONT)
	}
}

// agree answers an offer or a request of the server. It does not reply to the server's answer to
// our own offer or request, since two sides that do so never stop.
func (r *rfcLink) agree(side map[byte]optionState, option byte, can bool, yes, no byte) {
	switch was := side[option]; {
	case !can && was != optionRefused:
		side[option] = optionRefused
		r.say(no, option)
	case can && was == optionWanted:
		side[option] = optionOn
	case can && was != optionOn:
		side[option] = optionOn
		r.say(yes, option)
	}
}

func (r *rfcLink) disagree(side map[byte]optionState, option, no byte) {
	was := side[option]
	side[option] = optionRefused
	if was == optionOn {
		r.say(no, option)
	}
}

func (r *rfcLink) say(verb, option byte) {
	if err := r.tcpLink.write([]byte{telnetIAC, verb, option}); err != nil && r.err == nil {
		r.err = err
	}
}

func (r *rfcLink) sub(b []byte) {
	if len(b) < 3 || b[0] != optionComPort {
		return
	}
	value := b[2:]
	switch command := b[1]; command {
	case fromServer + setBaud:
		if len(value) == 4 {
			r.answers[setBaud] = binary.BigEndian.Uint32(value)
		}
	case fromServer + setData, fromServer + setParity, fromServer + setStop:
		r.answers[command-fromServer] = uint32(value[0])
	case fromServer + setControl:
		if _, ours := r.controls[value[0]]; ours {
			r.controls[value[0]] = true
		}
	case notifyLine:
		if value[0]&lineFaults != 0 {
			r.got(nil, true)
		}
	case notifyModem:
		s := value[0]
		r.state = ModemLines{CTS: s&modemCTS != 0, DSR: s&modemDSR != 0, DCD: s&modemDCD != 0, RI: s&modemRI != 0}
	}
}

// lines returns the latest state that the server reported. Before the first report all are off.
func (r *rfcLink) lines() (ModemLines, error) { return r.state, nil }

// check warns once about everything that the server did not acknowledge. A server that acknowledges
// no control settings may have a line without DTR and RTS, such as a pseudo-terminal. A foot switch
// that DTR or RTS supplies then does not work.
func (r *rfcLink) check() error {
	if r.controls == nil || time.Since(r.opened) < answerWithin {
		return nil
	}
	for v, name := range map[byte]string{controlFlow: "flow control", controlDTR: "DTR", controlRTS: "RTS"} {
		if !r.controls[v] {
			r.log.Warn().Str("setting", name).Msg("the device server did not acknowledge a control setting; going on")
		}
	}
	if r.them[optionBinary] != optionOn || r.us[optionBinary] != optionOn {
		r.log.Warn().Msg("the device server does not pass bytes as they are (no binary mode); ends of lines may come changed")
	}
	r.controls = nil
	return nil
}
