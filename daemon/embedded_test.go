package daemon_test

import (
	"io"
	"net"
	"net/http"
	"os/exec"
	"strings"
	"testing"
	"time"

	"fairbore/daemon/broker"
	"fairbore/daemon/daemontest"
)

// TestEmbeddedBroker runs the program with the broker inside. A stranger's packet that once ended the
// program ends the stranger's connection. Another program with the right to publish does so, and one
// with a wrong password is refused, which the metrics tell.
func TestEmbeddedBroker(t *testing.T) {
	daemontest.Needs(t, "mosquitto_sub", "mosquitto_pub")
	hash, err := broker.Hash("swarf")
	if err != nil {
		t.Fatal(err)
	}
	r := daemontest.NewRig(t)
	addr := daemontest.FreePort(t)
	r.Broker = `embedded: {listen: "` + addr + `", anonymous: true, users: [{name: grinding, hash: "` + hash + `", publish: true}]}`
	r.Plug()
	r.Start()
	s := daemontest.Subscribe(t, addr)
	r.Eventually(20*time.Second, "the station at the broker", func() bool { return s.Has("/bay2/bore ") })

	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	c.Write([]byte("\x10\x0e\x00\x04MQTT\x05\x02\x00\x3c\x00\x00\x01a" + "\x82\x05\x00\x01\x00\x00\x00"))
	c.SetReadDeadline(time.Now().Add(20 * time.Second))
	if got, err := io.ReadAll(c); err != nil || len(got) == 0 {
		t.Errorf("the stranger got % x, %v", got, err)
	}

	host, port, _ := net.SplitHostPort(addr)
	publish := func(password string) error {
		return exec.Command("mosquitto_pub", "-h", host, "-p", port, "-u", "grinding", "-P", password, "-q", "1", "-t", "fairbore/1/test/bay9/event", "-m", "of another").Run()
	}
	if publish("slurry") == nil {
		t.Error("a wrong password is taken")
	}
	if err := publish("swarf"); err != nil {
		t.Errorf("another program may not publish: %v", err)
	}
	r.Eventually(20*time.Second, "its message", func() bool { return s.Has("/bay9/event of another") })

	resp, err := http.Get("http://" + r.Web + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	metrics, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		`fairbore_embedded_clients 1`, `fairbore_embedded_dropped_total 0`, `fairbore_embedded_refused_total{reason="password"} 1`,
		`fairbore_embedded_refused_total{reason="right"} 0`, `fairbore_embedded_refused_total{reason="place"} 0`,
		`fairbore_embedded_cut_total{reason="packet"} 1`, `fairbore_embedded_cut_total{reason="slow"} 0`, `fairbore_embedded_cut_total{reason="panic"} 0`,
	} {
		if !strings.Contains(string(metrics), want+"\n") {
			t.Errorf("the metrics lack %s", want)
		}
	}
	r.Stop()
}
