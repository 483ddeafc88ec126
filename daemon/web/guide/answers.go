package guide

import (
	"errors"
	"maps"
	"strings"
	"unicode"
	"unicode/utf8"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/config"
)

// The fields of the steps, which are also the keys of what is posted and kept.
const (
	fieldShop, fieldStation                                       = "shop", "station"
	fieldPort, fieldHeard, fieldWay, fieldGauge, fieldKind        = "port", "heard", "way", "gauge", "kind"
	fieldTip, fieldTipOther, fieldAverages, fieldRepeatability    = "tip", "tip_other", "averages", "repeatability"
	fieldID, fieldUnit, fieldSize, fieldNominal, fieldU, fieldDue = "id", "unit", "size", "nominal", "u", "due"
	fieldUUnit, fieldMaterial, fieldCertificate                   = "u_unit", "material", "certificate"
	fieldSpindle, fieldPedal, fieldPedalDo                        = "spindle", "pedal", "pedal_do"
	fieldHeardIt, fieldPassphrase, fieldReach, fieldLater         = "heard_it", "passphrase", "reach", "later"
)

// Answers is what was typed in a step, and what was found in it.
type Answers struct {
	f       notation.Format // of the person who types
	text    map[string]string
	place   *Place
	Faults  map[string]string // by field, the first fault of each
	Echo    map[string]string // by field: how it was understood
	Ask     []string          // what is unusual, but may be meant
	Changes []config.Change   // of the configuration, if there are no faults
	Station string            // the name of the station that these changes make or are about
}

// Read reads what was typed in a step.
func (g *Guide) Read(step string, text map[string]string, p *Place, f notation.Format) *Answers {
	a := &Answers{f: f, text: text, place: p, Faults: map[string]string{}, Echo: map[string]string{}, Station: p.Name()}
	if len(text) == 0 {
		a.text = map[string]string{}
	}
	switch step {
	case StepShop:
		a.shop()
	case StepGauge:
		a.gauge()
	case StepRing:
		a.ring(g.Materials)
	case StepContacts:
		a.contacts()
	case StepSound:
		a.sound()
	case StepAccess:
		a.access(g)
	}
	if len(a.Faults) > 0 {
		a.Changes = nil
	}
	return a
}

// kept returns what a draft keeps of the answers of a step: everything but a passphrase.
func kept(text map[string]string) map[string]string {
	keep := maps.Clone(text)
	delete(keep, fieldPassphrase)
	maps.DeleteFunc(keep, func(_, v string) bool { return strings.TrimSpace(v) == "" })
	return keep
}

func (a *Answers) word(field string) string { return strings.TrimSpace(a.text[field]) }

// bad notes a fault of a field, if it is the first one there.
func (a *Answers) bad(field string, why error) {
	if a.Faults[field] == "" {
		a.Faults[field] = a.f.Error(why)
	}
}

func (a *Answers) ask(p analysis.Phrase) { a.Ask = append(a.Ask, a.f.Say(p)) }

func (a *Answers) set(value any, key ...string) {
	a.Changes = append(a.Changes, config.Change{Key: key, Value: value})
}

// mostTitle is how many characters a title may have.
const mostTitle = 60

// title reads a text of one line that a person gave a name in.
func (a *Answers) title(field string, missing analysis.Phrase) string {
	t := a.word(field)
	switch {
	case t == "":
		a.bad(field, missing)
	case utf8.RuneCountInString(t) > mostTitle:
		a.bad(field, analysis.Say("guide.long", mostTitle))
	case !utf8.ValidString(t) || strings.ContainsFunc(t, unicode.IsControl):
		a.bad(field, analysis.Say("guide.control"))
	}
	return t
}

// length reads a length that has its unit with it or in another field.
func (a *Answers) length(field string, u analysis.Unit) analysis.Length {
	text := a.word(field)
	if text == "" {
		return 0
	}
	l, err := a.f.Length(text)
	if errors.Is(err, analysis.ErrNoUnit) {
		l, err = a.f.Length(text + " " + u.String())
	}
	if err != nil {
		a.bad(field, analysis.LengthFault(text, err))
		return 0
	}
	return l
}

// both writes a size in mm and inches, so that a mistaken unit shows.
func (a *Answers) both(l analysis.Length) string {
	return a.f.As(l, analysis.MM, 4) + " mm · " + a.f.As(l, analysis.IN, 6) + " in"
}

// exact writes a length as the configuration has it, in a unit where that is exact.
func exact(l analysis.Length, u analysis.Unit) string {
	if text, err := l.Exact(u); err == nil {
		return text + " " + u.String()
	}
	return l.String()
}
