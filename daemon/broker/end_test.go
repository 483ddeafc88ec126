package broker

import (
	"context"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"
)

// quiet is the CONNECT packet of a client without a name that never pings: MQTT 3.1.1, 3.1.
var quiet = []byte{0x10, 12, 0, 4, 'M', 'Q', 'T', 'T', 4, 2, 0, 0, 0, 0}

// besiege connects to a broker again and again until it is gone, and stays where it is let.
func besiege(b *Broker) {
	for {
		c, err := net.Dial("tcp", b.Addr())
		if err != nil {
			return
		}
		c.Write(quiet)
		if n, _ := io.ReadFull(c, make([]byte, 4)); n == 4 {
			io.Copy(io.Discard, c)
		}
		c.Close()
	}
}

// A broker ends while displays connect: none of them, however far it has come, holds it up,
// and none is left connected.
func TestEndsWhileClientsConnect(t *testing.T) {
	for range 100 {
		b, err := Open(Config{Listen: "127.0.0.1:0", Site: "quarry-lane", Anonymous: true, Clients: 64}, zerolog.Nop())
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		over := make(chan error, 1)
		go func() { over <- b.Run(ctx) }()
		var clients sync.WaitGroup
		for range 16 {
			clients.Go(func() { besiege(b) })
		}
		until(t, "somebody is connected", func() bool { return b.Stats().Clients > 0 })
		cancel()
		gone := make(chan struct{})
		go func() { clients.Wait(); close(gone) }()
		for range 2 {
			select {
			case err := <-over:
				if err != nil {
					t.Fatal(err)
				}
				over = nil
			case <-gone:
				gone = nil
			case <-time.After(20 * time.Second):
				t.Fatalf("the broker has ended: %t; its clients are gone: %t", over == nil, gone == nil)
			}
		}
	}
}
