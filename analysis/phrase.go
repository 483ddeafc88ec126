package analysis

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Phrase is a message to a person. It holds a code, for which the catalogue of each language
// has a text, and the values to insert into that text. The package
// [fairbore/analysis/notation] makes the text where the phrase is shown, in the reader's
// unit and language. Nothing in the program depends on that text.
//
// A Phrase that is used as an error is a refusal for a person to read.
type Phrase struct {
	Code string `json:"code,omitempty"`
	Args []Arg  `json:"args,omitempty"`
	// Text is the phrase in English, in the unit of the job. It is for receivers without a
	// catalogue. If the phrase has no code, Text is what a person has written.
	Text string `json:"text,omitempty"`
}

// Arg is a value in a phrase. Which of the pointers is set follows from Is.
type Arg struct {
	Is     ArgKind      `json:"is"`
	UM     *Deviation   `json:"um,omitempty"`
	MM     *Length      `json:"mm,omitempty"`
	Deg    *Angle       `json:"deg,omitempty"`
	Cel    *Temperature `json:"cel,omitempty"`
	S      *float64     `json:"s,omitempty"` // seconds
	At     *time.Time   `json:"at,omitempty"`
	N      *int         `json:"n,omitempty"`
	Value  *float64     `json:"value,omitempty"`
	Places int          `json:"places,omitempty"` // decimal places of Value
	Name   *string      `json:"name,omitempty"`
	Phrase *Phrase      `json:"phrase,omitempty"`
}

// ArgKind says what a value in a phrase is. How the value is written depends on it.
type ArgKind string

// The kinds of value. The comment of each names the members of [Arg] that it has.
const (
	IsDeviation   ArgKind = "deviation"   // um: such as an error, the stock, the room up to a limit
	IsFine        ArgKind = "fine"        // um: written ten times finer, such as what a stroke takes off
	IsOffset      ArgKind = "offset"      // um: written like fine, with its sign
	IsDepth       ArgKind = "depth"       // mm
	IsSize        ArgKind = "size"        // mm
	IsPlace       ArgKind = "position"    // mm, deg: a depth and an angle
	IsAngle       ArgKind = "angle"       // deg
	IsTemperature ArgKind = "temperature" // cel
	IsKelvin      ArgKind = "difference"  // cel: a difference of two temperatures
	IsTime        ArgKind = "time"        // s: a span
	IsMoment      ArgKind = "moment"      // at
	IsDay         ArgKind = "day"         // at: its date
	IsClock       ArgKind = "clock"       // at: its hour and minute
	IsCount       ArgKind = "count"       // n
	IsNumber      ArgKind = "number"      // value, places
	IsName        ArgKind = "name"        // name: of a job, a ring or a person; it is written as it is
	IsPhrase      ArgKind = "phrase"      // phrase
)

// These types tell [Say] what kind of value an argument is, where the type of the value
// itself does not tell.
type (
	// Fine is a length that is written ten times finer than a [Deviation], such as what a
	// stroke takes off. Offset is like Fine, with its sign, such as the error at a ring.
	Fine   Deviation
	Offset Deviation
	// Size is a diameter; a [Length] by itself is a depth.
	Size Length
	// Kelvin is a difference of two temperatures.
	Kelvin Temperature
	// Day is a date. Clock is a time of day.
	Day   time.Time
	Clock time.Time
	// Number is a value and the number of decimal places to write.
	Number struct {
		Value  float64
		Places int
	}
)

// Say returns the phrase of a code with its values. It keeps the values of these types: a
// Deviation, a [Fine], an [Offset], a Length (a depth), a [Size], a Place, an Angle, a
// Temperature, a [Kelvin], a duration, a time, a [Day], a [Clock], an int (a count), a
// [Number], a string (a name) and a Phrase. An error that is a Phrase stays a Phrase. Any
// other error or value becomes a name, with the text that it prints.
func Say(code string, args ...any) Phrase {
	p := Phrase{Code: code}
	if len(args) > 0 {
		p.Args = make([]Arg, len(args))
	}
	for i, v := range args {
		p.Args[i] = argOf(v)
	}
	return p
}

