package publish

import (
	"bytes"
	"net"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// pipe is a connection that keeps what is written to it.
type pipe struct {
	net.Conn
	writes [][]byte
}

func (p *pipe) Write(b []byte) (int, error) {
	p.writes = append(p.writes, bytes.Clone(b))
	return len(b), nil
}

func (p *pipe) SetWriteDeadline(time.Time) error { return nil }

// Whatever is held when: all bytes leave, in order, none later than the release,
// and those held together in few writes.
func TestBatchProperty(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		end := &pipe{}
		b := &batch{limit: time.Second}
		c := b.wrap(end)
		var want []byte
		for range rapid.IntRange(0, 40).Draw(rt, "steps") {
			switch rapid.IntRange(0, 4).Draw(rt, "step") {
			case 0:
				b.hold()
			case 1:
				if err := b.release(); err != nil {
					rt.Fatal(err)
				}
			default:
				p := bytes.Repeat([]byte{byte(len(want))}, rapid.IntRange(1, batchMost/3).Draw(rt, "bytes"))
				if n, err := c.Write(p); n != len(p) || err != nil {
					rt.Fatalf("wrote %d of %d: %v", n, len(p), err)
				}
				want = append(want, p...)
			}
			if got := slices.Concat(end.writes...); !b.held && !bytes.Equal(got, want) || !bytes.HasPrefix(want, got) {
				rt.Fatalf("%d bytes left of %d, held %v", len(got), len(want), b.held)
			}
		}
	})
	end := &pipe{}
	b := &batch{limit: time.Second}
	c := b.wrap(end)
	b.hold()
	for range 64 {
		if _, err := c.Write(make([]byte, 600)); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.release(); err != nil || len(end.writes) != 2 {
		t.Errorf("64 packets left in %d writes (%v), want 2", len(end.writes), err)
	}
}
