package web

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/daemon/web/shoptest"
	"fairbore/daemon/web/view"
)

// serve serves a shop until the test ends.
func serve(t testing.TB, cfg Config, src Source) *Server {
	t.Helper()
	s, _ := serveUntil(t, cfg, src)
	return s
}

// serveUntil serves a shop until stop is called, or the test ends.
func serveUntil(t testing.TB, cfg Config, src Source) (s *Server, stop func()) {
	t.Helper()
	cfg.Listen = "127.0.0.1:0"
	s, err := Listen(cfg, src, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the server ended with %v", err)
		}
	})
	t.Cleanup(stop)
	return s, stop
}

func everything(actions bool) (Config, *shop) {
	st := shoptest.States()
	var bores []*state.Bore
	for _, n := range slices.Sorted(maps.Keys(st)) {
		bores = append(bores, st[n])
	}
	done := shoptest.Began("bay2", shoptest.Sleeve()).Master().Rounds(shoptest.SleeveRounds, 6, 0)
	done.Tell(event.Event{Kind: event.Voided, Void: &event.Void{No: 36, Reason: analysis.Quote("dirt <b>")}})
	return Config{
		Actions: actions, Version: "test", History: shelf{done},
		Jobs: func(string) []*analysis.Job {
			return []*analysis.Job{shoptest.Bush(), shoptest.Sleeve(), shoptest.Valve(), shoptest.Tube()}
		},
		Entry: testEntry(), Records: newMaker(),
	}, newShop(bores...)
}

func get(t *testing.T, s *Server, path string) (int, http.Header, string) {
	t.Helper()
	resp, err := http.Get("http://" + s.Addr() + path)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, resp.Header, string(b)
}

func pagesToTry() []string {
	return []string{
		"/station/rough", "/wall", "/history", "/history?job=J-4112", "/part/bay2/3", "/part/bay2/3?unit=mm&comma=1",
		"/plan", "/plan?job=J-4107&process=pressed&bush_outside=28.6mm&housing=28.56mm&boss=63.5mm&bush=bronze&hub=iron", "/plan?nominal=abc", "/study/marks", "/study/marks/5", "/study/ready", "/station/ready/job", "/station/ready/job?from=J-4107", "/records", "/records?what=part&job=J-4112&part=0007&station=ready",
	}
}

// A page keeps to this server: nothing is loaded from elsewhere, nothing runs
// that is written in it, no other page can hold it.
func TestPagesKeepToThisServer(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	for _, path := range pagesToTry() {
		status, h, body := get(t, s, path)
		if status != http.StatusOK {
			t.Errorf("%s: %d %s", path, status, body)
			continue
		}
		csp := h.Get("Content-Security-Policy")
		for _, want := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "connect-src 'self'", "frame-ancestors 'none'"} {
			if !strings.Contains(csp, want) {
				t.Errorf("%s: policy %q lacks %q", path, csp, want)
			}
		}
		if strings.Contains(csp, "unsafe") || h.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: headers %v", path, h)
		}
		for _, bad := range []string{` style="`, ` onclick`, "<style", "javascript:"} {
			if strings.Contains(body, bad) {
				t.Errorf("%s: has %q, which the policy forbids", path, bad)
			}
		}
		for _, m := range regexp.MustCompile(`(?:src|href|action)="([^"]*)"`).FindAllStringSubmatch(body, -1) {
			if !strings.HasPrefix(m[1], "/") && !strings.HasPrefix(m[1], "#") {
				t.Errorf("%s: goes to %q", path, m[1])
			}
		}
		for _, m := range regexp.MustCompile(`<script([^>]*)>([^<]*)`).FindAllStringSubmatch(body, -1) {
			data := strings.HasPrefix(m[1], ` type="application/json"`) && json.Valid([]byte(m[2])) // which is not run
			if strings.TrimSpace(m[2]) != "" && !data {
				t.Errorf("%s: a script is written in the page", path)
			}
		}
	}
}

