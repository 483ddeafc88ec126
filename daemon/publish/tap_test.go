package publish

import (
	"encoding/json"
	"net"
	"sync"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"fairbore/daemon/event"
)

// tap stands between publisher and broker, passes whole packets on, and keeps
// the numbers of the records that the broker acknowledged, in that order.
type tap struct {
	l      net.Listener
	target string
	mu     sync.Mutex
	acked  []uint64
}

func startTap(t testing.TB, target string) *tap {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	x := &tap{l: l, target: target}
	go x.accept()
	t.Cleanup(func() { l.Close() })
	return x
}

func (x *tap) url() string { return "tcp://" + x.l.Addr().String() }

func (x *tap) accept() {
	for {
		in, err := x.l.Accept()
		if err != nil {
			return
		}
		out, err := net.Dial("tcp", x.target)
		if err != nil {
			in.Close()
			continue
		}
		var ids sync.Map // packet id to record number
		go pass(out, in, func(p packets.ControlPacket) {
			if pub, ok := p.(*packets.PublishPacket); ok {
				var r event.Record
				if json.Unmarshal(pub.Payload, &r) == nil && r.Seq > 0 {
					ids.Store(pub.MessageID, r.Seq)
				}
			}
		})
		go pass(in, out, func(p packets.ControlPacket) {
			if ack, ok := p.(*packets.PubackPacket); ok {
				if seq, ok := ids.LoadAndDelete(ack.MessageID); ok {
					x.mu.Lock()
					x.acked = append(x.acked, seq.(uint64))
					x.mu.Unlock()
				}
			}
		})
	}
}

func pass(dst, src net.Conn, see func(packets.ControlPacket)) {
	defer dst.Close()
	defer src.Close()
	for {
		p, err := packets.ReadPacket(src)
		if err != nil {
			return
		}
		see(p)
		if p.Write(dst) != nil {
			return
		}
	}
}

// check returns the newest record acknowledged and the repeats; a gap or a step
// back that isn't a repeat is a fault.
func (x *tap) check(t testing.TB) (last uint64, repeats int) {
	t.Helper()
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, s := range x.acked {
		switch {
		case s <= last:
			repeats++
		case s == last+1:
			last = s
		default:
			t.Fatalf("the broker acknowledged %d after %d", s, last)
		}
	}
	return last, repeats
}
