package config

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/go-viper/mapstructure/v2"
	koanfyaml "github.com/knadh/koanf/parsers/yaml"
	"github.com/knadh/koanf/providers/confmap"
	"github.com/knadh/koanf/providers/rawbytes"
	"github.com/knadh/koanf/v2"
	"go.yaml.in/yaml/v3"

	"fairbore/analysis"
	"fairbore/analysis/master"
)

// Fault is one thing that is wrong, with its key.
type Fault struct {
	File string
	Line int    // 0: the key is missing
	Key  string // such as stations[0].port
	Err  error
}

// Error returns file, line, key and what to do.
func (f *Fault) Error() string {
	s := f.File
	if f.Line > 0 {
		s += fmt.Sprintf(":%d", f.Line)
	}
	if f.Key != "" {
		s += ": " + f.Key
	}
	return s + ": " + f.Err.Error()
}

// Unwrap returns the cause.
func (f *Fault) Unwrap() error { return f.Err }

// Load reads and checks a configuration file. Its error joins all [Fault] values.
func Load(path string) (*Config, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read configuration: %w", err)
	}
	return Parse(filepath.Base(path), b)
}

// Parse checks a configuration that was read from a file with that name.
func Parse(name string, b []byte) (*Config, error) {
	root, err := rootOf(name, b)
	if err != nil {
		return nil, err
	}
	l := &loader{name: name, lines: map[string]int{}}
	l.index(root, "")
	k := koanf.NewWithConf(koanf.Conf{Delim: delim, StrictMerge: true})
	if err := k.Load(rawbytes.Provider(b), koanfyaml.Parser()); err != nil { // a key that is there twice
		line, err := unparsed(b, err)
		return nil, &Fault{File: name, Line: line, Err: err}
	}
	c := l.decode(k)
	c.stated = map[string]bool{}
	for _, key := range k.Keys() {
		c.stated[statedKey(key)] = true
	}
	l.check(c)
	if len(l.faults) > 0 {
		slices.SortStableFunc(l.faults, func(a, b error) int { return a.(*Fault).Line - b.(*Fault).Line })
		return nil, errors.Join(l.faults...)
	}
	return c, nil
}

// rootOf returns the mapping that a file is.
func rootOf(name string, b []byte) (*yaml.Node, error) {
	if line, err := text(b); err != nil {
		return nil, &Fault{File: name, Line: line, Err: err}
	}
	var root yaml.Node
	if err := yaml.Unmarshal(b, &root); err != nil {
		line, err := unparsed(b, err)
		return nil, &Fault{File: name, Line: line, Err: err}
	}
	if len(root.Content) == 0 {
		return nil, &Fault{File: name, Err: errors.New("empty: start from configs/fairbore.yaml")}
	}
	if top := root.Content[0]; top.Kind != yaml.MappingNode {
		return nil, &Fault{File: name, Line: top.Line, Err: errors.New("not a configuration, it has no keys such as site: my-shop: start from configs/fairbore.yaml")}
	}
	return root.Content[0], nil
}

// delim separates the levels of a key, none of which can contain it.
const delim = "\x00"

// indented matches a line that is indented with a tab, which YAML does not allow.
var indented = regexp.MustCompile(`(?m)^[ -]*\t[ \t]*[^ \t\r\n#]`)

// slips are the parser's messages, with what they mean and what to do.
var slips = []struct{ says, means string }{
	{"mapping values are not allowed", "a colon stands where none can: check the indentation, or put the text in quotes"},
	{"could not find expected ':'", "a colon is missing after a key: write key: value"},
	{"did not find expected ',' or", "a bracket is not closed: check [ ] and { }"},
	{"did not find expected node content", "a value is missing between commas or brackets: check [ ] and { }"},
	{"found unexpected end of stream", "a quote is not closed: add it"},
	{"found character that cannot start any token", "a text begins with a sign that YAML uses itself: put the text in quotes"},
	{"did not find expected", "a line does not fit those above it: check its indentation"},
	{"already defined", "a key is there twice: take one out"},
}

