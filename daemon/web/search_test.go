package web

import (
	"context"
	"html"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"
)

// catalogue is a History that keeps what it was asked for, and has one part for everything.
type catalogue struct {
	shelf
	got     *PartFilter
	earlier uint64
}

func (c catalogue) Parts(ctx context.Context, f PartFilter) ([]PartLine, uint64, error) {
	*c.got = f
	lines, _, err := c.shelf.Parts(ctx, PartFilter{})
	return lines, c.earlier, err
}

// Each field of the search reaches the journal as it was typed, and the page shows it again as text
// and nothing else, whatever it is.
func TestSearchOfParts(t *testing.T) {
	cfg, src := everything(true)
	c := catalogue{cfg.History.(shelf), &PartFilter{}, 77}
	cfg.History, cfg.Zone = c, time.FixedZone("shop", -7*3600)
	s := serve(t, cfg, src)
	for _, text := range []string{"0007", `' or 1=1; drop table event; --`, `"><script>alert(1)</script>`, "{{.Filter}}", "ü 溝\u202e", "%00%ff", strings.Repeat("x", 5000)} {
		q := url.Values{}
		for _, name := range []string{"part", "job", "station", "outcome", "gauge", "person"} {
			q.Set(name, " "+text+" ")
		}
		q.Set("from", "2026-11-02")
		q.Set("to", "2026-11-30")
		status, _, body := get(t, s, "/history?"+q.Encode())
		if status != http.StatusOK {
			t.Fatalf("%.40q: %d", text, status)
		}
		f := *c.got
		if f.Part != text || f.Job != text || f.Station != text || f.Outcome != text || f.Gauge != text || f.Person != text {
			t.Errorf("%.40q: asked for %.300v", text, f)
		}
		if first, last := time.Date(2026, 11, 2, 0, 0, 0, 0, cfg.Zone), time.Date(2026, 12, 1, 0, 0, 0, 0, cfg.Zone); !f.From.Equal(first) || !f.To.Equal(last) {
			t.Errorf("from %s to %s", f.From, f.To)
		}
		if strings.Contains(body, "<script>alert") || !strings.Contains(html.UnescapeString(body), `value="`+text+`"`) {
			t.Errorf("%.40q is not shown as it was typed", text)
		}
		if !strings.Contains(body, "before=77") || !strings.Contains(body, `value="2026-11-02"`) || !strings.Contains(body, `value="2026-11-30"`) {
			t.Error("what goes on, or the days, are not there")
		}
	}
	*c.got = PartFilter{}
	if status, _, body := get(t, s, "/history?from=yesterday&to=2026-11-30"); status != http.StatusOK || !strings.Contains(html.UnescapeString(body), en.Text("page.order.day", "yesterday")) || c.got.Limit != 0 {
		t.Errorf("a day that is none: %d, asked for %v", status, *c.got)
	}
	if _, _, body := get(t, s, "/history?from=2026-11-30&to=2026-11-02"); !strings.Contains(html.UnescapeString(body), en.Text("page.order.days")) || c.got.Limit != 0 {
		t.Error("days that are back to front are not told")
	}
	get(t, s, "/history?before=nonsense")
	if c.got.Before != 0 || c.got.Limit != historyShown {
		t.Errorf("%v", *c.got)
	}
	if status, _, _ := get(t, s, "/history?part="+strings.Repeat("y", 64<<10)); status != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("a query of 64 KiB: %d", status)
	}
	if status, _, _ := get(t, s, "/history"); status != http.StatusOK {
		t.Errorf("after it: %d", status)
	}
}

// The days of the links are those of a calendar, and the other fields stay.
func TestDaysOfTheSearch(t *testing.T) {
	a := partsAsked{PartFilter: PartFilter{Job: "J & 1"}, FirstDay: "2026-11-30", LastDay: "2026-11-30"}
	for now, want := range map[string][3]string{ // of a Monday, a Sunday, the first of a year
		"2026-11-30": {"2026-11-30", "2026-11-30", "2026-11-01"}, "2026-11-29": {"2026-11-29", "2026-11-23", "2026-11-01"}, "2027-01-01": {"2027-01-01", "2026-12-28", "2027-01-01"},
	} {
		at, err := time.ParseInLocation(time.DateOnly, now, time.Local)
		if err != nil {
			t.Fatal(err)
		}
		got := a.presets(at.Add(23 * time.Hour))
		if got[0].To != "/history?job=J+%26+1" || got[0].Chosen {
			t.Errorf("all days: %+v", got[0])
		}
		for i, from := range want {
			if to := "/history?from=" + from + "&job=J+%26+1&to=" + now; got[i+1].To != to || got[i+1].Chosen != (from == "2026-11-30" && now == from) {
				t.Errorf("%s: %+v, want %s", now, got[i+1], to)
			}
		}
	}
}
