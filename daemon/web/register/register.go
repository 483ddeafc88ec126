// Package register reads what is typed about a ring or a gauge, and keeps the files of certificates.
package register

import (
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/material"
	"fairbore/analysis/notation"
	"fairbore/daemon/config"
	"fairbore/drivers"
)

// Kind is a ring or a gauge. It is also the key under which they are in the configuration.
type Kind string

// The kinds.
const (
	Ring  Kind = "rings"
	Gauge Kind = "gauges"
)

// The fields of the forms, which are the keys in the configuration, and the id.
const (
	fieldID, fieldSize, fieldU, fieldNominal, fieldMaterial   = "id", "size", "u", "nominal", "material"
	fieldDriver, fieldUnit, fieldKind, fieldTip, fieldStep    = "driver", "unit", "kind", "tip", "step"
	fieldRepeatability, fieldCertificate, FieldFile, fieldDue = "repeatability", "certificate", "certificate_file", "due"
	fieldRetired                                              = "retired"
	lengths                                                   = fieldSize + " " + fieldNominal + " " + fieldTip
)

// Fields returns the fields of a kind, in their order.
func Fields(k Kind) []string {
	if k == Ring {
		return []string{fieldSize, fieldU, fieldNominal, fieldMaterial, fieldCertificate, fieldDue, FieldFile, fieldRetired}
	}
	return []string{fieldDriver, fieldUnit, fieldKind, fieldTip, fieldStep, fieldRepeatability, fieldCertificate, fieldDue, FieldFile, fieldRetired}
}

// Choices returns what can be chosen in a field, nil where it is typed.
func Choices(field string) (all []string) {
	switch field {
	case fieldMaterial:
		return material.Names()
	case fieldUnit:
		return []string{"mm", "in", "um", "uin"}
	case fieldKind:
		return []string{config.TwoPoint, config.ThreePoint, config.Air}
	case fieldDriver:
		for _, d := range drivers.Table() {
			all = append(all, d.Name)
		}
	}
	return all
}

// Item is a ring or a gauge.
type Item struct {
	ID    string
	Text  map[string]string // by field, as in the configuration
	State string            // of its calibration: overdue, soon or retired; "" if nothing is due
	Used  []string          // the jobs or the stations that use it
}

// Is says what it is: the certified size of a ring with its uncertainty, or the kind of a gauge.
func (it *Item) Is() string {
	if size := it.Text[fieldSize]; size != "" {
		return strings.NewReplacer(" um", " µm", " uin", " µin").Replace(size + " ± " + it.Text[fieldU])
	}
	return it.Text[fieldKind]
}

// Users returns the names of what uses it.
func (it *Item) Users() string { return strings.Join(it.Used, ", ") }

// soon is how long before a calibration is due that is said, as the page of a station says it.
const soon = 14 * 24 * time.Hour

// Items returns the rings or the gauges of a configuration by id, those that are retired last.
func Items(k Kind, text []byte, cfg *config.Config, now time.Time) (all []Item) {
	ids := slices.Collect(maps.Keys(cfg.Rings))
	if k == Gauge {
		ids = slices.Collect(maps.Keys(cfg.Gauges))
	}
	slices.Sort(ids)
	values := config.Values(text)
	for _, id := range ids {
		it := Item{ID: id, Text: map[string]string{}, Used: used(k, id, cfg)}
		for _, field := range Fields(k) {
			if v, ok := values[string(k)+"."+id+"."+field]; ok {
				it.Text[field] = fmt.Sprint(v)
			}
		}
		due, err := time.ParseInLocation(time.DateOnly, it.Text[fieldDue], now.Location())
		switch {
		case it.Text[fieldRetired] != "":
			it.State = "retired"
		case err != nil:
		case analysis.Overdue(due, now):
			it.State = "overdue"
		case due.Sub(now) <= soon:
			it.State = "soon"
		}
		all = append(all, it)
	}
	slices.SortStableFunc(all, func(a, b Item) int { return rank(a) - rank(b) })
	return all
}

func rank(it Item) int { return slices.Index([]string{"overdue", "soon", "", "retired"}, it.State) }

// used returns the jobs that name a ring, or the stations that have a gauge.
func used(k Kind, id string, cfg *config.Config) (by []string) {
	if k == Ring {
		for _, job := range slices.Sorted(maps.Keys(cfg.Jobs)) {
			if cfg.Jobs[job].Ring == id {
				by = append(by, job)
			}
		}
		return by
	}
	for i := range cfg.Stations {
		st := &cfg.Stations[i]
		if st.Gauge == id || slices.ContainsFunc(st.Beside, func(b config.Beside) bool { return b.Gauge == id }) {
			by = append(by, st.Title)
		}
	}
	return by
}

// ids matches the id of a new ring or gauge. It is typed, scanned and read aloud.
var ids = regexp.MustCompile(`^[\pL\d][\pL\d_-]{0,31}$`)

// ringFromNominal is the largest difference between a ring and the size engraved on it; the
// configuration refuses a larger one.
const ringFromNominal = analysis.Millimetre / 20