// unparsed returns the line of a fault of the parser, and what to do.
func unparsed(b []byte, err error) (line int, _ error) {
	if at := indented.FindIndex(b); at != nil {
		return bytes.Count(b[:at[0]], []byte("\n")) + 1, errors.New("a tab: use spaces")
	}
	what := strings.TrimPrefix(err.Error(), "yaml: ")
	if at := strings.Index(what, "line "); at >= 0 {
		if _, e := fmt.Sscanf(what[at:], "line %d:", &line); e == nil {
			_, what, _ = strings.Cut(what[at:], ": ")
		}
	}
	for _, s := range slips {
		if strings.Contains(what, s.says) {
			return line, errors.New(s.means)
		}
	}
	return line, fmt.Errorf("not valid YAML (%s): compare it with configs/fairbore.yaml", what)
}

// text finds the first line that is not valid text, since the parser would not say where it is.
func text(b []byte) (line int, err error) {
	for i, l := range bytes.Split(b, []byte("\n")) {
		if !utf8.Valid(l) {
			return i + 1, errors.New("not UTF-8: save the file as UTF-8")
		}
		if at := bytes.IndexFunc(l, func(r rune) bool { return r < ' ' && r != '\t' && r != '\r' || r == 0x7f }); at >= 0 {
			return i + 1, fmt.Errorf("a control character (%#02x): take it out", l[at])
		}
	}
	return 0, nil
}

// decode fills a configuration from the parsed file. A value that can't be decoded is a fault and
// is removed, so that everything else is still decoded and checked.
func (l *loader) decode(k *koanf.Koanf) *Config {
	for {
		c := defaults()
		before := len(l.faults)
		l.decodeFaults(k.UnmarshalWithConf("", c, koanf.UnmarshalConf{DecoderConfig: &mapstructure.DecoderConfig{
			TagName: "koanf", ErrorUnused: true, DecodeHook: mapstructure.DecodeHookFuncType(convert),
		}}))
		if len(l.faults) == before {
			return c
		}
		tree := k.Raw()
		for _, f := range l.faults[before:] {
			remove(tree, f.(*Fault).Key)
		}
		k = koanf.NewWithConf(koanf.Conf{Delim: delim})
		if err := k.Load(confmap.Provider(tree, ""), nil); err != nil { // it was loaded before
			l.fault("", "%w", err)
			return c
		}
	}
}

// remove removes the value at a key path from a tree.
func remove(tree any, key string) {
	head, rest, more := strings.Cut(key, ".")
	head, index, _ := strings.Cut(head, "[")
	m, ok := tree.(map[string]any)
	if !ok {
		return
	}
	for name := range m { // like the decoder, ignore upper and lower case in keys
		if strings.EqualFold(name, head) {
			head = name
		}
	}
	list, isList := m[head].([]any)
	switch n, err := strconv.Atoi(strings.TrimSuffix(index, "]")); {
	case !more:
		delete(m, head)
	case isList && err == nil && n < len(list):
		remove(list[n], rest)
	case index == "":
		remove(m[head], rest)
	}
}

type loader struct {
	name   string
	lines  map[string]int // by key path
	faults []error
}

// index notes the line of every key. It refuses null, which YAML allows but a configuration must
// not have.
func (l *loader) index(n *yaml.Node, key string) {
	l.lines[strings.ToLower(key)] = n.Line
	switch n.Kind {
	case yaml.MappingNode:
		for i := 0; i+1 < len(n.Content); i += 2 {
			sub := n.Content[i].Value
			if key != "" {
				sub = key + "." + sub
			}
			l.index(n.Content[i+1], sub)
			l.lines[strings.ToLower(sub)] = n.Content[i].Line
		}
	case yaml.SequenceNode:
		for i, item := range n.Content {
			l.index(item, fmt.Sprintf("%s[%d]", key, i))
		}
	case yaml.ScalarNode:
		if n.Tag == "!!null" {
			l.fault(key, "has no value: give one, or take the line out")
		}
	}
}

