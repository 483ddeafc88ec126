package daemon_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"fairbore/daemon/config"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/faulttest"
	wire "fairbore/daemon/line"
	"fairbore/daemon/port"
	"fairbore/daemon/publishtest"
	"fairbore/daemon/session"
	"fairbore/daemon/setup"
	"fairbore/daemon/state"
	"fairbore/daemon/store"
	"fairbore/drivers"
)

// TestFaults puts the program under faults while it records, in loops. After each fault the program
// must start by itself, and its journal must be sound and have all that the page, the broker and the
// answers to actions told as recorded. The broker must pass on all that the journal has, in order.
//
// Each loop runs a few rounds. FAIRBORE_FAULTS sets how many, FAIRBORE_SEED what is drawn. A table
// at the end says what each loop has found.
//
//	FAIRBORE_FAULTS=300 go test -run 'TestFaults/cut' -timeout 3h -v ./daemon
func TestFaults(t *testing.T) {
	daemontest.Needs(t, "mosquitto", "mosquitto_sub", "mosquitto_pub")
	daemontest.Binary(t) // is built before the first round
	var table faulttest.Table
	defer func() { t.Logf("\n%s", table.String()) }()
	seed := number(t, "FAIRBORE_SEED", int(time.Now().UnixNano()%1e9))
	begin := func(name string, usual int, run func(*testing.T, *loop)) {
		t.Run(name, func(t *testing.T) {
			l := &loop{t: t, rounds: number(t, "FAIRBORE_FAULTS", usual), Row: faulttest.Row{Name: name, Seed: seed}}
			table.Add(&l.Row)
			began := time.Now()
			defer func() { l.Took = time.Since(began) }()
			run(t, l)
		})
	}
	begin("kill", 6, func(t *testing.T, l *loop) { l.shops(25, machine, (*victim).killed) })
	for _, cut := range faulttest.Cuts() {
		begin("cut-"+cut.String(), 4, func(t *testing.T, l *loop) {
			l.shops(10, disk, func(v *victim, rng *rand.Rand) { v.cutOff(cut, rng) })
		})
	}
	begin("create", 2, func(t *testing.T, l *loop) { l.shops(1, newFolder, (*victim).cutEarly) })
	begin("repeat", 2, func(t *testing.T, l *loop) { l.shops(10, disk, (*victim).repeats) })
	begin("sync", 3, func(t *testing.T, l *loop) { l.shops(10, disk, (*victim).failsToSync) })
	begin("full", 2, func(t *testing.T, l *loop) { l.shops(10, disk, (*victim).full) })
	begin("broker", 3, func(t *testing.T, l *loop) { l.shops(30, machine, (*victim).losesItsBroker) })
	begin("unplug", 2, func(t *testing.T, l *loop) { l.shops(50, machine, (*victim).unplugged) })
	begin("clock", 100, func(t *testing.T, l *loop) { l.clock() })
	begin("soak", 1, func(t *testing.T, l *loop) { l.soak() })
}

// loop is a loop of one kind of fault.
type loop struct {
	faulttest.Row
	t      *testing.T
	rounds int
}

// Where the journal of a victim lies.
type place int

const (
	machine   place = iota // on the disk of this machine
	disk                   // on a disk that can fail
	newFolder              // on such a disk, in folders that the program has to make
)

// shops runs the rounds of the loop, so many in each shop.
func (l *loop) shops(each int, where place, round func(*victim, *rand.Rand)) {
	for l.Rounds < l.rounds {
		first := l.Rounds
		l.t.Run(fmt.Sprint(first), func(t *testing.T) {
			v := newVictim(t, l, where)
			defer v.quiet()
			for range min(each, l.rounds-first) {
				n := l.Rounds
				l.Rounds++
				round(v, rand.New(rand.NewPCG(uint64(l.Seed), uint64(n))))
				if !v.sound() {
					t.Errorf("FAIRBORE_SEED=%d, round %d", l.Seed, n)
					return
				}
			}
			v.end()
		})
		if l.Rounds == first {
			l.t.Fatal("no round was run")
		}
	}
}

