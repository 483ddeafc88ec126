package analysis_test

import (
	"testing"

	"pgregory.net/rapid"

	"fairbore/analysis"
)

// The number appended is the one that Exact writes by long division.
func TestAppendJSONIsExact(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		l := analysis.Length(rapid.Int64Min(-1<<62).Draw(rt, "length"))
		for _, c := range []struct {
			got  []byte
			unit analysis.Unit
		}{{l.AppendJSON([]byte("x")), analysis.MM}, {analysis.Deviation(l).AppendJSON([]byte("x")), analysis.UM}} {
			want, err := l.Exact(c.unit)
			if err != nil {
				rt.Fatal(err)
			}
			if string(c.got) != "x"+want {
				rt.Errorf("%q, want x%s", c.got, want)
			}
		}
		a := analysis.Angle(rapid.Int32().Draw(rt, "angle"))
		if got := string(a.AppendJSON(nil)) + "°"; got != a.String() {
			rt.Errorf("%q, want %s", got, a)
		}
	})
}