// fault notes a fault at a key. If the key is not in the file, the fault gets the line of the
// nearest key above it.
//
// Only the first fault of a key is noted, since a value that could not be read causes the others.
func (l *loader) fault(key, format string, args ...any) {
	if key != "" && slices.ContainsFunc(l.faults, func(e error) bool { return e.(*Fault).Key == key }) {
		return
	}
	l.faults = append(l.faults, l.at(key, format, args...))
}

// at returns a fault with its line: that of the key, or of what it is in.
func (l *loader) at(key, format string, args ...any) *Fault {
	f := &Fault{File: l.name, Key: key, Err: fmt.Errorf(format, args...)}
	for k := strings.ToLower(key); f.Line == 0 && k != ""; {
		f.Line = l.lines[k]
		if i := strings.LastIndexAny(k, ".["); i >= 0 {
			k = k[:i]
		} else {
			k = ""
		}
	}
	return f
}

// decodeFaults separates the faults that the decoder found.
func (l *loader) decodeFaults(err error) {
	if err == nil {
		return
	}
	if many, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range many.Unwrap() {
			l.decodeFaults(e)
		}
		return
	}
	d, ok := err.(*mapstructure.DecodeError) // the error itself, not one joined inside
	if !ok {
		if sub := errors.Unwrap(err); sub != nil {
			l.decodeFaults(sub)
			return
		}
		l.fault("", "%w", err)
		return
	}
	key := keyPath(d.Name())
	why := d.Unwrap()
	if many, ok := why.(interface{ Unwrap() []error }); ok {
		for _, e := range many.Unwrap() {
			l.decodeFaults(e)
		}
		return
	}
	const unused = "has invalid keys: "
	if s := why.Error(); strings.HasPrefix(s, unused) {
		for _, k := range strings.Split(s[len(unused):], ", ") {
			if key != "" {
				k = key + "." + k
			}
			l.fault(k, "unknown key: see configs/fairbore.yaml for the keys there are")
		}
		return
	}
	l.fault(key, "%w", why)
}

// keyPath converts the decoder's name of a place, with map keys in brackets, into the key path as a
// person writes it, with brackets only around list indexes.
func keyPath(name string) string {
	var b strings.Builder
	for len(name) > 0 {
		i := strings.IndexByte(name, '[')
		if i < 0 {
			b.WriteString(name)
			break
		}
		b.WriteString(name[:i])
		j := strings.IndexByte(name[i:], ']')
		if j < 0 {
			b.WriteString(name[i:])
			break
		}
		in := name[i+1 : i+j]
		if strings.Trim(in, "0123456789") == "" {
			b.WriteString("[" + in + "]")
		} else {
			b.WriteString("." + in)
		}
		name = name[i+j+1:]
	}
	return strings.TrimPrefix(b.String(), ".")
}

var (
	typeLength    = reflect.TypeFor[analysis.Length]()
	typeDeviation = reflect.TypeFor[analysis.Deviation]()
	typeDuration  = reflect.TypeFor[time.Duration]()
	typeUnit      = reflect.TypeFor[analysis.Unit]()

	typeTemperature = reflect.TypeFor[analysis.Temperature]()
	typeForce       = reflect.TypeFor[Force]()
)