// victim is a program under load, to be put under faults.
type victim struct {
	*daemontest.Rig
	loop  *loop
	disk  *faulttest.Disk // nil: the journal is on the disk of this machine
	at    string          // folder of the journal on the disk
	told  *faulttest.Told
	quiet func()         // ends the load
	kept  faulttest.Kept // what was found last
	ids   int

	broker *daemontest.Mosquitto
	proxy  *publishtest.Proxy // between the program and the broker
	line   sync.Mutex         // held while the gauge is plugged in or out
	away   bool               // the gauge is
}

func newVictim(t *testing.T, l *loop, where place) *victim {
	v := &victim{Rig: daemontest.NewRig(t), loop: l, told: faulttest.NewTold()}
	if where == newFolder {
		v.at = "machine/records"
	}
	if where != machine {
		v.disk = faulttest.NewDisk(t, v.Path("disk"))
		v.Store = filepath.Join(v.Path("disk"), v.at, "journal.db")
	}
	v.broker = daemontest.NewMosquitto(t, v.Dir, "allow_anonymous true", "max_inflight_messages 0", "persistence true", "persistence_location "+v.Dir+"/")
	v.proxy = publishtest.StartProxy(t, v.broker.Addr)
	v.Broker = fmt.Sprintf(`url: %q, commands: true`, v.proxy.URL())
	v.listen(v.broker.Addr)
	v.Plug()
	v.load()
	v.start()
	return v
}

// listen takes what the broker passes on, from now on.
func (v *victim) listen(addr string) {
	host, port, _ := strings.Cut(addr, ":")
	run(v.T, "mosquitto_pub", "-h", host, "-p", port, "-r", "-t", "fairbore/1/test/heard", "-m", "x")
	heard := make(chan struct{})
	var once sync.Once
	daemontest.Follow(v.T, addr, func(line string) {
		if line == "fairbore/1/test/heard x" {
			once.Do(func() { close(heard) })
			return
		}
		v.told.Message(line)
	}, "-c", "-i", "lasting")
	<-heard
}

// load sends readings and actions, and looks at the page, until quiet is called.
func (v *victim) load() {
	ctx, cancel := context.WithCancel(context.Background())
	var all sync.WaitGroup
	all.Go(func() {
		tick := time.NewTicker(2 * time.Millisecond)
		defer tick.Stop()
		for i := 0; ctx.Err() == nil; i++ {
			<-tick.C
			v.line.Lock()
			if !v.away {
				v.Gauge.Send(daemontest.Frame(i))
			}
			v.line.Unlock()
		}
	})
	all.Go(func() {
		for i := 0; ctx.Err() == nil; i++ {
			v.act(fmt.Sprint("note-", i), 2*time.Second)
			time.Sleep(5 * time.Millisecond)
		}
	})
	all.Go(func() { v.told.Follow(ctx, v.Page()+"/stream") })
	v.quiet = sync.OnceFunc(func() { cancel(); all.Wait() })
}

// act has a note entered, and reports whether the answer says that it is done.
func (v *victim) act(id string, limit time.Duration) bool {
	done := doAt(v.Web, "bay2", event.Action{ID: id, Do: "note", Reason: id}, limit)
	if done {
		v.told.Done(id)
	}
	return done
}

// doAt asks the page of a station for an action, and reports whether the answer says that it is done.
func doAt(web, station string, a event.Action, limit time.Duration) bool {
	body, err := json.Marshal(a)
	if err != nil {
		return false
	}
	client := http.Client{Timeout: limit}
	resp, err := client.Post("http://"+web+"/station/"+station+"/do", "application/json", bytes.NewReader(body))
	if err != nil {
		return false
	}
	defer resp.Body.Close()
	var reply event.Reply
	return json.NewDecoder(resp.Body).Decode(&reply) == nil && reply.Done && resp.StatusCode == http.StatusOK
}

