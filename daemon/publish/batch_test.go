package publish

import (
	"bytes"
	"io"
	"net"
	"slices"
	"testing"
	"testing/synctest"
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

// trickle is a connection on which a byte arrives each tenth of a millisecond.
type trickle struct {
	net.Conn
	began time.Time
	given int
	reads int
}

func (c *trickle) Read(p []byte) (int, error) {
	c.reads++
	for {
		if n := min(int(time.Since(c.began)/(100*time.Microsecond))-c.given, len(p)); n > 0 {
			for i := range n {
				p[i] = byte(c.given + i)
			}
			c.given += n
			return n, nil
		}
		time.Sleep(100 * time.Microsecond)
	}
}

// Acknowledgements that come one by one are read together while many are awaited,
// and at once otherwise; none is lost either way.
func TestGathering(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := &trickle{began: time.Now()}
		b := &batch{}
		c := b.wrap(end)
		read := func() (reads int) {
			reads = end.reads
			p, from := make([]byte, 200), end.given
			if _, err := io.ReadFull(c, p); err != nil {
				t.Fatal(err)
			}
			for i, x := range p {
				if x != byte(from+i) {
					t.Fatalf("byte %d is %d", from+i, x)
				}
			}
			return end.reads - reads
		}
		if n := read(); n != 200 {
			t.Errorf("200 bytes came by %d reads, want each as it came", n)
		}
		b.gather(true)
		if n := read(); n < 18 || n > 22 {
			t.Errorf("200 bytes came by %d reads, want one a millisecond", n)
		}
	})
}