// All that a page loads is small enough for a weak network: at most 200 KB.
func TestPageWeight(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	_, _, page := get(t, s, "/station/rough")
	weight := len(page)
	err := fs.WalkDir(files, "static", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		status, _, body := get(t, s, "/"+path)
		if status != http.StatusOK {
			t.Errorf("%s: %d", path, status)
		}
		weight += len(body)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("page, styles and scripts: %d bytes", weight)
	if weight > 200_000 {
		t.Errorf("page, styles and scripts weigh %d bytes, want at most 200 000", weight)
	}
}

func TestNotFound(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	for _, path := range []string{"/station/none", "/station/none/view", "/station/none/bore", "/part/bay2/99", "/part/bay2/x", "/static/../handlers.go", "/x"} {
		if status, _, _ := get(t, s, path); status != http.StatusNotFound {
			t.Errorf("%s: %d, want not found", path, status)
		}
	}
	bare := serve(t, Config{}, newShop())
	if status, _, _ := get(t, bare, "/history"); status != http.StatusNotFound {
		t.Error("a history is served that there is none of")
	}
}

func TestOneStationIsShownAtOnce(t *testing.T) {
	s := serve(t, Config{}, newShop(shoptest.Began("bay 1", shoptest.Bush()).Bore()))
	if status, _, body := get(t, s, "/"); status != http.StatusOK || !strings.Contains(body, `data-station="bay 1"`) {
		t.Errorf("/ shows %d %.80s", status, body)
	}
	cfg, src := everything(true)
	if _, _, body := get(t, serve(t, cfg, src), "/"); strings.Count(body, `class="tile"`) != len(src.order) {
		t.Error("/ of many stations is not the wall with a tile each")
	}
}

// An address that can't be had says which, why and what to do.
func TestAddressIsRefused(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	for addr, says := range map[string]string{
		s.Addr():         "another program has " + s.Addr() + ", perhaps another fairbore: stop that, or give another port",
		"192.0.2.1:8080": "give an address of this machine", // of a network for documentation (RFC 5737)
	} {
		cfg.Listen = addr
		if again, err := Listen(cfg, src, zerolog.Nop()); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v, %v", addr, again, err)
		}
	}
}

// Actions are taken from this server's own pages only, as JSON, of bounded size.
func TestActions(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	good := `{"id":"1","do":"record"}`
	for _, c := range []struct {
		what, body string
		header     map[string]string
		want       int
	}{
		{"own page", good, map[string]string{"Content-Type": "application/json", "Origin": "http://" + s.Addr()}, 200},
		{"no page", good, map[string]string{"Content-Type": "application/json; charset=utf-8"}, 200},
		{"other page", good, map[string]string{"Content-Type": "application/json", "Origin": "http://elsewhere.example"}, 403},
		{"sandboxed page", good, map[string]string{"Content-Type": "application/json", "Origin": "null"}, 403},
		{"other page, origin withheld", good, map[string]string{"Content-Type": "application/json", "Sec-Fetch-Site": "cross-site"}, 403},
		{"form of another page", good, map[string]string{"Content-Type": "text/plain"}, 403},
		{"no type", good, nil, 403},
		{"unknown field", `{"id":"1","do":"record","x":1}`, map[string]string{"Content-Type": "application/json"}, 400},
		{"no JSON", `{`, map[string]string{"Content-Type": "application/json"}, 400},
		{"long", `{"id":"` + strings.Repeat("x", maxAction) + `"}`, map[string]string{"Content-Type": "application/json"}, 413},
	} {
		req, _ := http.NewRequest(http.MethodPost, "http://"+s.Addr()+"/station/rough/do", strings.NewReader(c.body))
		for k, v := range c.header {
			req.Header.Set(k, v)
		}
		before := len(src.did)
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != c.want || (len(src.did) > before) != (c.want == 200) {
			t.Errorf("%s: %d, want %d; done: %v", c.what, resp.StatusCode, c.want, len(src.did) > before)
		}
	}
	if src.did[0].Source != "page" {
		t.Errorf("the source of an action is %q", src.did[0].Source)
	}
}

func TestActionsSwitchedOff(t *testing.T) {
	cfg, src := everything(false)
	s := serve(t, cfg, src)
	resp, err := http.Post("http://"+s.Addr()+"/station/rough/do", "application/json", strings.NewReader(`{"do":"record"}`))
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusForbidden || len(src.did) > 0 {
		t.Errorf("%d with actions switched off", resp.StatusCode)
	}
	if _, _, body := get(t, s, "/station/rough"); strings.Contains(body, `data-do="record"`) {
		t.Error("the page offers what it may not do")
	}
}