// start starts the program and waits until its page answers.
func (v *victim) start() {
	v.T.Helper()
	began := time.Now()
	v.free()
	v.Start()
	v.loop.Starts = append(v.loop.Starts, time.Since(began))
}

// launch starts the program and does not wait.
func (v *victim) launch() {
	v.T.Helper()
	v.free()
	v.Launch()
}

// free takes the exclusive flag from the line, which stays on a pseudo-terminal that somebody else
// has open, as this test has, when the program is killed between two calls of the system. On a
// serial port the flag goes with the program.
func (v *victim) free() {
	if err := unix.IoctlSetInt(int(v.Gauge.Slave.Fd()), unix.TIOCNXCL, 0); err != nil {
		v.T.Errorf("free the line: %v", err)
	}
}

// more waits until n more things are told.
func (v *victim) more(n int) {
	v.T.Helper()
	until := v.told.Count() + n
	v.Eventually(time.Minute, fmt.Sprintf("%d more things to be told", n), func() bool { return v.told.Count() >= until })
}

// journal returns the path of the journal, or of a copy of it as it is now.
func (v *victim) journal() string {
	if v.disk == nil {
		return v.Journal()
	}
	dir, err := os.MkdirTemp(v.Dir, "copy")
	if err != nil {
		v.T.Fatal(err)
	}
	v.disk.Save(v.at, dir, "journal.db", "journal.db-wal")
	return filepath.Join(dir, "journal.db")
}

// sound holds what was told against the journal.
func (v *victim) sound() bool {
	k := v.compare()
	v.kept = k
	if len(k.Lost)+len(k.Faults) > 0 {
		v.loop.Lost += len(k.Lost)
		v.loop.Unsafe += len(k.Faults)
		v.T.Errorf("of %d told %d are lost: %.2000s\nfaults: %.2000s", k.Told, len(k.Lost), strings.Join(k.Lost, "\n"), strings.Join(k.Faults, "\n"))
		return false
	}
	return true
}

func (v *victim) compare() faulttest.Kept {
	v.T.Helper()
	k, err := v.told.Compare(context.Background(), v.journal)
	if err != nil {
		v.T.Fatal(err)
	}
	if copies, _ := filepath.Glob(v.Path("copy*")); v.disk != nil {
		for _, c := range copies {
			os.RemoveAll(c)
		}
	}
	return k
}

// end stops the program properly, after the broker has passed on all that the journal has.
func (v *victim) end() {
	v.T.Helper()
	v.quiet()
	var k faulttest.Kept
	v.Eventually(2*time.Minute, "the broker to pass on all of the journal", func() bool {
		k = v.compare()
		return v.told.Passed(k.Journal) == k.Rows
	})
	v.Stop()
	v.sound()
	v.loop.Told, v.loop.Rows = v.loop.Told+k.Told, v.loop.Rows+int(k.Rows)
}

// killed kills the program, in one of three rounds while it starts.
func (v *victim) killed(rng *rand.Rand) {
	if rng.IntN(3) == 0 {
		v.Kill()
		v.launch()
		time.Sleep(time.Duration(rng.IntN(250)) * time.Millisecond)
	} else {
		v.more(1 + rng.IntN(60))
	}
	v.Kill()
	v.start()
}

// cutOff cuts the power at some change of the disk: under load, while the program stops, and after
// that in one of four rounds also while it starts again.
func (v *victim) cutOff(cut faulttest.Cut, rng *rand.Rand) {
	switch x := rng.IntN(20); {
	case x < 3:
		ended := make(chan error, 1)
		failed := v.disk.FailAfter(1 + rng.IntN(20))
		v.Proc.Process.Signal(syscall.SIGTERM)
		go func() { ended <- v.Proc.Wait() }()
		select {
		case <-failed:
		case err := <-ended:
			v.disk.Off()
			ended <- err
		}
		v.disk.Replace(v.Proc.Process, func() error { return <-ended }, cut, rng)
	case x < 4:
		v.fails(v.disk.FailAfter(1+rng.IntN(3000)), cut, rng)
	default:
		v.fails(v.disk.FailAfter(1+rng.IntN(150)), cut, rng)
	}
	if rng.IntN(4) == 0 {
		failed := v.disk.FailAfter(1 + rng.IntN(40))
		v.launch()
		v.fails(failed, cut, rng)
	}
	v.start()
}

