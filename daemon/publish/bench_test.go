package publish

import (
	"fmt"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"fairbore/daemon/publishtest"
)

// BenchmarkFlood publishes a backlog as fast as it goes, with one subscriber:
// readings a second from the first to the last acknowledgement, by window.
func BenchmarkFlood(b *testing.B) {
	for _, which := range []string{"mosquitto", "embedded"} {
		for _, window := range []int{1, 8, 32, 128, 1000} {
			b.Run(fmt.Sprintf("%s/window=%d", which, window), func(b *testing.B) { flood(b, which, window) })
		}
	}
}

func flood(b *testing.B, which string, window int) {
	var cfg Config
	if which == "mosquitto" {
		cfg = config(publishtest.StartMosquitto(b).URL())
	} else {
		url, own, _ := publishtest.Embedded(b)
		cfg = config(url)
		own(&cfg.Config)
	}
	cfg.Window = window
	c := mouth(b, cfg.Broker, nil)
	if tok := c.Subscribe("fairbore/1/#", 1, func(paho.Client, paho.Message) {}); !tok.WaitTimeout(5 * time.Second) {
		b.Fatal("no subscription")
	}
	j := &publishtest.Journal{}
	p := run(b, cfg, j, nil)
	connected(b, p)
	b.ReportAllocs()
	b.ResetTimer()
	j.Add("hone-bay-1", b.N)
	p.Wake()
	publishtest.Until(b, "all is acknowledged", func() bool { return p.cursor() == uint64(b.N) })
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}
