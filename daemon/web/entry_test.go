package web

import (
	"encoding/json"
	"io"
	"maps"
	"net/http"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
)

// sleeveTyped is the demo's sleeve as a person types it.
func sleeveTyped() map[string]string {
	return map[string]string{
		"id": "J-5001", "title": "sleeve", "unit": "in", "material": "tool steel", "nominal": "1.2500", "low": "1.25000", "high": "+0.00010",
		"variation": "1 um", "length": "2.5", "face": "front", "sections": "5mm 32mm; 58 mm", "orientations": "0 90°", "ring": "R-1250",
		"interrupts": "10mm 12mm groove", "band": "",
	}
}

// A job as typed is the job that is meant: the unit of the drawing where none is
// written, limits as sizes or as deviations, lists with any of their separators.
func TestDraftIsRead(t *testing.T) {
	d := readDraft(sleeveTyped(), notation.Format{})
	d.check("bay2", testEntry(), nil)
	if len(d.faults) > 0 {
		t.Fatalf("faults %v", d.faults)
	}
	want := sleeve()
	j := &d.job
	if j.Low != want.Low || j.High != want.High || j.Target != want.Target || j.Length != want.Length || j.Band != want.Band {
		t.Errorf("limits %s %s %s, length %s, band %v", j.Low, j.High, j.Target, j.Length, j.Band)
	}
	if len(j.Plan()) != 6 || j.Plan()[5] != want.Plan()[5] || j.Variation != analysis.Deviation(analysis.Micrometre) {
		t.Errorf("plan %v, variation %v", j.Plan(), j.Variation)
	}
	if len(j.Interrupts) != 1 || j.Interrupts[0].What != "groove" || j.Interrupts[0].To != 12*analysis.Millimetre {
		t.Errorf("interrupts %+v", j.Interrupts)
	}
	if d.echo["high"] != "31.7525 mm · 1.250100 in" {
		t.Errorf("the high limit is echoed %q", d.echo["high"])
	}
}

// A fraction is read where the drawing is in inches.
func TestDraftByFraction(t *testing.T) {
	text := sleeveTyped()
	text["nominal"] = "1-1/4"
	d := readDraft(text, notation.Format{})
	if d.check("bay2", testEntry(), nil); len(d.faults) > 0 || d.job.Nominal != sleeve().Nominal || !strings.Contains(d.echo["nominal"], "1.25") {
		t.Errorf("1-1/4 is %s, echoed %q; faults %v", d.job.Nominal, d.echo["nominal"], d.faults)
	}
}

// The class of a hole stands for its limits: 25 H7 is +21 µm and 0 (ISO 286-1:2010,
// Tables 1 and 2).
func TestDraftByClass(t *testing.T) {
	text := sleeveTyped()
	maps.Copy(text, map[string]string{"unit": "mm", "nominal": "25", "class": "H7", "low": "", "high": "", "length": "60", "ring": "R-0875"})
	d := readDraft(text, notation.Format{})
	if d.job.Low != 25*analysis.Millimetre || d.job.High != 25*analysis.Millimetre+21*analysis.Micrometre {
		t.Errorf("25 H7 is %s to %s", d.job.Low, d.job.High)
	}
	d.check("bay2", testEntry(), nil)
	if len(d.ask) != 1 || !strings.Contains(d.ask[0], "R-0875") {
		t.Errorf("a ring that is 2.8 mm from the target is asked about so: %q", d.ask)
	}
}

// What is wrong is said at the field that it is wrong in, in plain words.
func TestDraftFaults(t *testing.T) {
	for name, c := range map[string]struct {
		change map[string]string
		field  string
		says   string
	}{
		"no name":          {map[string]string{"id": " "}, "id", "name"},
		"name of the shop": {map[string]string{"id": "J-4107"}, "id", "another name"},
		"no number":        {map[string]string{"nominal": "about 30"}, "nominal", "not a length"},
		"too fine":         {map[string]string{"nominal": "1-1/3"}, "nominal", "finer than 0.1 nm"},
		"many decimals":    {map[string]string{"nominal": "1.2500000000000000000001"}, "nominal", "finer than 0.1 nm"},
		"too large":        {map[string]string{"nominal": "99999999999999999999"}, "nominal", "too large"},
		"fraction of mm":   {map[string]string{"nominal": "31-3/4 mm"}, "nominal", "a fraction is of inches"},
		"mm for inch":      {map[string]string{"nominal": "31.75", "low": "", "high": "", "class": "H7"}, "class", "500 mm"},
		"limits crossed":   {map[string]string{"high": "1.2499"}, "high", "above the low limit"},
		"shaft":            {map[string]string{"class": "h7", "low": "", "high": ""}, "class", "shaft"},
		"class and limits": {map[string]string{"class": "H7"}, "class", "not both"},
		"no limits":        {map[string]string{"low": "", "high": ""}, "low", "both limits"},
		"target outside":   {map[string]string{"target": "1.26"}, "target", "between"},
		"no wall":          {map[string]string{"outside": "1.25"}, "outside", "above that of the bore"},
		"depth outside":    {map[string]string{"sections": "5mm 90mm"}, "sections", "outside the bore"},
		"depth in groove":  {map[string]string{"sections": "5mm 11mm"}, "sections", "groove"},
		"no depths":        {map[string]string{"sections": ""}, "sections", "depths"},
		"too many":         {map[string]string{"sections": strings.Repeat("1 ", 300)}, "sections", "too much"},
		"no angle":         {map[string]string{"orientations": "0 east"}, "orientations", "degrees"},
		"ring not there":   {map[string]string{"ring": "R-9"}, "ring", "no ring"},
		"no unit":          {map[string]string{"unit": "furlong"}, "unit", "inches"},
		"half a groove":    {map[string]string{"interrupts": "9"}, "interrupts", "from, to"},
		"no material":      {map[string]string{"material": ""}, "material", "made of"},
	} {
		text := sleeveTyped()
		maps.Copy(text, c.change)
		d := readDraft(text, notation.Format{})
		d.check("bay2", testEntry(), nil)
		if !strings.Contains(d.faults[c.field], c.says) {
			t.Errorf("%s: want %q at %s, got %q", name, c.says, c.field, d.faults)
		}
	}
}