// fails waits until the power has failed, and cuts it.
func (v *victim) fails(failed <-chan struct{}, cut faulttest.Cut, rng *rand.Rand) {
	v.T.Helper()
	select {
	case <-failed:
	case <-time.After(20 * time.Second):
		v.T.Error("nothing was written for 20 s")
		v.disk.Off()
	}
	v.disk.Replace(v.Proc.Process, v.Proc.Wait, cut, rng)
}

// cutEarly cuts the power soon after the first start, which has made the journal and its folders.
func (v *victim) cutEarly(rng *rand.Rand) {
	v.more(1 + rng.IntN(20))
	v.fails(v.disk.FailAfter(1+rng.IntN(30)), faulttest.Cuts()[rng.IntN(len(faulttest.Cuts()))], rng)
	v.start()
}

// repeats asks for an action while a sync is slow, gives up, and asks again. When the answer says
// that it is done, the power is cut.
func (v *victim) repeats(rng *rand.Rand) {
	v.more(5)
	v.ids++
	id := fmt.Sprint("again-", v.ids)
	v.disk.Slow(time.Duration(300+rng.IntN(300)) * time.Millisecond)
	if !v.act(id, 50*time.Millisecond) {
		for !v.act(id, 20*time.Second) {
			time.Sleep(10 * time.Millisecond)
		}
	}
	v.disk.Off()
	v.disk.Replace(v.Proc.Process, v.Proc.Wait, faulttest.Dropped, rng)
	v.start()
}

// failsToSync lets syncs or writes fail, waits until the program records again, and cuts the power.
func (v *victim) failsToSync(rng *rand.Rand) {
	v.more(5)
	before := v.disk.Refused()
	switch rng.IntN(4) {
	case 0:
		v.disk.Fail(faulttest.Sync, 1)
	case 1:
		v.disk.Fail(faulttest.Write, 1)
	case 2:
		v.disk.Fail(faulttest.Sync, 2+rng.IntN(4))
	case 3:
		v.disk.Fail(faulttest.Sync|faulttest.Write|faulttest.Read|faulttest.Name, -1)
		time.Sleep(time.Duration(rng.IntN(300)) * time.Millisecond)
	}
	v.Eventually(time.Minute, "the disk to fail", func() bool { return v.disk.Refused() > before })
	v.disk.Mend()
	v.more(20)
	v.fails(v.disk.FailAfter(1+rng.IntN(100)), faulttest.Cuts()[rng.IntN(len(faulttest.Cuts()))], rng)
	v.start()
}

// full fills the disk until the page says that nothing is recorded. Then there is room again, or
// the program is killed or stopped, or the power is cut first.
func (v *victim) full(rng *rand.Rand) {
	v.more(5)
	v.Eventually(time.Minute, "the page to say NOT RECORDING", func() bool {
		v.disk.Fill(int64(rng.IntN(64 << 10)))
		b := v.Bore()
		return b != nil && !b.Recording
	})
	switch rng.IntN(4) {
	case 0:
		v.disk.Mend()
		v.more(20)
	case 1:
		v.Kill()
		v.launch()
		time.Sleep(time.Duration(rng.IntN(300)) * time.Millisecond)
		v.disk.Mend()
		v.Eventually(time.Minute, "the page to answer", func() bool { return v.Bore() != nil })
		v.more(20)
	case 2:
		v.Proc.Process.Signal(syscall.SIGTERM)
		v.Proc.Wait() // it says that events are not recorded
		v.disk.Mend()
		v.start()
	case 3:
		v.disk.Off()
		v.disk.Replace(v.Proc.Process, v.Proc.Wait, faulttest.Cuts()[rng.IntN(len(faulttest.Cuts()))], rng)
		v.start()
	}
}