// convert converts the text of a length, unit or duration into its value. It refuses a number
// without its unit, and a fraction where a whole number is needed.
func convert(from, to reflect.Type, v any) (any, error) {
	if to.Kind() != reflect.Pointer && to.Kind() != reflect.Interface {
		if err := shape(from.Kind(), to.Kind()); err != nil {
			return nil, err
		}
	}
	text, isText := v.(string)
	if n, ok := v.(int); ok && n == 0 && slices.Contains([]reflect.Type{typeLength, typeDeviation, typeDuration}, to) {
		return reflect.Zero(to).Interface(), nil // 0 is the same in each unit
	}
	switch to {
	case typeLength, typeDeviation:
		if !isText {
			return nil, fmt.Errorf("%v has no unit: write it as \"%v mm\" or in um, in, uin", v, v)
		}
		l, err := analysis.ParseLength(text)
		if to == typeDeviation {
			return analysis.Deviation(l), err
		}
		return l, err
	case typeDuration:
		if !isText {
			return nil, fmt.Errorf("%v has no unit: write it as \"%vs\" or in ms, m, h", v, v)
		}
		d, err := time.ParseDuration(strings.ReplaceAll(text, " ", ""))
		if err != nil {
			return nil, fmt.Errorf("%q is not valid: give a duration such as 300ms or 30m", text)
		}
		return d, nil
	case typeTemperature:
		return temperature(v)
	case typeForce:
		return force(v)
	case typeUnit:
		u, err := analysis.ParseUnit(text)
		if !isText || err != nil || u == analysis.NoUnit {
			return nil, fmt.Errorf("%v is not valid: give mm, um, in or uin", v)
		}
		return u, nil
	}
	if f, ok := v.(float64); ok && to.Kind() == reflect.Int && f != float64(int(f)) {
		return nil, fmt.Errorf("%v is not valid: give a whole number", v)
	}
	switch k := to.Kind(); {
	case k == reflect.String && from.Kind() != reflect.String:
		return nil, fmt.Errorf("%v is not text: put it in quotes", v)
	case k == reflect.Bool && from.Kind() != reflect.Bool:
		return nil, fmt.Errorf("%v is not valid: give true or false", v)
	case (k == reflect.Int || k == reflect.Float64) && isText:
		return nil, fmt.Errorf("%q is not valid: give a number without quotes or unit", text)
	}
	return v, nil
}

// shape returns what is wrong where a value has the shape of another: one value, a list, or keys.
func shape(from, to reflect.Kind) error {
	switch {
	case to == reflect.Slice && from != reflect.Slice:
		return errors.New("is not a list: write [a, b], or a line with - for each")
	case (to == reflect.Struct || to == reflect.Map) && from != reflect.Map:
		return errors.New("has no keys: write its keys in the lines below it, indented")
	case from == reflect.Slice && to != reflect.Slice:
		return errors.New("is a list: give one value")
	case from == reflect.Map && to != reflect.Map && to != reflect.Struct:
		return errors.New("has keys below it: give one value")
	}
	return nil
}

// force reads a force: "1 N", "0.8 N".
func force(v any) (any, error) {
	text, _ := v.(string)
	number, found := strings.CutSuffix(strings.TrimSpace(text), "N")
	n, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if !found || err != nil || math.IsNaN(n) || math.IsInf(n, 0) {
		return nil, fmt.Errorf("%v is not valid: give a force with its unit, such as \"1 N\"", v)
	}
	return Force(n), nil
}

// temperature reads a temperature or a difference of two: "1 K", "21.5 °C".
func temperature(v any) (any, error) {
	text, ok := v.(string)
	number, found := strings.CutSuffix(strings.TrimSpace(text), "K")
	if !found {
		number, found = strings.CutSuffix(strings.TrimSpace(text), "°C")
	}
	if !ok || !found {
		return nil, fmt.Errorf("%v is not valid: give a temperature with its unit, such as \"1 K\" or \"21.5 °C\"", v)
	}
	var t analysis.Temperature
	if err := t.UnmarshalJSON([]byte(strings.TrimSpace(number))); err != nil {
		return nil, err
	}
	return t, nil
}

// defaults returns the usual settings of the trade (common practice).
func defaults() *Config {
	um := analysis.Deviation(analysis.Micrometre)
	usual := master.UsualLapse()
	return &Config{
		Journal: Journal{Path: "fairbore.db"},
		Web:     Web{Listen: "127.0.0.1:8080", Actions: true, Names: []string{}, Proxies: []string{}},
		Record:  Record{Dir: "recordings", Max: 64},
		Master: Mastering{
			Readings: 3, Spread: um / 2, MaxAge: usual.Age, MaxReadings: usual.Readings, Temperature: usual.Temperature,
			BeforeAccept: usual.Fresh, ReadingsBeforeAccept: usual.FreshReadings,
		},
		Doubt: Doubt{Drift: um * 3 / 10, Contact: um * 5 / 100, PartWithin: analysis.Celsius, RingWithin: 2 * analysis.Celsius},
		Guard: "1.645u", Shift: usualShift,
	}
}
