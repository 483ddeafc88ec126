package guide

import (
	"context"
	"encoding/json"
	"net/http"
	"time"

	"fairbore/analysis/notation"
)

// Pages is the server of the pages, as the handlers here need it.
type Pages struct {
	// Admits reports whether a request comes from a page of this server in a browser that may set up.
	// Posted does so too, and reads its body, JSON. Both have answered if they return false.
	Admits func(w http.ResponseWriter, r *http.Request) bool
	Posted func(w http.ResponseWriter, r *http.Request, into any) bool
	// SetsUp reports whether a person may set up, where people are named; or it has answered.
	SetsUp func(w http.ResponseWriter, r *http.Request, p Person) bool
	Words  func(r *http.Request) notation.Format
	// Answer answers with JSON. No answers why something is not done.
	Answer  func(w http.ResponseWriter, status int, v any)
	No      func(w http.ResponseWriter, r *http.Request, status int, why error)
	Stopped <-chan struct{} // closed when the server ends
}

// done is the answer to something that is done.
type done struct {
	Done bool `json:"done"`
}

// Serve adds the addresses of the devices.
func (d *Devices) Serve(mux *http.ServeMux, p Pages) {
	mux.HandleFunc("GET /setup/ports", func(w http.ResponseWriter, r *http.Request) {
		p.tell(w, r, "ports", func(done <-chan struct{}, send func(any) bool) { d.FollowPorts(done, p.Words(r), send) })
	})
	mux.HandleFunc("GET /setup/listen", func(w http.ResponseWriter, r *http.Request) {
		q := r.URL.Query()
		p.tell(w, r, "hearing", func(done <-chan struct{}, send func(any) bool) {
			d.FollowHearing(done, q.Get("gauge"), q.Get("station"), p.Words(r), send)
		})
	})
	mux.HandleFunc("GET /setup/contacts/stream", func(w http.ResponseWriter, r *http.Request) {
		q := r.URL.Query()
		p.tell(w, r, "contacts", func(done <-chan struct{}, send func(any) bool) {
			d.FollowContacts(done, q.Get("station"), q.Get("port"), p.Words(r), send)
		})
	})
	mux.HandleFunc("POST /setup/listen", func(w http.ResponseWriter, r *http.Request) {
		var in Wanted
		if !p.Posted(w, r, &in) || !p.SetsUp(w, r, in.Person) {
			return
		}
		if why := d.Begin(in); !why.IsZero() {
			p.No(w, r, http.StatusConflict, why)
			return
		}
		p.Answer(w, http.StatusOK, done{true})
	})
	mux.HandleFunc("POST /setup/listen/shown", func(w http.ResponseWriter, r *http.Request) {
		var in struct {
			Text string `json:"text"`
		}
		if !p.Posted(w, r, &in) {
			return
		}
		out, ok := d.Show(in.Text, p.Words(r))
		status := http.StatusOK
		if !ok {
			status = http.StatusConflict
		}
		p.Answer(w, status, out)
	})
	mux.HandleFunc("POST /setup/listen/stop", func(w http.ResponseWriter, r *http.Request) {
		var in struct{}
		if !p.Posted(w, r, &in) {
			return
		}
		d.Stop()
		p.Answer(w, http.StatusOK, done{true})
	})
}

// Times of a stream, as those of the other pages.
const (
	beat      = 2 * time.Second // something is sent at least this often
	writeTime = 5 * time.Second // a viewer that reads nothing for so long is disconnected
)

// tell runs a stream of server-sent events of one kind. It is for a browser that may set up, since
// it tells of programs of this machine and opens ports.
func (p *Pages) tell(w http.ResponseWriter, r *http.Request, kind string, say func(done <-chan struct{}, send func(any) bool)) {
	if !p.Admits(w, r) {
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	ctx, cancel := context.WithCancel(r.Context())
	defer cancel()
	go func() {
		select {
		case <-p.Stopped:
			cancel()
		case <-ctx.Done():
		}
	}()
	out := http.NewResponseController(w)
	var last time.Time
	say(ctx.Done(), func(v any) bool {
		name := kind
		if v == nil {
			if time.Since(last) < beat {
				return ctx.Err() == nil
			}
			name = "beat"
		}
		b, err := json.Marshal(v)
		if last = time.Now(); err != nil || out.SetWriteDeadline(last.Add(writeTime)) != nil {
			return false
		}
		_, err = w.Write(append(append([]byte("event: "+name+"\ndata: "), b...), "\n\n"...))
		return err == nil && out.Flush() == nil
	})
}