// losesItsBroker puts the line to the broker under a fault, or stops the broker for a while. After
// the fault the broker must go on to pass on what the journal has.
func (v *victim) losesItsBroker(rng *rand.Rand) {
	v.more(20)
	p := v.proxy
	id, some := "", time.Duration(50+rng.IntN(250))*time.Millisecond
	switch rng.IntN(9) {
	case 0: // connections are refused
		p.Refuse()
		p.Reset()
		time.Sleep(some)
		p.Accept()
	case 1:
		p.Reset()
	case 2: // half open
		p.Set(false, false, true)
		time.Sleep(some)
		p.Cut()
	case 3: // no acknowledgement arrives
		p.Set(false, true, false)
		time.Sleep(some)
		p.Reset()
	case 4: // nothing arrives at the broker
		p.Set(true, false, false)
		time.Sleep(some)
		p.Reset()
	case 5:
		p.Delay(some / 5)
		time.Sleep(some)
	case 6: // cut within a packet
		p.CutAfter(1 + rng.IntN(3000))
		time.Sleep(some)
	case 7: // an action is delivered twice
		v.ids++
		id = fmt.Sprint("twice-", v.ids)
		p.Twice()
		host, port, _ := strings.Cut(v.broker.Addr, ":")
		run(v.T, "mosquitto_pub", "-h", host, "-p", port, "-q", "1", "-t", "fairbore/1/test/bay2/do", "-m", fmt.Sprintf(`{"id":%q,"do":"note","reason":"x"}`, id))
	case 8:
		v.broker.Stop()
		time.Sleep(some)
		v.broker.Start()
	}
	at := time.Now()
	if id != "" {
		v.Eventually(time.Minute, "the answer to the action", func() bool { return v.told.IsDone(id) })
	}
	p.Mend()
	last := v.compare()
	v.Eventually(2*time.Minute, "the broker to pass on what the journal had", func() bool { return v.told.Passed(last.Journal) >= last.Rows })
	v.loop.Starts = append(v.loop.Starts, time.Since(at))
}

// unplugged unplugs the gauge and plugs it in again. The page says that the gauge is lost. The
// program uses little processor time meanwhile, and reads on afterwards.
func (v *victim) unplugged(rng *rand.Rand) {
	v.Eventually(20*time.Second, "a reading", func() bool { b := v.Bore(); return b != nil && b.Last != nil })
	no := v.Bore().Last.No
	v.line.Lock()
	v.away = true
	v.Unplug()
	v.line.Unlock()
	v.Eventually(10*time.Second, "the page to say that the gauge is lost", func() bool { b := v.Bore(); return b.Gauge.Lost })
	if v.loop.Rounds%20 == 1 {
		before := cpu(v.T, v.Proc.Process.Pid)
		time.Sleep(time.Second)
		if used := cpu(v.T, v.Proc.Process.Pid) - before; used > 250*time.Millisecond {
			v.T.Errorf("while the gauge was away the program used %s of processor time in a second", used)
		}
	}
	time.Sleep(time.Duration(rng.IntN(300)) * time.Millisecond)
	at := time.Now()
	v.line.Lock()
	v.Plug()
	v.away = false
	v.line.Unlock()
	v.Eventually(20*time.Second, "readings to go on", func() bool { b := v.Bore(); return !b.Gauge.Lost && b.Last.No > no+3 })
	v.loop.Starts = append(v.loop.Starts, time.Since(at))
}

