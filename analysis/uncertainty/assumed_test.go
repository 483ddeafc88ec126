package uncertainty

import (
	"slices"
	"testing"
)

// What is assumed matters from a tenth of the variance on, alone or together.
func TestAssumed(t *testing.T) {
	for _, c := range []struct {
		shares map[string]float64 // of assumed components
		want   []string
	}{
		{nil, nil},
		{map[string]float64{"a": 9.9}, nil},
		{map[string]float64{"a": 10}, []string{"a"}},
		{map[string]float64{"a": 6, "b": 5}, []string{"a"}},
		{map[string]float64{"a": 6, "b": 7, "c": 8}, []string{"c", "b"}},
		{map[string]float64{"a": 60, "b": 9}, []string{"a"}},
	} {
		b := Budget{Model: Model{Components: []Component{{Name: "stated", Basis: ByStatement, Share: 50}, {Name: "measured", Basis: ByMeasurement, Share: 30}}}}
		for _, name := range []string{"a", "b", "c"} {
			if share, ok := c.shares[name]; ok {
				b.Components = append(b.Components, Component{Name: name, Basis: ByAssumption, Share: share})
			}
		}
		var got []string
		for _, l := range b.Assumed() {
			got = append(got, l.Name)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%v: %q, want %q", c.shares, got, c.want)
		}
	}
}
