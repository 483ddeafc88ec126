package publishtest

import (
	"reflect"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/daemon/event"
)

// fill sets every field of a value to something that isn't zero, so that the JSON leaves no
// property out.
func fill(v reflect.Value) {
	switch v.Interface().(type) {
	case time.Time:
		v.Set(reflect.ValueOf(time.Date(2026, 11, 25, 9, 30, 0, 123_000_000, time.FixedZone("", 3600))))
		return
	case analysis.Basis:
		v.SetString(string(analysis.ByAssumption))
		return
	case analysis.Unit:
		v.Set(reflect.ValueOf(analysis.IN))
		return
	case analysis.Length:
		v.SetInt(222_277_501)
		return
	case analysis.Deviation:
		v.SetInt(-27_503)
		return
	case analysis.Angle:
		v.SetInt(90_500)
		return
	case event.State:
		v.SetString(string(event.InSize))
		return
	case analysis.Phrase:
		every := []any{
			analysis.Deviation(-27_503), analysis.Place{Depth: 222_277_501, Angle: 90_500}, "R-1250", analysis.Say("bore.missing", 3),
			21 * analysis.Celsius, 90 * time.Second, analysis.Number{Value: 1.25, Places: 2}, time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC),
		}
		p := analysis.Say("bore.nothing", every...)
		p.Text = "what a person reads"
		v.Set(reflect.ValueOf(p))
		return
	case advise.ActionKind:
		v.SetString(string(advise.Hone))
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem())
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		fill(v.Index(0))
	case reflect.Map:
		key, value := reflect.New(v.Type().Key()).Elem(), reflect.New(v.Type().Elem()).Elem()
		fill(key)
		fill(value)
		v.Set(reflect.MakeMap(v.Type()))
		v.SetMapIndex(key, value)
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				fill(v.Field(i))
			}
		}
	case reflect.String:
		v.SetString("front")
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Int, reflect.Int64, reflect.Int32:
		v.SetInt(1)
	case reflect.Uint8, reflect.Uint64:
		v.SetUint(1)
	case reflect.Float64:
		v.SetFloat(1.5)
	}
}

// Full returns a value with every exported field set, for the kinds of field that fill knows.
func Full[T any]() *T {
	v := new(T)
	fill(reflect.ValueOf(v).Elem())
	return v
}