// clock sets the wall clock by up to 80 years, between readings that go through the line of a
// station into a journal. No reading is missed, each jump is recorded, and the journal stays in the
// order of what happened. In one of ten rounds the journal is opened again.
func (l *loop) clock() {
	t := l.t
	r := daemontest.NewRig(t)
	cfg, err := config.Load(r.Write())
	if err != nil {
		t.Fatal(err)
	}
	instruments, err := setup.Instruments(cfg, &cfg.Stations[0])
	if err != nil {
		t.Fatal(err)
	}
	told := faulttest.NewTold()
	now := drivers.Moment{Wall: time.Date(2026, 11, 2, 6, 30, 0, 0, time.UTC)}
	var wall atomic.Int64 // the same in ns, for the journal
	var s *session.Session
	var in *wire.Line
	var j *store.Journal
	stop := func() {}
	keep := func(events []event.Event) {
		if err := j.Append(t.Context(), events); err != nil {
			t.Fatal(err)
		}
	}
	open := func() {
		stop()
		if j, err = store.Open(t.Context(), store.Config{Path: r.Journal(), Now: func() time.Time { return time.Unix(0, wall.Load()) }}); err != nil {
			t.Fatal(err)
		}
		j.OnCommit(func(records []event.Record) {
			for i := range records {
				text, err := records[i].AppendJSON([]byte("event "))
				if err != nil {
					t.Error(err)
				}
				told.Message(string(text))
			}
		})
		past, err := j.Rebuild(t.Context(), "bay2")
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- j.Run(ctx) }()
		stop = func() {
			cancel()
			if err := errors.Join(<-ended, j.Close()); err != nil {
				t.Error(err)
			}
		}
		s = session.New(setup.Settings(cfg, &cfg.Stations[0]), past)
		in = wire.New(instruments[0], s)
		in.Reject = func(reason drivers.Reason, frame []byte) { t.Errorf("%q is rejected: %s", frame, reason) }
		keep(s.Begin(now))
		if s.Fold().Job == nil {
			events, _ := s.Act(now, event.Action{Do: "job", Job: "J-4112"})
			keep(events)
		}
		keep(in.Take(port.Chunk{At: now, Kind: port.Up}))
	}
	passes := func(d time.Duration) {
		now.Wall, now.Mono = now.Wall.Add(d), now.Mono+d
		wall.Store(now.Wall.UnixNano())
	}
	passes(0)
	open()
	defer func() { stop() }()
	for ; l.Rounds < l.rounds; l.Rounds++ {
		rng := rand.New(rand.NewPCG(uint64(l.Seed), uint64(l.Rounds)))
		if rng.IntN(10) == 0 {
			open()
		}
		passes(time.Second)
		keep(in.Take(port.Chunk{At: now, Kind: port.Idle}))
		jump := time.Duration(rng.Int64N(int64(10*time.Hour))) - 5*time.Hour
		if rng.IntN(2) == 0 {
			jump = time.Date(1946+rng.IntN(160), 1, 1, 0, 0, 0, 0, time.UTC).Sub(now.Wall)
		}
		now.Wall = now.Wall.Add(jump)
		said := jump.Abs() <= 2*time.Second
		for i := range 5 {
			passes(20 * time.Millisecond)
			taken := false
			events := in.Take(port.Chunk{At: now, Kind: port.Data, Data: []byte(daemontest.Frame(5*l.Rounds + i))})
			for _, e := range events {
				taken = taken || e.Kind == event.Taken && e.At.Equal(now.Wall)
				said = said || e.Kind == event.ClockSet
			}
			if !taken || !said {
				t.Fatalf("FAIRBORE_SEED=%d, round %d, clock set by %s: reading taken %v, jump recorded %v", l.Seed, l.Rounds, jump, taken, said)
			}
			keep(events)
		}
	}
	stop()
	stop = func() {}
	k, err := told.Compare(t.Context(), r.Journal)
	if err != nil {
		t.Fatal(err)
	}
	l.Told, l.Rows, l.Lost, l.Unsafe = k.Told, int(k.Rows), len(k.Lost), len(k.Faults)
	if uint64(k.Told) != k.Rows || l.Lost+l.Unsafe > 0 {
		t.Errorf("%+v", k)
	}
}