// sse reads server-sent events (HTML standard, section 9.2) into a channel.
func sse(ctx context.Context, t *testing.T, url string) <-chan [2]string {
	t.Helper()
	req, _ := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	if resp.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("%s: %s", url, resp.Header.Get("Content-Type"))
	}
	out := make(chan [2]string, 1000)
	go func() {
		defer close(out)
		defer resp.Body.Close()
		in := bufio.NewScanner(resp.Body)
		in.Buffer(nil, 1<<20)
		event := ""
		for in.Scan() {
			if e, ok := strings.CutPrefix(in.Text(), "event: "); ok {
				event = e
			}
			if d, ok := strings.CutPrefix(in.Text(), "data: "); ok {
				out <- [2]string{event, d}
			}
		}
	}()
	return out
}

func next(t *testing.T, ch <-chan [2]string, event string) string {
	t.Helper()
	late := time.After(20 * time.Second)
	for {
		select {
		case e, ok := <-ch:
			if !ok {
				t.Fatalf("the stream ended before %s", event)
			}
			if e[0] == event {
				return e[1]
			}
		case <-late:
			t.Fatalf("no %s came", event)
		}
	}
}

// A viewer gets the whole state first, and again when it comes back.
func TestStreamBeginsWithTheWholeState(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	for range 2 {
		ctx, cancel := context.WithCancel(t.Context())
		ch := sse(ctx, t, "http://"+s.Addr()+"/station/closing/view?w=800&h=300&aw=300&ah=200")
		next(t, ch, "hello")
		var f view.Station
		if err := json.Unmarshal([]byte(next(t, ch, "face")), &f); err != nil || f.Figure == "" {
			t.Fatalf("face: %v %+v", err, f)
		}
		var d drawing
		if err := json.Unmarshal([]byte(next(t, ch, "picture")), &d); err != nil || !strings.HasPrefix(d.Cut, "<svg") || !strings.HasPrefix(d.Approach, "<svg") {
			t.Fatalf("picture: %v %.60s", err, d.Cut)
		}
		cancel()
		eventually(t, "the viewer to be let go", func() bool { return src.viewers() == 0 })
	}
}

// What has not changed is not sent again; a live value moves only the needle.
func TestOnlyWhatChangedIsSent(t *testing.T) {
	p := shoptest.Began("bay1", shoptest.Bush()).Master().Rounds(shoptest.BushRounds, 2, 0)
	src := newShop(p.Bore())
	s := serve(t, Config{}, src)
	ch := sse(t.Context(), t, "http://"+s.Addr()+"/station/bay1/view?unit=mm")
	next(t, ch, "picture")
	src.set(p.Bore())
	src.live(event.Live{Station: "bay1", Raw: shoptest.Bush().Low, Size: shoptest.Bush().Low - 3*analysis.Micrometre, InBore: true})
	var seen []string
	for len(seen) == 0 || seen[len(seen)-1] != "live" {
		select {
		case e := <-ch:
			seen = append(seen, e[0])
			if e[0] == "live" {
				var n view.Needle
				if json.Unmarshal([]byte(e[1]), &n) != nil || n.Above != -3 || n.Text != "22.2245 mm" || !n.InBore || !n.Known {
					t.Errorf("needle %s", e[1])
				}
			}
		case <-time.After(20 * time.Second):
			t.Fatalf("no live value; only %v", seen)
		}
	}
	if len(seen) != 1 && !slices.Equal(seen, []string{"beat", "live"}) {
		t.Errorf("sent %v for an unchanged state and a live value", seen)
	}
}

