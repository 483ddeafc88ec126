package listen

import (
	"bytes"
	"maps"
	"strconv"
	"strings"

	"fairbore/drivers"
)

// candidates lists what is worth trying on a view: each driver with the options that the bytes
// suggest.
func candidates(v *view) (out []*candidate) {
	switch {
	case v.bytes == 0 || v.damaged > v.bytes: // another speed is needed
		return nil
	case strings.HasPrefix(v.driver, "modbus"):
		return modbusCandidates(v)
	case v.keys:
		return typedCandidates(v)
	case v.driver == "scpi":
		return append(scpiCandidates(v), askCandidates(v, scpiQuery(v.options))...)
	case v.driver == "ask":
		request, _ := unescape(v.options["request"])
		return askCandidates(v, request)
	}
	for _, f := range append(textForms(v), bcdForms(v)...) {
		out = append(out, f.on(v))
	}
	return out
}

func (f form) on(v *view) *candidate {
	return &candidate{driver: f.driver, options: f.options, view: v, rank: f.rank, blind: f.blind}
}

// textForms returns the forms for bytes that can be read as text.
func textForms(v *view) []form {
	forms := append(lineForms(v.texts), fixedForms(v.texts, "line")...)
	forms = append(forms, patternForms(v.texts)...)
	return append(forms, fixedForms(controlled(v), "none")...)
}

// askCandidates returns the forms for replies to a request, including the echo of the request if it
// came back.
func askCandidates(v *view, request string) (out []*candidate) {
	echo := "no"
	if bytes.Count(bytesOf(v.entries), []byte(request)) > 1 && strings.TrimSpace(request) != "" {
		echo = "yes"
	}
	for _, f := range textForms(v) {
		o := maps.Clone(f.options)
		o["form"], o["request"], o["echo"] = f.driver, escape(request), echo
		f.driver, f.options = "ask", o
		out = append(out, f.on(v))
	}
	return out
}

func scpiQuery(o drivers.Options) string {
	if o["end"] == "crlf" {
		return o["query"] + "\r\n"
	}
	return o["query"] + "\n"
}

// scpiCandidates read the answers as one number or several, in each unit that the display may have
// shown.
func scpiCandidates(v *view) (out []*candidate) {
	shape, _ := commonest(v.texts, func(t string) string { return strconv.Itoa(strings.Count(t, ",") + 1) })
	n, _ := strconv.Atoi(shape)
	fields := ""
	if n > 1 {
		fields = fieldNames(strings.Repeat("n", n))
	}
	units := []string{"m"}
	for _, d := range v.shown {
		if d.Unit != drivers.NoUnit {
			units = append([]string{wordOf(d.Unit)}, units...)
			break
		}
	}
	if len(units) == 1 {
		units = []string{"", "m"}
	}
	for i, unit := range units {
		o := maps.Clone(v.options)
		o["unit"], o["fields"] = unit, fields
		out = append(out, &candidate{driver: "scpi", options: o, view: v, rank: rankChecked + i, blind: true})
	}
	return out
}

// typedCandidates read the text of each record size, pause and end key by the forms of a line.
func typedCandidates(v *view) (out []*candidate) {
	for _, record := range []string{"24", "16"} {
		for _, end := range []string{"enter", "tab"} {
			for i, gap := range []string{"100ms", "250ms"} {
				how := drivers.Options{"record": record, "end": end, "gap": gap}
				for _, f := range lineForms(typedTexts(v, how)) {
					o := maps.Clone(f.options)
					maps.Copy(o, how)
					out = append(out, &candidate{driver: "typed", options: o, view: v, rank: f.rank + 10*i, blind: f.blind})
				}
			}
		}
	}
	return out
}

// typedTexts returns the texts of an input device, whether they are numbers or not.
func typedTexts(v *view, o drivers.Options) (texts []string) {
	s := drivers.Stream{Decoder: decoder("typed", o)}
	for _, c := range v.entries {
		if c.Mark == "" && !c.Out {
			s.Feed(c.Data, false, func(f drivers.Found) {
				if f.Reject != drivers.Noise && f.Reject != drivers.TooShort {
					texts = append(texts, string(f.Frame))
				}
			})
		}
	}
	return texts
}
