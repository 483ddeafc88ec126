package drivers

import (
	"fmt"
	"iter"
	"maps"
	"slices"
	"strings"
)

// readLayout reads the option layout into columns.
func (d *fixed) readLayout(r *optionReader) {
	picture, point := r.text("layout"), -1
	digits := 0
	for len(picture) > 0 {
		c := picture[0]
		picture = picture[1:]
		switch {
		case c == 'v' || c == '.' || (c == ',' && digits > 0 && strings.HasPrefix(picture, "d")):
			if point >= 0 {
				r.fault("layout", "more than one decimal point")
			}
			point = digits
			if c == 'v' {
				continue
			}
			d.columns = append(d.columns, column{'.', c})
		case c == '\\':
			self, rest, err := escapedColumn(picture)
			if err != nil {
				r.fault("layout", "%v", err)
				return
			}
			d.columns, picture = append(d.columns, column{'=', self}), rest
		case strings.IndexByte("sdutch_*", c) >= 0:
			if c == 'd' {
				digits++
			}
			d.columns = append(d.columns, column{c, c})
		default:
			d.columns = append(d.columns, column{'=', c})
		}
	}
	if point >= 0 {
		d.places = digits - point
	}
	if digits == 0 || d.places > maxPlaces || len(d.columns) > maxLine {
		r.fault("layout", "give 1 digit d at least, up to %d behind the point, and %d columns in all", maxPlaces, maxLine)
	}
	for _, s := range []struct {
		to    *span
		kinds string
	}{{&d.number, "sd."}, {&d.unit, "u"}, {&d.status, "t"}, {&d.channel, "c"}, {&d.checkAt, "h"}} {
		*s.to = d.find(r, s.kinds)
	}
	d.signed = slices.ContainsFunc(d.columns, func(c column) bool { return c.kind == 's' })
}

// escapedColumn reads the text that follows a \ in a layout.
func escapedColumn(s string) (self byte, rest string, err error) {
	if s == "" {
		return 0, "", fmt.Errorf(`a \ at the end escapes nothing`)
	}
	n := 1
	if s[0] == 'x' {
		n = min(3, len(s))
	}
	if strings.IndexByte("xrnt", s[0]) < 0 {
		return s[0], s[1:], nil
	}
	b, err := unescape(`\` + s[:n])
	if err != nil {
		return 0, "", err
	}
	return b[0], s[n:], nil
}

// find returns the run of columns of these kinds. There may be only one such run.
func (d *fixed) find(r *optionReader, kinds string) (s span) {
	is := func(c column) bool { return strings.IndexByte(kinds, c.kind) >= 0 }
	s.from = slices.IndexFunc(d.columns, is)
	if s.from < 0 {
		return span{}
	}
	s.to = s.from
	for s.to < len(d.columns) && is(d.columns[s.to]) {
		s.to++
	}
	if slices.ContainsFunc(d.columns[s.to:], is) {
		r.fault("layout", "the columns %s must stand together, and there can be one such run", strings.Join(strings.Split(kinds, ""), " "))
	}
	return s
}

// readCodes reads the codes of units and status.
func (d *fixed) readCodes(r *optionReader) {
	d.units, d.codes = map[string]Unit{}, map[string]Reason{}
	for _, item := range r.list("units") {
		code, name, ok := strings.Cut(item, "=")
		u, known := parseUnit([]byte(name))
		if !ok || !known {
			r.fault("units", "%q is not valid: give a code and its unit, such as 0=mm", item)
		}
		d.units[blanked(code)] = u
	}
	for _, item := range r.list("status") {
		code, name, ok := strings.Cut(item, "=")
		reason, known := map[string]Reason{"ok": "", "over": OverRange, "fault": GaugeError}[name]
		if !ok || !known {
			r.fault("status", "%q is not valid: give a code and what it means, such as O=over; it can be ok, over or fault", item)
		}
		d.codes[blanked(code)] = reason
	}
}

// blanked returns a code with blanks in place of _, which stands for a blank in an option.
func blanked(code string) string { return strings.ReplaceAll(code, "_", " ") }

// verify reports the options that do not fit each other.
func (d *fixed) verify(r *optionReader) {
	if (d.status.width() > 0) != (len(d.codes) > 0) {
		r.fault("status", "give a code for each status column t of the layout, and none without")
	}
	fit := func(option string, codes iter.Seq[string], columns int) {
		for code := range codes {
			if len(code) != columns {
				r.fault(option, "%q: the layout has %d columns for it", code, columns)
			}
		}
	}
	fit("status", maps.Keys(d.codes), d.status.width())
	fit("units", maps.Keys(d.units), d.unit.width())
	if (d.channel.width() > 0) != (d.channels != nil) {
		r.fault("channels", "give the channels to take where the layout has a column c, and none without")
	}
	if n := d.checkAt.width(); (d.check == "none" && n != 0) || (d.check != "none" && n != 2) {
		r.fault("check", "give two check columns h in the layout with xor or sum, and none without")
	} else if d.check != "none" {
		first := d.checkFrom
		for _, s := range []span{d.number, d.unit, d.status, d.channel} {
			if s.width() > 0 && (s.from < first || s.from > d.checkAt.from) {
				r.fault("check", "the check digits must stand behind all that they check")
			}
		}
	}
	if !d.lined && (len(d.columns) == 0 || d.columns[0].kind != '=' || d.columns[0].self >= ' ') {
		r.fault("end", `none, so the layout must begin with a control character such as \x02`)
	}
}