// A beat comes though nothing happens, so that a page can tell a dead link; it
// says which stations are out of reach.
func TestBeat(t *testing.T) {
	t.Parallel()
	s := serve(t, Config{}, newShop(unheard(shoptest.Began("bay1", shoptest.Bush()).Bore())))
	ch := sse(t.Context(), t, "http://"+s.Addr()+"/wall/view")
	var tl tile
	if err := json.Unmarshal([]byte(next(t, ch, "tile")), &tl); err != nil || tl.Station != "bay1" || tl.Cut == "" {
		t.Fatalf("tile %+v %v", tl, err)
	}
	if got := next(t, ch, "beat"); got != `{"bay1":"`+en.Say(switchedOff)+`"}` {
		t.Errorf("beat %s", got)
	}
}

// unheard returns a station that is out of reach, as a wall has it: its gauge may be well, and no
// size of it is shown.
func unheard(b *state.Bore) *state.Bore {
	far := *b
	far.Now = state.Now{Is: state.NoSignal, Sentence: analysis.Say("now.no_signal"), Reason: switchedOff}
	far.Gauge = &event.InstrumentState{Lost: true, Why: switchedOff}
	return &far
}

// A station that is out of reach is told as that, with since when: its gauge may be
// well, and no size of it is shown.
func TestOutOfReachIsNoSignal(t *testing.T) {
	b := shoptest.Began("bay1", shoptest.Bush()).Master().Rounds(shoptest.BushRounds, 3, 0).Bore()
	s := serve(t, Config{}, newShop(unheard(b)))
	for _, path := range []string{"/station/bay1/view", "/wall/view"} {
		ch := sse(t.Context(), t, "http://"+s.Addr()+path)
		var f view.Station
		if path == "/wall/view" {
			var tl tile
			if err := json.Unmarshal([]byte(next(t, ch, "tile")), &tl); err != nil {
				t.Fatal(err)
			}
			f = tl.Face
		} else if err := json.Unmarshal([]byte(next(t, ch, "face")), &f); err != nil {
			t.Fatal(err)
		}
		if f.Big != en.Text("face.big.no_signal") || f.Tone != view.None || f.Figure != "" || f.Gauge.Text == "gauge G-11 lost" || !strings.Contains(f.Reason, "10:42:00") || f.Part != "0007" {
			t.Errorf("%s: %+v", path, f)
		}
	}
}

// A viewer that takes nothing is dropped, and holds nobody up.
func TestStuckViewerIsDropped(t *testing.T) {
	t.Parallel()
	p := shoptest.Began("bay1", shoptest.Bush()).Master().Rounds(shoptest.BushRounds, 1, 0)
	src := newShop(p.Bore())
	s := serve(t, Config{}, src)
	conn, err := net.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.(*net.TCPConn).SetReadBuffer(4096)
	fmt.Fprintf(conn, "GET /station/bay1/view HTTP/1.1\r\nHost: %s\r\n\r\n", s.Addr())
	eventually(t, "the viewer", func() bool { return src.viewers() == 1 })
	var bores []*state.Bore // each is drawn anew
	for i := range 2 {
		p.Take(p.Fold.Job.Plan()[i], shoptest.Bush().Low-analysis.Micrometre)
		bores = append(bores, p.Bore())
	}
	end := time.Now().Add(writeTime + 2*time.Minute) // what the kernel holds must fill first
	for i := 0; src.viewers() > 0; i++ {
		if time.Now().After(end) {
			t.Fatal("a viewer that takes nothing is still served")
		}
		src.set(bores[i%2])
		time.Sleep(time.Millisecond)
	}
}

// Fifty stations are on one wall.
func TestWallOfFifty(t *testing.T) {
	var bores []*state.Bore
	for i := range 50 {
		bores = append(bores, shoptest.Began(fmt.Sprintf("bay%02d", i), shoptest.Valve()).Master().Rounds(shoptest.ValveRounds, 1+i%5, 0).Bore())
	}
	s := serve(t, Config{}, newShop(bores...))
	if _, _, body := get(t, s, "/wall"); strings.Count(body, `class="tile"`) != 50 {
		t.Error("not a tile for each of 50 stations")
	}
	ch := sse(t.Context(), t, "http://"+s.Addr()+"/wall/view")
	for range 50 {
		next(t, ch, "tile")
	}
}

