package daemontest

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"strconv"
	"strings"

	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// Page is the address of the page of the station.
func (r *Rig) Page() string { return "http://" + r.Web + "/station/bay2" }

// Bore gets the state from the page, nil if it does not answer.
func (r *Rig) Bore() *state.Bore { return r.BoreOf("bay2") }

// BoreOf gets the state of another station.
func (r *Rig) BoreOf(station string) *state.Bore {
	resp, err := http.Get("http://" + r.Web + "/station/" + station + "/bore")
	if err != nil {
		return nil
	}
	defer resp.Body.Close()
	var b state.Bore
	if resp.StatusCode != http.StatusOK || json.NewDecoder(resp.Body).Decode(&b) != nil {
		return nil
	}
	return &b
}

// Get returns what the program serves at a path, and its status.
func (r *Rig) Get(path string) (code int, body string) {
	r.T.Helper()
	resp, err := http.Get("http://" + r.Web + path)
	if err != nil {
		r.T.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		r.T.Fatal(err)
	}
	return resp.StatusCode, string(text)
}

// Do has an action carried out through the page's interface.
func (r *Rig) Do(a event.Action) event.Reply {
	r.T.Helper()
	body, err := json.Marshal(a)
	if err != nil {
		r.T.Fatal(err)
	}
	resp, err := http.Post("http://"+r.Web+"/station/bay2/do", "application/json", bytes.NewReader(body))
	if err != nil {
		r.T.Fatal(err)
	}
	defer resp.Body.Close()
	var reply event.Reply
	if err := json.NewDecoder(resp.Body).Decode(&reply); err != nil {
		r.T.Fatal(err)
	}
	return reply
}

// metrics returns the series of /metrics with their values (Prometheus
// documentation, "Exposition formats").
func (r *Rig) metrics() map[string]float64 {
	r.T.Helper()
	code, body := r.Get("/metrics")
	if code != http.StatusOK {
		r.T.Fatalf("/metrics: %d", code)
	}
	all := map[string]float64{}
	for l := range strings.Lines(body) {
		l = strings.TrimSpace(l)
		at := strings.LastIndexByte(l, ' ')
		if at < 0 || l[0] == '#' {
			continue
		}
		v, err := strconv.ParseFloat(l[at+1:], 64)
		if err != nil {
			r.T.Fatalf("%q: %v", l, err)
		}
		all[l[:at]] = v
	}
	return all
}

// Metric returns the value of a series, -1 if it is not there.
func (r *Rig) Metric(series string) float64 {
	r.T.Helper()
	if v, ok := r.metrics()[series]; ok {
		return v
	}
	return -1
}

// Counted sums the series of a station whose names begin so.
func (r *Rig) Counted(name, station string) (sum float64) {
	r.T.Helper()
	for series, v := range r.metrics() {
		if strings.HasPrefix(series, name) && strings.Contains(series, `"`+station+`"`) {
			sum += v
		}
	}
	return sum
}