// soak plays an hour of a shop of 64 gauges a round: a reading every 20 s at each gauge, a part every
// 16 minutes, and pages that are opened and closed. It takes 5 s. Memory, files and goroutines of
// the program must not grow from hour to hour.
func (l *loop) soak() {
	const ports, perHour, rate, part = 64, 180, 40, 48
	t := l.t
	s := newShop(t, ports)
	addr := daemontest.FreePort(t)
	s.Broker = fmt.Sprintf(`embedded: {listen: "%s", anonymous: true}`, addr)
	// How many goroutines there are, a program says that ends by SIGQUIT.
	goroutines := func() int {
		before := len(s.Log.String())
		s.Proc.Process.Signal(syscall.SIGQUIT)
		s.Proc.Wait()
		return strings.Count(s.Log.String()[before:], "\ngoroutine ")
	}
	found := func() {
		s.all("the gauge to be found", func(b *state.Bore) bool { return b.Gauge != nil && !b.Gauge.Lost })
	}
	s.Start()
	found()
	atRest := goroutines()
	s.Start()
	told := faulttest.NewTold()
	told.Late = true
	daemontest.Follow(t, addr, told.Message)
	s.masterAll(t)
	var first, last usage
	sent := 0
	for ; l.Rounds < l.rounds; l.Rounds++ {
		ctx, hour := context.WithCancel(t.Context())
		var pages sync.WaitGroup
		for i := range 8 {
			pages.Go(func() {
				for n := i; ctx.Err() == nil; n += 8 {
					open, shut := context.WithTimeout(ctx, time.Second)
					told.Follow(open, fmt.Sprintf("http://%s/station/%s/stream", s.Web, s.names[n%ports]))
					shut()
				}
			})
		}
		for n := 0; n < perHour; n += part {
			s.loadAll(min(part, perHour-n), rate)
			for _, name := range s.names {
				id := fmt.Sprintf("part-%s-%d-%d", name, l.Rounds, n)
				if doAt(s.Web, name, event.Action{ID: id, Do: "part", Confirm: true}, 20*time.Second) {
					told.Done(id)
				}
			}
		}
		sent += ports * perHour
		hour()
		pages.Wait()
		s.Eventually(time.Minute, "all readings to be recorded", func() bool {
			return s.Metric("fairbore_journal_queued_events") == 0 && s.Metric("fairbore_broker_backlog_events") == 0
		})
		last = usageOf(t, s.Proc.Process.Pid)
		if l.Rounds == 0 {
			first = last
		}
	}
	var k faulttest.Kept
	s.Eventually(time.Minute, "the broker to pass on all of the journal", func() bool {
		var err error
		if k, err = told.Compare(t.Context(), s.Journal); err != nil {
			t.Fatal(err)
		}
		return told.Passed(k.Journal) == k.Rows
	})
	if n := len(s.JournalReadings()); n != sent {
		t.Errorf("%d readings in the journal, %d were sent", n, sent)
	}
	atEnd := goroutines()
	l.Told, l.Rows, l.Lost, l.Unsafe = k.Told, int(k.Rows), len(k.Lost), len(k.Faults)
	l.Note = fmt.Sprintf("%s, then %s; %d goroutines at rest, then %d", first, last, atRest, atEnd)
	if l.Lost+l.Unsafe > 0 {
		t.Errorf("lost %.2000v, faults %.2000v", k.Lost, k.Faults)
	}
	// On a busy machine a call of the system may wait at each port at once, each on a thread of its own.
	// Go keeps threads for later.
	if last.rss > 1.25*first.rss+16 || last.files > first.files+8 || last.threads > first.threads+ports+8 || atEnd > atRest+16 {
		t.Errorf("the program grows: %s", l.Note)
	}
}

// usage is what a process uses.
type usage struct {
	rss            float64 // MiB
	files, threads int
}

func usageOf(t testing.TB, pid int) usage {
	rss, _ := memory(t, pid)
	files, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	threads, err2 := os.ReadDir(fmt.Sprintf("/proc/%d/task", pid))
	if err := errors.Join(err, err2); err != nil {
		t.Fatal(err)
	}
	return usage{rss, len(files), len(threads)}
}

func (u usage) String() string {
	return fmt.Sprintf("%.0f MiB, %d files, %d threads", u.rss, u.files, u.threads)
}