func TestHistory(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	if _, _, body := get(t, s, "/history?job=J-4112"); !strings.Contains(body, `href="/part/bay2/3"`) || !strings.Contains(body, en.Text("outcome.unfinished")) {
		t.Error("the part is not in the list of its job")
	}
	if _, _, body := get(t, s, "/history?job=J-4112"); strings.Contains(body, "<svg xmlns") {
		t.Error("a lot is drawn though no part is finished")
	}
	v := &event.Verdict{Outcome: event.IsAccepted, Part: "0007", Job: "J-4112", Smallest: shoptest.Length("31.7511 mm"), Largest: shoptest.Length("31.7514 mm"), Readings: 6}
	cfg.History.(shelf).play.Tell(event.Event{Kind: event.Judged, Verdict: v})
	if _, _, body := get(t, s, "/history?job=J-4112"); !strings.Contains(body, `class="bar"`) || !strings.Contains(body, en.Text("outcome.accepted")) {
		t.Error("the finished part is not drawn in its lot")
	}
	if _, _, body := get(t, s, "/history?job=none"); strings.Contains(body, `/part/`) || !strings.Contains(body, en.Text("page.none.parts")) {
		t.Error("the list has what was not asked for")
	}
	_, _, body := get(t, s, "/part/bay2/3")
	for _, want := range []string{"<svg", en.Text("history.not_counted", analysis.Say("uncounted.void", "dirt &lt;b&gt;")), daemontest.Begins("history.mastered", "R-1250"), "1.2500|00 in", en.Text("history.round", 5, 4), en.Text("history.fact.chance"), strings.Split(en.Text("history.chance", analysis.Say("verdict.chance.flat", "|"), "|"), "|")[1]} {
		if !strings.Contains(body, want) {
			t.Errorf("the record lacks %q", want)
		}
	}
}

// The plan of the demo's bush: the closure of this press fit is 29 µm by the thick
// cylinder formulae (Lamé), as the demo's shop has it.
func TestPlan(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	_, _, body := get(t, s, "/plan?job=J-4107&process=pressed&bush_outside=28.6mm&housing=28.56mm&boss=63.5mm&bush=bronze&hub=iron")
	for _, want := range []string{"0.875200 in", "<svg", "close by about 28.77 µm"} {
		if !strings.Contains(strings.ToLower(body), strings.ToLower(want)) {
			t.Errorf("the plan lacks %q", want)
		}
	}
	if _, _, body := get(t, s, "/plan?nominal=7/8+in&low=7/8+in&high=0.8752+in"); !strings.Contains(body, "0.875200 in") || strings.Contains(body, "no unit") {
		t.Error("a fraction of an inch is not planned for")
	}
	if _, _, body := get(t, s, "/plan?nominal=28.6&low=x"); !strings.Contains(body, "no unit") || !strings.Contains(body, en.Text("plan.field.low")+":") {
		t.Error("faults of the request are not all told")
	}
	german := notation.Format{Language: notation.Spoken("de")}
	if _, _, body := get(t, s, "/plan?lang=de&job=J-4107&process=pressed&bush_outside=28,6mm&housing=28,56mm&boss=63,5mm&bush="+url.QueryEscape(german.Text("material.bronze"))+"&hub="+url.QueryEscape(german.Text("material.grey iron"))); !strings.Contains(body, "28,77 µm") {
		t.Error("materials are not found by their German names")
	}
	if _, _, body := get(t, s, "/station/ready/job?lang=de"); !strings.Contains(body, `<option value="tool steel">`+german.Text("material.tool steel")+"<") {
		t.Error("the form of a job does not offer materials by their German names")
	}
}

func TestRequestsAreBounded(t *testing.T) {
	for in, want := range map[string]float64{"w=99999": 1200, "w=NaN": 1200, "w=-5": 1200, "w=640": 640, "w=1e3": 1000} {
		req := httptest.NewRequest(http.MethodGet, "/?"+in, nil)
		if got := parseLook(req.URL.Query()).w; got != want {
			t.Errorf("%s: %g wide, want %g", in, got, want)
		}
	}
}

var (
	en    notation.Format
	coded = notation.Format{Language: notation.Codes()}
)

// silent holds once a page has said that it can't sound yet.
var silent = fmt.Sprintf(`document.getElementById("cautions").innerText.includes(%q)`, en.Text("script.silent"))
