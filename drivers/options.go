package drivers

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// optionReader reads the options of a driver and collects their faults, so that all are reported
// together.
type optionReader struct {
	options Options
	faults  []string
}

func (r *optionReader) fault(name, format string, args ...any) {
	r.faults = append(r.faults, name+": "+fmt.Sprintf(format, args...))
}

func (r *optionReader) err() error {
	if r.faults == nil {
		return nil
	}
	return fmt.Errorf("%s", strings.Join(r.faults, "\n"))
}

func (r *optionReader) text(name string) string { return r.options[name] }

func (r *optionReader) is(name, value string) bool { return r.options[name] == value }

// number reads a whole number between low and high.
func (r *optionReader) number(name string, low, high int) int {
	v, err := strconv.Atoi(r.options[name])
	if err != nil || v < low || v > high {
		r.fault(name, "%q is not valid: give a whole number from %d to %d", r.options[name], low, high)
		return low
	}
	return v
}

// duration reads a time such as 300ms, between low and high.
func (r *optionReader) duration(name string, low, high time.Duration) time.Duration {
	v, err := time.ParseDuration(r.options[name])
	if err != nil || v < low || v > high {
		r.fault(name, "%q is not valid: give a time such as 300ms, from %v to %v", r.options[name], low, high)
		return low
	}
	return v
}

// bytes reads text with the escapes of a recording: \r \n \t \\ \x02.
func (r *optionReader) bytes(name string) []byte {
	b, err := unescape(r.options[name])
	if err != nil {
		r.fault(name, "%v", err)
	}
	return b
}

// list reads texts separated by commas, without the blanks around them. It returns nil if there are
// none.
func (r *optionReader) list(name string) []string {
	if strings.TrimSpace(r.options[name]) == "" {
		return nil
	}
	items := strings.Split(r.options[name], ",")
	for i := range items {
		items[i] = strings.TrimSpace(items[i])
		if items[i] == "" {
			r.fault(name, "%q: nothing between two commas", r.options[name])
		}
	}
	return items
}

// names reads a list of different names.
func (r *optionReader) names(name string) []string {
	items := r.list(name)
	for i, item := range items {
		if item != skipField && slices.Contains(items[:i], item) {
			r.fault(name, "%s: named twice", item)
		}
	}
	return items
}

// units reads a list of units: none, one for all of n fields, or one for each.
func (r *optionReader) units(name string, n int) []Unit {
	items := r.list(name)
	if items == nil {
		return make([]Unit, n)
	}
	if len(items) != 1 && len(items) != n {
		r.fault(name, "%d units for %d fields: give one for all, or one for each", len(items), n)
		return make([]Unit, n)
	}
	units := make([]Unit, 0, n)
	for i := range n {
		u, ok := parseUnit([]byte(items[min(i, len(items)-1)]))
		if !ok {
			r.fault(name, "%q is not valid: give mm, um, in, uin, deg or degC", items[min(i, len(items)-1)])
		}
		units = append(units, u)
	}
	return units
}
