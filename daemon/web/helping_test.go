package web

import (
	"html"
	"strings"
	"testing"

	"fairbore/analysis/notation"
	"fairbore/daemon/state"
	"fairbore/daemon/web/help"
)

// The help of a station tells first what its page shows, and of a code what it was opened for.
func TestHelpIsOfWhatIsShown(t *testing.T) {
	f := notation.Format{}
	title := func(topic string) string { return f.Text("help.title." + topic) }
	s := serve(t, Config{Actions: true}, newShop(&state.Bore{Station: "bay-2", Now: state.Now{Is: state.TooWarm}}))
	_, _, part := get(t, s, "/help?part&screen=station&station=bay-2&code=reading.spindle")
	spindle, warm := strings.Index(part, title("spindle")), strings.Index(part, title("warm"))
	if spindle < 0 || warm < spindle || strings.Contains(part, title("study")) || strings.Contains(part, "<html") || !strings.Contains(part, f.Text("help.screen.station")) {
		t.Errorf("the piece for a dialog:\n%s", part)
	}
	_, _, whole := get(t, s, "/help")
	for _, topic := range help.Topics() {
		if n := strings.Count(html.UnescapeString(whole), "<h3>"+title(string(topic))+"</h3>"); n != 1 {
			t.Errorf("%s stands %d times on the page of help", topic, n)
		}
	}
	for _, screen := range screens() {
		if _, _, p := get(t, s, "/help?screen="+screen); !strings.Contains(p, f.Text("help.screen."+screen)) {
			t.Errorf("the screen %s is not explained", screen)
		}
	}
	for _, odd := range []string{"/help?screen=<script>", "/help?station=%00&code=%ff&code=" + strings.Repeat("x", 5000), "/help?part"} {
		if _, _, p := get(t, s, odd); strings.Contains(p, "<script>") {
			t.Errorf("%s:\n%s", odd, p)
		}
	}
}