// What is usual is offered where nothing is typed yet.
func TestDraftOffersWhatIsUsual(t *testing.T) {
	text := sleeveTyped()
	maps.Copy(text, map[string]string{"unit": "mm", "nominal": "31.75", "length": "63.5", "sections": ""})
	if d := readDraft(text, notation.Format{}); d.usual["sections"] != "4 32 59" || d.usual["orientations"] != "0 90" {
		t.Errorf("offered %q", d.usual)
	}
}

// Any job of the shop, typed as the page would copy it, is that job again.
func TestTypedJobIsTheJob(t *testing.T) {
	thick := sleeve()
	thick.Outside = length("2.5 in")
	for _, j := range []*analysis.Job{bush(), sleeve(), valve(), tube(), thick} {
		text := typed(j)
		text["id"] = "J-1"
		got := readDraft(text, notation.Format{}).job
		got.ID = j.ID
		a, err1 := json.Marshal(j)
		b, err2 := json.Marshal(&got)
		if err1 != nil || err2 != nil || string(a) != string(b) {
			t.Errorf("%s became\n%s\nwas\n%s", j.ID, b, a)
		}
	}
}

func post(t *testing.T, s *Server, path, body string, header map[string]string) (int, string) {
	t.Helper()
	req, err := http.NewRequest(http.MethodPost, "http://"+s.Addr()+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	for k, v := range header {
		req.Header.Set(k, v)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(b)
}

// Typing does nothing; saving works to the job, once nothing is wrong with it.
func TestEnterJob(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	say := func(text map[string]string, save bool) (out entryReply) {
		b, err := json.Marshal(entryPosted{ID: "x", Text: text, Save: save})
		if err != nil {
			t.Fatal(err)
		}
		status, body := post(t, s, "/station/ready/job?w=400&h=200", string(b), nil)
		if err := json.Unmarshal([]byte(body), &out); err != nil || status != http.StatusOK {
			t.Fatalf("%d %v %s", status, err, body)
		}
		return out
	}
	if out := say(sleeveTyped(), false); !strings.HasPrefix(out.Cut, "<svg") || out.Reply != nil || len(src.did) > 0 || !strings.Contains(out.Plan, "6 places") {
		t.Errorf("typing: %+v", out)
	}
	bad := sleeveTyped()
	bad["ring"] = ""
	if out := say(bad, true); out.Faults["ring"] == "" || len(src.did) > 0 {
		t.Error("a job without a ring was taken")
	}
	src.reply = func(a event.Action) event.Reply {
		return event.Reply{ID: a.ID, Do: a.Do, Ask: true, Why: analysis.Quote("a part is open")}
	}
	if out := say(sleeveTyped(), true); out.Reply == nil || !out.Reply.Ask {
		t.Error("the tool's question is not passed on")
	}
	if a := src.did[0]; a.Do != "job" || a.Spec == nil || a.Spec.ID != "J-5001" || a.Source != "page" {
		t.Errorf("done: %+v", a)
	}
}

// Nobody enters a job from elsewhere, or where the page only shows.
func TestEnterJobIsGuarded(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	body := `{"id":"1","save":true,"text":{}}`
	if status, _ := post(t, s, "/station/ready/job", body, map[string]string{"Origin": "http://elsewhere.example"}); status != http.StatusForbidden {
		t.Errorf("from another page: %d", status)
	}
	if status, _ := post(t, s, "/station/ready/job", body, map[string]string{"Content-Type": "text/plain"}); status != http.StatusForbidden {
		t.Errorf("as a form: %d", status)
	}
	if status, _ := post(t, s, "/station/ready/job", `{"text":{"id":"`+strings.Repeat("x", maxAction)+`"}}`, nil); status != http.StatusRequestEntityTooLarge {
		t.Errorf("too long: %d", status)
	}
	cfg.Actions = false
	if status, _ := post(t, serve(t, cfg, src), "/station/ready/job", body, nil); status != http.StatusNotFound && status != http.StatusMethodNotAllowed {
		t.Errorf("where the page only shows: %d", status)
	}
	if len(src.did) > 0 {
		t.Errorf("done: %+v", src.did)
	}
}
