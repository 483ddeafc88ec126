package publish

import (
	"fmt"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"
	"golang.org/x/crypto/bcrypt"

	"fairbore/daemon/broker"
	"fairbore/daemon/publishtest"
)

// With the broker in this process a command comes in and its reply goes out, all
// records arrive in order with nothing left to acknowledge, and the end is said.
func TestLocal(t *testing.T) {
	hash, err := bcrypt.GenerateFromPassword([]byte("p"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	url, _, b := publishtest.Embedded(t, broker.User{Name: "pedal", Hash: string(hash), Command: true})
	cfg := config("")
	cfg.Local, cfg.Commands = b, true
	e := listen(t, url, nil)
	j := &publishtest.Journal{}
	p, err := New(cfg, j, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	p.OnCommand = func(station string, payload []byte) { p.Done(station, append([]byte("did "), payload...)) }
	end := stop(t, p)
	connected(t, p)
	m := mouth(t, url, func(o *paho.ClientOptions) { o.SetUsername("pedal").SetPassword("p") })
	for i := range 3 {
		wait(t, m.Publish(Topic(cfg.Site, "hone-bay-2", LeafDo), 1, false, fmt.Sprint(i)))
	}
	publishtest.Until(t, "the replies", func() bool { return len(e.on("done")) == 3 })
	for i, got := range e.on("done") {
		if got != fmt.Sprintf("did %d", i) {
			t.Errorf("reply %d is %s", i, got)
		}
	}
	j.Add("hone-bay-1", 5000)
	p.Wake()
	e.heard(t, 5000)
	drained(t, p)
	end()
	publishtest.Until(t, "offline", func() bool { a := e.on("alive"); return len(a) == 6 })
	if c, _ := j.Cursor(cursorName); c != 5000 {
		t.Errorf("cursor %d at the end, want 5000", c)
	}
}
