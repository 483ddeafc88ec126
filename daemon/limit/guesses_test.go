package limit

import (
	"context"
	"net/netip"
	"testing"
	"testing/synctest"
	"time"
)

// desk is a budget with a clock that the test moves.
type desk struct {
	*Guesses
	now time.Time
}

func newDesk() *desk {
	d := &desk{now: time.Date(2026, 11, 30, 6, 0, 0, 0, time.UTC)}
	d.Guesses = NewGuesses(func() time.Time { return d.now })
	return d
}

func (d *desk) try(from netip.Addr, name string, right bool) Verdict {
	return d.Check(context.Background(), from, name, func() bool { return right })
}

func v4(n int) netip.Addr { return netip.AddrFrom4([4]byte{192, 0, 2, byte(n)}) }

// hammer has that many addresses guess each second for a time. It returns how many guesses
// were looked at. During is called each second.
func (d *desk) hammer(addrs int, from func(int) netip.Addr, span time.Duration, during func(second int)) (looked int) {
	for s := range int(span.Seconds()) {
		for i := range addrs {
			if v := d.try(from(i), "page", false); v.Wait == 0 {
				looked++
			}
		}
		during(s)
		d.now = d.now.Add(time.Second)
	}
	return looked
}

// Forty addresses that guess without a pause have little more than the pool in 11 s, and 10 a
// minute from then on. A person from an address that has logged in gets in at any time, and a person
// from a new address within two minutes of the beginning, then at any time.
func TestManyAddressesGuess(t *testing.T) {
	d := newDesk()
	friend, fresh := v4(250), v4(251)
	if v := d.try(friend, "page", true); !v.Right {
		t.Fatalf("the right passphrase: %+v", v)
	}
	in := time.Duration(-1)
	total := d.hammer(40, v4, time.Hour, func(s int) {
		if v := d.try(friend, "page", true); !v.Right {
			t.Fatalf("second %d: who has logged in before waits %s", s, v.Wait)
		}
		if v := d.try(fresh, "page", true); v.Right && in < 0 {
			in = time.Duration(s) * time.Second
		}
	})
	in11 := newDesk().hammer(40, v4, 11*time.Second, func(int) {})
	t.Logf("%d guesses in 11 s, %d in an hour; a new person in after %s", in11, total, in)
	if in11 > poolMost+2 || total > poolMost+601 {
		t.Errorf("%d guesses were looked at in 11 s and %d in an hour", in11, total)
	}
	if in < 0 || in > 2*time.Minute {
		t.Errorf("a new person got in after %s", in)
	}
	// An hour later a new person finds room at any second.
	for m := range 60 {
		if v := d.try(v4(100+m), "page", true); !v.Right {
			t.Errorf("minute %d: another new person waits %s", m, v.Wait)
		}
		d.hammer(40, v4, time.Minute, func(int) {})
	}
}

// A whole subnet of guessers leaves room for a new person too, and an IPv6 network of any size is
// one guesser.
func TestNetworksGuess(t *testing.T) {
	d := newDesk()
	d.hammer(250, v4, time.Hour, func(int) {})
	refused := 0
	d.hammer(250, v4, time.Hour, func(int) {
		if v := d.try(netip.MustParseAddr("198.51.100.9"), "page", true); !v.Right {
			refused++
		}
		delete(d.known, login{Address(netip.MustParseAddr("198.51.100.9")), "page"}) // new each time
	})
	if refused > 0 {
		t.Errorf("a new person was refused in %d of 3600 seconds", refused)
	}
	d = newDesk()
	looked := d.hammer(200, func(i int) netip.Addr {
		return netip.AddrFrom16([16]byte{0x20, 1, 0xd, 0xb8, 9: byte(i), 15: byte(i)})
	}, time.Minute, func(int) {})
	if looked > freeTries+6 {
		t.Errorf("an IPv6 /64 had %d guesses in a minute", looked)
	}
}

