package event

import (
	"encoding/json"
	"math"
	"strconv"
	"time"
)

// AppendJSON appends the event exactly as encoding/json writes it. Since there may be thousands of
// readings a second, their JSON is written by hand, in a tenth of the time.
func (e *Event) AppendJSON(b []byte) ([]byte, error) {
	if e.Reading == nil || !e.bare() {
		text, err := json.Marshal(e)
		return append(b, text...), err
	}
	b = appendString(append(b, `{"station":`...), e.Station)
	b, err := appendTime(append(b, `,"at":`...), e.At)
	if err != nil {
		return b, err
	}
	b = appendString(append(b, `,"kind":`...), string(e.Kind))
	b = appendSome(b, `,"source":`, e.Source)
	b = appendSome(b, `,"command":`, e.Command)
	b = appendSome(b, `,"person":`, e.Person)
	if e.Simulated {
		b = append(b, `,"simulated":true`...)
	}
	if b, err = e.Reading.appendJSON(append(b, `,"reading":`...)); err != nil {
		return b, err
	}
	b = appendSome(b, `,"note":`, e.Note)
	return append(b, '}'), nil
}

// bare reports whether the event has nothing besides a reading.
func (e *Event) bare() bool {
	rest := *e
	rest.Station, rest.At, rest.Kind, rest.Source, rest.Command, rest.Person, rest.Simulated, rest.Reading, rest.Note = "", time.Time{}, "", "", "", "", false, nil, ""
	return rest == Event{}
}

func (r *Reading) appendJSON(b []byte) ([]byte, error) {
	b = strconv.AppendInt(append(b, `{"no":`...), int64(r.No), 10)
	b = appendString(append(b, `,"job":`...), r.Job)
	b = appendString(append(b, `,"part":`...), r.Part)
	b = r.Depth.AppendJSON(append(b, `,"depth_mm":`...))
	b = r.Angle.AppendJSON(append(b, `,"angle_deg":`...))
	b = strconv.AppendInt(append(b, `,"round":`...), int64(r.Round), 10)
	b = r.Size.AppendJSON(append(b, `,"size_mm":`...))
	if r.U != 0 {
		b = r.U.AppendJSON(append(b, `,"capture_u_um":`...))
	}
	b, err := appendTime(append(b, `,"at":`...), r.At)
	if err != nil {
		return b, err
	}
	b = r.Deviation.AppendJSON(append(b, `,"deviation_um":`...))
	b = appendString(append(b, `,"gauge":`...), r.Gauge)
	b = appendSome(b, `,"channel":`, r.Channel)
	b = appendString(append(b, `,"how":`...), r.How)
	b = appendCount(b, `,"turns":`, r.Turns)
	b = appendFloat(b, `,"motion":`, r.Motion)
	b = appendFloat(b, `,"motion_spread":`, r.MotionSpread)
	b = appendFloat(b, `,"motion_slope":`, r.MotionSlope)
	b = r.Sent.appendJSON(append(b, `,"sent":`...))
	b = r.Raw.AppendJSON(append(b, `,"raw_mm":`...))
	b = r.Zero.AppendJSON(append(b, `,"zero_um":`...))
	if r.Thermal != 0 {
		b = r.Thermal.AppendJSON(append(b, `,"thermal_um":`...))
	}
	if r.Indentation != 0 {
		b = r.Indentation.AppendJSON(append(b, `,"indentation_um":`...))
	}
	b = appendSome(b, `,"part_temperature_from":`, string(r.PartFrom))
	if r.ExcessU != 0 {
		b = r.ExcessU.AppendJSON(append(b, `,"excess_u_um":`...))
	}
	if r.Unexpected {
		b = append(b, `,"unexpected":true`...)
	}
	if r.Expected != 0 {
		b = r.Expected.AppendJSON(append(b, `,"expected_mm":`...))
	}
	if r.ExpectedU != 0 {
		b = r.ExpectedU.AppendJSON(append(b, `,"expected_u_um":`...))
	}
	if !r.Ask.IsZero() {
		text, err := json.Marshal(r.Ask)
		if err != nil {
			return b, err
		}
		b = append(append(b, `,"ask":`...), text...)
	}
	if r.Study != nil {
		b = appendString(append(b, `,"study":{"appraiser":`...), r.Study.Appraiser)
		b = append(strconv.AppendInt(append(b, `,"trial":`...), int64(r.Study.Trial), 10), '}')
	}
	b = strconv.AppendInt(append(b, `,"mastered":`...), int64(r.Mastered), 10)
	return append(b, '}'), nil
}

func (s *Sent) appendJSON(b []byte) []byte {
	b = strconv.AppendInt(append(b, `{"digits":`...), s.Digits, 10)
	b = strconv.AppendInt(append(b, `,"places":`...), int64(s.Places), 10)
	b = appendString(append(b, `,"unit":`...), s.Unit.UCUM())
	b = appendSome(b, `,"frame":`, s.Frame)
	if s.Assumed {
		b = append(b, `,"assumed":true`...)
	}
	return append(b, '}')
}

// AppendJSON appends the record as encoding/json writes it. The event is encoded only if the record
// did not come from a journal.
func (r *Record) AppendJSON(b []byte) (_ []byte, err error) {
	at := len(b)
	b = appendString(append(b, `{"journal":`...), r.Journal)
	b = strconv.AppendUint(append(b, `,"seq":`...), r.Seq, 10)
	if len(r.Body) > len("{}") {
		return append(append(b, ','), r.Body[1:]...), nil
	}
	end := len(b)
	if b, err = r.Event.AppendJSON(b); err != nil {
		return b[:at], err
	}
	b[end] = ',' // instead of the event's opening brace
	return b, nil
}

// appendFloat appends a member as encoding/json writes it, or nothing if it is 0.
func appendFloat(b []byte, name string, v float64) []byte {
	if v == 0 {
		return b
	}
	b = append(b, name...)
	if abs := math.Abs(v); abs >= 1e-6 && abs < 1e21 {
		return strconv.AppendFloat(b, v, 'f', -1, 64)
	}
	text, _ := json.Marshal(v) // the session lets only finite values pass
	return append(b, text...)
}

// appendCount appends a member, or nothing if it is 0.
func appendCount(b []byte, name string, n int) []byte {
	if n == 0 {
		return b
	}
	return strconv.AppendInt(append(b, name...), int64(n), 10)
}

// appendSome appends a member, or nothing if it is empty.
func appendSome(b []byte, name, s string) []byte {
	if s == "" {
		return b
	}
	return appendString(append(b, name...), s)
}

func appendString(b []byte, s string) []byte {
	for i := range len(s) {
		if c := s[i]; c < ' ' || c > '~' || c == '"' || c == '\\' || c == '<' || c == '>' || c == '&' {
			text, _ := json.Marshal(s) // every string can be encoded
			return append(b, text...)
		}
	}
	return append(append(append(b, '"'), s...), '"')
}

func appendTime(b []byte, t time.Time) ([]byte, error) {
	b, err := t.AppendText(append(b, '"'))
	return append(b, '"'), err
}
