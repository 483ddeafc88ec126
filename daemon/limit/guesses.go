package limit

import (
	"context"
	"math"
	"net/netip"
	"sync"
	"time"
)

// The budget of guesses. 10 a minute are 5 million a year from however many addresses: too few for
// a passphrase of 12 characters, and more than a shop that mistypes needs.
const (
	poolMost  = 24              // wrong guesses of strangers that may come at once
	poolBack  = 6 * time.Second // one more may come after each such time
	freeTries = 5               // wrong guesses after which an address must wait between tries
	tryWait   = 10 * time.Second
	wrongHalf = time.Hour // half of the wrong guesses of an address are forgotten in it
	forgotten = 0.25      // wrong guesses that are not worth remembering
	reserve   = 2         // of the pool, kept from an address for each of its wrong guesses
	reserved  = 12        // of the pool, the most that is kept from an address
	knownMost = 256       // good log-ins remembered
	waitMost  = 8         // checks that may wait for the one at work; a check takes about 0.1 s
)

// Guesses is the budget of wrong guesses of all passwords of the program. Page and broker share it.
// It has bounds for an address and for all, and neither keeps the right password out for long:
//
//   - Only wrong guesses cost. They come out of one pool for all strangers, which refills slowly.
//   - The more wrong guesses an address has made of late, the more of the pool is kept from it. So
//     those who guess on use up their part, and a person who comes new finds the rest.
//   - An address with several wrong guesses waits some seconds between tries, never longer.
//   - Who has logged in well from an address has a budget of its own there, for the same name. Nobody
//     else can use it up.
//   - One check of strangers is at work at a time, and one of those who are known; few may wait.
//
// What it remembers is bounded: an address gets in by a wrong guess that was paid for, and is
// forgotten in hours; a name by a good log-in.
type Guesses struct {
	clock func() time.Time

	mu    sync.Mutex
	pool  float64 // wrong guesses that strangers may still make, as of the time at
	at    time.Time
	by    map[netip.Prefix]*guesser
	known map[login]*guesser

	strangers, friends work
}

// guesser is one who makes wrong guesses.
type guesser struct {
	wrong float64   // wrong guesses, which are forgotten with time; as of the time at
	at    time.Time // of the last wrong guess or good log-in
	last  map[string]time.Time
}

// login is a good log-in.
type login struct {
	from netip.Prefix
	name string
}

// Verdict is what came of a guess.
type Verdict struct {
	Right bool
	// Wait is how long to wait before another try, if the guess was not looked at; 0 if it was.
	Wait time.Duration
}

// NewGuesses returns a full budget. The clock need not be that of a wall, but must not go back by
// much.
func NewGuesses(clock func() time.Time) *Guesses {
	return &Guesses{
		clock: clock, pool: poolMost, at: clock(), by: map[netip.Prefix]*guesser{}, known: map[login]*guesser{},
		strangers: newWork(), friends: newWork(),
	}
}

// Check looks at a guess from an address, of the password of somebody with a name. It calls right,
// which says whether the guess is right and may take long, unless the budget is used up, too many
// wait or ctx ends. The name must be one that exists; guesses for any other have the name "". It may
// be called from any goroutine.
func (g *Guesses) Check(ctx context.Context, from netip.Addr, name string, right func() bool) Verdict {
	who := login{Address(from), name}
	known, wait := g.pay(who)
	if wait > 0 {
		return Verdict{Wait: wait}
	}
	at := &g.strangers
	if known {
		at = &g.friends
	}
	if !at.begin(ctx) {
		g.giveBack(who, known)
		return Verdict{Wait: time.Second}
	}
	defer at.end()
	if !right() {
		return Verdict{}
	}
	g.giveBack(who, known)
	g.remember(who)
	return Verdict{Right: true}
}

// pay takes a guess out of the budget as though it were wrong, so that guesses made at once don't
// all find the same budget. It returns how long to wait if there is none.
func (g *Guesses) pay(who login) (known bool, wait time.Duration) {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := g.clock()
	x, known := g.known[who]
	if !known {
		x = g.by[who.from]
	}
	if x != nil {
		if w := x.last[who.name].Add(tryWait).Sub(now); x.left(now) > freeTries-0.5 && w > 0 {
			return known, w
		}
	}
	if !known {
		if wait := g.draw(x, now); wait > 0 {
			return false, wait
		}
		if x == nil {
			g.forget(now)
			x = &guesser{last: map[string]time.Time{}}
			g.by[who.from] = x
		}
	}
	x.wrong, x.at = x.left(now)+1, now
	x.last[who.name] = now
	return known, 0
}

// draw takes one guess out of the pool. It returns how long it will be until there is one for a
// stranger with such wrong guesses.
func (g *Guesses) draw(x *guesser, now time.Time) time.Duration {
	g.pool = min(poolMost, g.pool+max(0, now.Sub(g.at).Seconds())/poolBack.Seconds())
	g.at = now
	need := 1.0
	if x != nil {
		need += min(reserved, reserve*math.Round(x.left(now)))
	}
	if g.pool < need {
		return time.Duration((need-g.pool)*poolBack.Seconds()*float64(time.Second)) + 1
	}
	g.pool--
	return 0
}

// giveBack gives back what a guess has paid that was not wrong.
func (g *Guesses) giveBack(who login, known bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	x := g.known[who]
	if !known {
		g.pool = min(poolMost, g.pool+1)
		x = g.by[who.from]
	}
	if x != nil {
		x.wrong = max(0, x.wrong-1)
	}
}

// remember keeps a good log-in.
func (g *Guesses) remember(who login) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.known[who] == nil && len(g.known) >= knownMost {
		oldest := who
		for k, x := range g.known {
			if o := g.known[oldest]; o == nil || x.at.Before(o.at) {
				oldest = k
			}
		}
		delete(g.known, oldest)
	}
	g.known[who] = &guesser{at: g.clock(), last: map[string]time.Time{}}
}

// forget drops the addresses whose wrong guesses are long ago.
func (g *Guesses) forget(now time.Time) {
	for k, x := range g.by {
		if x.left(now) < forgotten {
			delete(g.by, k)
		}
	}
}

// left returns the wrong guesses that are still held against a guesser.
func (x *guesser) left(now time.Time) float64 {
	if x == nil {
		return 0
	}
	return x.wrong * math.Exp2(-max(0, now.Sub(x.at).Seconds())/wrongHalf.Seconds())
}

// work is one check at a time, and a few that wait.
type work struct{ queue, turn chan struct{} }

func newWork() work { return work{make(chan struct{}, waitMost+1), make(chan struct{}, 1)} }

// begin waits for a turn. It returns false if too many wait already, or if ctx ends.
func (w *work) begin(ctx context.Context) bool {
	select {
	case w.queue <- struct{}{}:
	default:
		return false
	}
	select {
	case w.turn <- struct{}{}:
		return true
	case <-ctx.Done():
		<-w.queue
		return false
	}
}

func (w *work) end() {
	<-w.turn
	<-w.queue
}