// A person who mistypes waits seconds, never more, and mistakes at the page keep nobody out of the
// broker.
func TestMistakesCostSeconds(t *testing.T) {
	d := newDesk()
	at := v4(1)
	for i := range freeTries {
		if v := d.try(at, "page", false); v.Wait > 0 || v.Right {
			t.Fatalf("mistake %d: %+v", i, v)
		}
	}
	if v := d.try(at, "page", true); v.Wait <= 0 || v.Wait > tryWait {
		t.Errorf("after %d mistakes: %+v", freeTries, v)
	}
	if v := d.try(at, "wall", true); !v.Right {
		t.Errorf("another name: %+v", v)
	}
	for range 100 {
		d.now = d.now.Add(tryWait)
		if v := d.try(at, "page", false); v.Wait > 0 {
			t.Fatalf("a try after %s: %+v", tryWait, v)
		}
	}
	d.now = d.now.Add(tryWait)
	if v := d.try(at, "page", true); !v.Right {
		t.Errorf("the right one after a hundred mistakes: %+v", v)
	}
	if v := d.try(at, "page", true); !v.Right {
		t.Errorf("the right one again: %+v", v)
	}
}

// What a good log-in opens for a name helps nobody to guess for another.
func TestGoodLoginHelpsNoOtherName(t *testing.T) {
	d := newDesk()
	looked := 0
	for range 60 {
		for i := range 40 {
			d.try(v4(i), "wall", true)
			if v := d.try(v4(i), "bay", false); v.Wait == 0 {
				looked++
			}
		}
		d.now = d.now.Add(time.Second)
	}
	if looked > poolMost+11 {
		t.Errorf("%d guesses in a minute by who knows another password", looked)
	}
}

// What is remembered stays small whoever comes.
func TestMemoryIsBounded(t *testing.T) {
	d := newDesk()
	for i := range 20000 {
		a := netip.AddrFrom4([4]byte{10, byte(i >> 16), byte(i >> 8), byte(i)})
		d.try(a, "page", false)
		d.try(netip.AddrFrom4([4]byte{11, byte(i >> 16), byte(i >> 8), byte(i)}), "page", true)
		d.now = d.now.Add(time.Second)
	}
	if len(d.by) > 3600 || len(d.known) > knownMost {
		t.Errorf("%d guessers and %d log-ins are remembered", len(d.by), len(d.known))
	}
}

// One check of strangers is at work at a time; few wait for it, the others are told to come back.
// Who has logged in before does not wait for strangers.
func TestChecksWaitShortly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := NewGuesses(time.Now)
		friend := v4(250)
		if !g.Check(t.Context(), friend, "page", func() bool { return true }).Right {
			t.Fatal("the right passphrase was refused")
		}
		open := make(chan struct{})
		done := make(chan Verdict, 24)
		atWork := 0
		for i := range cap(done) {
			go func() {
				done <- g.Check(t.Context(), v4(i), "page", func() bool { atWork++; <-open; atWork--; return true })
			}()
			synctest.Wait()
		}
		if len(done) != cap(done)-waitMost-1 || atWork != 1 {
			t.Errorf("%d of %d were told to come back, and %d checks are at work", len(done), cap(done), atWork)
		}
		if !g.Check(t.Context(), friend, "page", func() bool { return true }).Right {
			t.Error("who has logged in before waits for strangers")
		}
		gone, cancel := context.WithCancel(t.Context())
		cancel()
		close(open)
		synctest.Wait()
		right := 0
		for len(done) > 0 {
			if v := <-done; v.Right {
				right++
			} else if v.Wait != time.Second {
				t.Errorf("the others: %+v", v)
			}
		}
		if right != waitMost+1 || g.pool != poolMost {
			t.Errorf("%d got in; the pool has %g of %d", right, g.pool, poolMost)
		}
		g.strangers.turn <- struct{}{}
		if v := g.Check(gone, v4(99), "page", func() bool { return true }); v.Right || v.Wait == 0 {
			t.Errorf("who has gone: %+v", v)
		}
	})
}

func TestSeldom(t *testing.T) {
	var s Seldom
	now := time.Date(2026, 11, 30, 6, 0, 0, 0, time.UTC)
	for i, want := range []struct {
		after time.Duration
		held  uint64
		write bool
	}{{0, 0, true}, {time.Second, 0, false}, {time.Second, 0, false}, {lineEvery, 2, true}, {lineEvery, 0, true}} {
		now = now.Add(want.after)
		if held, write := s.Line(now); held != want.held || write != want.write {
			t.Errorf("%d: %d, %t, want %+v", i, held, write, want)
		}
	}
}