// Typed is what was typed about a ring or a gauge.
type Typed struct {
	Faults  map[string]string // by field, in the words of the format
	Changes []config.Change
	text    map[string]string
	f       notation.Format
}

// Read reads what was typed about an item, "" for a new one. Only what differs from what the
// configuration has is changed.
func Read(k Kind, id string, text map[string]string, all []Item, f notation.Format) *Typed {
	t := &Typed{Faults: map[string]string{}, text: map[string]string{}, f: f}
	for field, v := range text {
		t.text[field] = strings.TrimSpace(v)
	}
	at := slices.IndexFunc(all, func(it Item) bool { return it.ID == id })
	was := map[string]string{}
	if id != "" && at >= 0 {
		was = all[at].Text
	} else {
		id = t.newID(all)
	}
	t.measures(k, was)
	for _, field := range []string{fieldDue, fieldRetired} {
		if v := t.text[field]; v != "" {
			if _, err := time.Parse(time.DateOnly, v); err != nil {
				t.bad(field, analysis.Say("register.day"))
			}
		}
	}
	if t.text[fieldRetired] != "" && at >= 0 && len(all[at].Used) > 0 {
		t.bad(fieldRetired, analysis.Say("register.used."+string(k), strings.Join(all[at].Used, ", ")))
	}
	for _, field := range Fields(k) {
		switch v := t.text[field]; {
		case v == was[field]:
		case v == "":
			t.Changes = append(t.Changes, config.Change{Key: []string{string(k), id, field}})
		default:
			t.Changes = append(t.Changes, config.Change{Key: []string{string(k), id, field}, Value: v})
		}
	}
	return t
}

// newID returns the id of a new item.
func (t *Typed) newID(all []Item) string {
	id := t.text[fieldID]
	switch {
	case id == "":
		t.bad(fieldID, analysis.Say("register.id"))
	case !ids.MatchString(id):
		t.bad(fieldID, analysis.Say("register.id_form"))
	case slices.ContainsFunc(all, func(it Item) bool { return strings.EqualFold(it.ID, id) }):
		t.bad(fieldID, analysis.Say("register.id_taken", id))
	}
	return id
}

// measures checks the lengths, and gives those without a unit the usual one: µm for what is small.
// What a size is in must be said. What stands as it was is read as the configuration has it.
func (t *Typed) measures(k Kind, was map[string]string) {
	is := map[string]analysis.Length{}
	for _, field := range Fields(k) {
		small := field == fieldU || field == fieldStep || field == fieldRepeatability
		text := t.text[field]
		if text == "" || !small && !slices.Contains(strings.Fields(lengths), field) {
			continue
		}
		read, said := t.f.Length, analysis.Phrase{}
		if text == was[field] {
			read = analysis.ParseLength
		}
		l, err := read(text)
		if small && errors.Is(err, analysis.ErrNoUnit) {
			t.text[field] += " um"
			l, err = read(t.text[field])
		}
		switch {
		case errors.As(err, &said):
			t.bad(field, said)
		case errors.Is(err, analysis.ErrNoUnit):
			t.bad(field, analysis.Say("register.unit", text+" mm"))
		case err != nil:
			t.bad(field, analysis.Say("register.length", text))
		case l <= 0:
			t.bad(field, analysis.Say("register.positive"))
		}
		is[field] = l
		t.text[field] = strings.ReplaceAll(t.text[field], ",", ".") // as the configuration writes it
	}
	if k == Gauge {
		for _, field := range []string{fieldDriver, fieldUnit} {
			if t.text[field] == "" {
				t.bad(field, analysis.Say("register.choose"))
			}
		}
		return
	}
	if t.text[fieldSize] == "" {
		t.bad(fieldSize, analysis.Say("register.size"))
	}
	if t.text[fieldU] == "" {
		t.bad(fieldU, analysis.Say("register.u"))
	}
	if n, s := is[fieldNominal], is[fieldSize]; n > 0 && s > 0 && (n-s).Abs() > ringFromNominal {
		t.bad(fieldNominal, analysis.Say("register.far", analysis.Size(n), analysis.Size(s)))
	}
}

// bad notes a fault of a field, if it is the first one there.
func (t *Typed) bad(field string, why error) {
	if t.Faults[field] == "" {
		t.Faults[field] = t.f.Error(why)
	}
}

// Refused puts the faults that the configuration has besides to the fields. One that belongs to no
// field is told at the id if nothing else is wrong.
func (t *Typed) Refused(err error) {
	list := []error{err}
	if all, ok := err.(interface{ Unwrap() []error }); ok {
		list = all.Unwrap()
	}
	var other error
	for _, e := range list {
		field, fault := "", (*config.Fault)(nil)
		if errors.As(e, &fault) {
			field, e = fault.Key[strings.LastIndex(fault.Key, ".")+1:], fault.Err
		}
		if slices.Contains(slices.Concat(Fields(Ring), Fields(Gauge)), field) {
			t.bad(field, e)
		} else if other == nil {
			other = e
		}
	}
	if other != nil && len(t.Faults) == 0 {
		t.bad(fieldID, other)
	}
}