func argOf(v any) Arg {
	switch v := v.(type) {
	case Deviation:
		return Arg{Is: IsDeviation, UM: &v}
	case Fine:
		return Arg{Is: IsFine, UM: (*Deviation)(&v)}
	case Offset:
		return Arg{Is: IsOffset, UM: (*Deviation)(&v)}
	case Length:
		return Arg{Is: IsDepth, MM: &v}
	case Size:
		return Arg{Is: IsSize, MM: (*Length)(&v)}
	case Place:
		return Arg{Is: IsPlace, MM: &v.Depth, Deg: &v.Angle}
	case Angle:
		return Arg{Is: IsAngle, Deg: &v}
	case Temperature:
		return Arg{Is: IsTemperature, Cel: &v}
	case Kelvin:
		return Arg{Is: IsKelvin, Cel: (*Temperature)(&v)}
	case time.Duration:
		s := v.Seconds()
		return Arg{Is: IsTime, S: &s}
	case time.Time:
		return Arg{Is: IsMoment, At: &v}
	case Day:
		return Arg{Is: IsDay, At: (*time.Time)(&v)}
	case Clock:
		return Arg{Is: IsClock, At: (*time.Time)(&v)}
	case int:
		return Arg{Is: IsCount, N: &v}
	case Number:
		return Arg{Is: IsNumber, Value: &v.Value, Places: v.Places}
	case Phrase:
		return Arg{Is: IsPhrase, Phrase: &v}
	}
	name := fmt.Sprint(v)
	return Arg{Is: IsName, Name: &name}
}

// Quote returns a text that a person has written as a phrase. The text is shown as it is.
func Quote(text string) Phrase { return Phrase{Text: text} }

// Reason returns the message of an error as a phrase.
func Reason(err error) Phrase {
	var p Phrase
	if errors.As(err, &p) {
		return p
	}
	return Quote(err.Error())
}

// IsZero reports whether there is nothing to say.
func (p Phrase) IsZero() bool { return p.Code == "" && p.Text == "" }

// Error implements error, for a log. It returns the text, or else the code with its values.
func (p Phrase) Error() string {
	if p.Text != "" || p.Code == "" {
		return p.Text
	}
	parts := make([]string, len(p.Args))
	for i, a := range p.Args {
		parts[i] = a.raw()
	}
	return p.Code + "(" + strings.Join(parts, ", ") + ")"
}

// Typed returns the value in the type that [Say] takes. It returns nil if the Arg lacks the
// member that its kind needs. An Arg from outside the program may lack it.
func (a Arg) Typed() any {
	switch {
	case a.Is == IsPlace && a.MM != nil && a.Deg != nil:
		return Place{Depth: *a.MM, Angle: *a.Deg}
	case a.UM != nil:
		return map[ArgKind]any{IsDeviation: *a.UM, IsFine: Fine(*a.UM), IsOffset: Offset(*a.UM)}[a.Is]
	case a.MM != nil:
		return map[ArgKind]any{IsDepth: *a.MM, IsSize: Size(*a.MM)}[a.Is]
	case a.Deg != nil:
		return *a.Deg
	case a.Cel != nil:
		return map[ArgKind]any{IsTemperature: *a.Cel, IsKelvin: Kelvin(*a.Cel)}[a.Is]
	case a.S != nil:
		return time.Duration(*a.S * float64(time.Second))
	case a.At != nil:
		return map[ArgKind]any{IsMoment: *a.At, IsDay: Day(*a.At), IsClock: Clock(*a.At)}[a.Is]
	case a.N != nil:
		return *a.N
	case a.Value != nil:
		return Number{*a.Value, a.Places}
	case a.Name != nil:
		return *a.Name
	case a.Phrase != nil:
		return *a.Phrase
	}
	return nil
}

// raw writes the value for a log.
func (a Arg) raw() string {
	switch v := a.Typed().(type) {
	case nil:
		return "?"
	case Deviation, Fine, Offset:
		return Length(*a.UM).Format(UM, 1) + " µm"
	case Size:
		return Length(v).String()
	case Kelvin:
		return string(appendDecimal(nil, int64(v), 1000, 3)) + " K"
	case Day:
		return time.Time(v).Format(time.DateOnly)
	case Clock:
		return time.Time(v).Format(time.TimeOnly)
	case Number:
		return fmt.Sprintf("%.*f", v.Places, v.Value)
	default:
		return fmt.Sprint(v)
	}
}

// fineTolerance is the largest tolerance for which an inch job uses millionths only. For
// such a tolerance a tenth of a tenth is too coarse (common practice).
const fineTolerance = 15 * Thou / 100

// Speaks returns the unit for phrases about the job: MM, IN, or UIN for a drawing in inches
// with a tolerance up to 0.00015 in.
func (j *Job) Speaks() Unit {
	switch {
	case !j.Unit.Inch():
		return MM
	case j.High-j.Low <= fineTolerance:
		return UIN
	}
	return IN
}
