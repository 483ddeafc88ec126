package faulttest

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"hash/maphash"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/daemon/store"
)

// Told keeps what the program has told as recorded: the records that the page and the broker were
// sent, the numbers that their bores stand for, and the actions that were answered as done.
type Told struct {
	mu      sync.Mutex
	seed    maphash.Seed
	records map[number]uint64 // hash of the record as it was told
	actions map[string]bool   // ids that were answered as done
	last    map[string]uint64 // the newest record that the broker has passed on, by journal
	faults  []string          // what was told twice with different content, or out of order

	Late bool // the broker is listened to only after the program has begun to tell; set it before
}

// number is the number of a record: the journal, and the place in it.
type number struct {
	journal string
	seq     uint64
}

// NewTold returns a Told that has heard nothing.
func NewTold() *Told {
	return &Told{seed: maphash.MakeSeed(), records: map[number]uint64{}, actions: map[string]bool{}, last: map[string]uint64{}}
}

// Message takes a message of the broker: topic, a space and the payload. Records must come without a
// gap and in order, apart from repeats.
func (t *Told) Message(line string) {
	topic, payload, _ := strings.Cut(line, " ")
	switch topic[strings.LastIndexByte(topic, '/')+1:] {
	case "reading", "event":
		if n, ok := t.record([]byte(payload)); ok {
			t.mu.Lock()
			if last := t.last[n.journal]; n.seq > last {
				if n.seq > last+1 && !(t.Late && last == 0) {
					t.fault("the broker passed on %d after %d", n.seq, last)
				}
				t.last[n.journal] = n.seq
			}
			t.mu.Unlock()
		}
	case "bore":
		t.bore([]byte(payload))
	case "done":
		var r event.Reply
		if json.Unmarshal([]byte(payload), &r) == nil && r.Done {
			t.Done(r.ID)
		}
	}
}

// record takes a record in the form in which the journal gives it.
func (t *Told) record(payload []byte) (n number, ok bool) {
	head, ok := bytes.CutPrefix(payload, []byte(`{"journal":"`))
	id, head, ok2 := bytes.Cut(head, []byte(`","seq":`))
	digits, _, _ := bytes.Cut(head, []byte(","))
	seq, err := strconv.ParseUint(string(digits), 10, 64)
	t.mu.Lock()
	defer t.mu.Unlock()
	if !ok || !ok2 || err != nil {
		t.fault("a record can't be read: %.80s", payload)
		return n, false
	}
	n = number{string(id), seq}
	sum := maphash.Bytes(t.seed, payload)
	if before, told := t.records[n]; told && before != 0 && before != sum {
		t.fault("record %d was told twice with different content", seq)
	}
	t.records[n] = sum
	return n, true
}

// bore takes the state of a station, which stands for all records up to its number.
func (t *Told) bore(payload []byte) {
	var b state.Bore
	if json.Unmarshal(payload, &b) != nil || b.Seq == 0 {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if n := (number{b.Journal, b.Seq}); t.records[n] == 0 {
		t.records[n] = 0
	}
}

// fault notes what the program told wrongly. t.mu must be held.
func (t *Told) fault(format string, args ...any) {
	t.faults = append(t.faults, fmt.Sprintf(format, args...))
}

// Done takes the id of an action that was answered as done.
func (t *Told) Done(id string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.actions[id] = true
}

// IsDone reports whether an action was answered as done.
func (t *Told) IsDone(id string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.actions[id]
}

// Count returns how many records and actions were told.
func (t *Told) Count() int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return len(t.records) + len(t.actions)
}

// Passed returns the number of the newest record of a journal that the broker has passed on.
func (t *Told) Passed(journal string) uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.last[journal]
}

// Follow takes what a stream of the page shows, until ctx ends.
func (t *Told) Follow(ctx context.Context, url string) {
	for ctx.Err() == nil {
		t.follow(ctx, url)
		time.Sleep(5 * time.Millisecond)
	}
}

func (t *Told) follow(ctx context.Context, url string) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return
	}
	defer resp.Body.Close()
	in := bufio.NewReader(resp.Body)
	kind := ""
	for {
		line, err := in.ReadBytes('\n')
		if err != nil {
			return // a line that is cut off was not told
		}
		if e, ok := bytes.CutPrefix(line, []byte("event: ")); ok {
			kind = string(bytes.TrimSpace(e))
		}
		data, ok := bytes.CutPrefix(bytes.TrimSpace(line), []byte("data: "))
		switch {
		case ok && kind == "event":
			t.record(data)
		case ok && kind == "bore":
			t.bore(data)
		}
	}
}

// Kept is what a journal has of what was told.
type Kept struct {
	Journal string
	Rows    uint64
	Told    int      // records and actions that were told
	Lost    []string // of these, what the journal does not have, or has otherwise
	Faults  []string // why the journal is not sound, and what was told wrongly
}

// Compare holds what was told so far against a journal. The function journal gives its path. It is
// called after what was told is noted, since a running program goes on to tell.
func (t *Told) Compare(ctx context.Context, journal func() string) (k Kept, err error) {
	told, actions := t.copy()
	path := journal()
	report, err := store.Verify(ctx, path, nil)
	if err != nil {
		return k, err
	}
	k.Told, k.Rows, k.Faults = len(told)+len(actions), report.Rows, report.Faults
	if report.Bad != nil {
		k.Faults = append(k.Faults, fmt.Sprintf("row %d: %s", report.Bad.Seq, report.Bad.What))
	}
	j, err := store.View(ctx, path)
	if err != nil {
		return k, err
	}
	defer j.Close()
	k.Journal = j.ID()
	var text []byte
	notes := map[string]bool{}
	for rec, err := range j.Query(ctx, store.Filter{}) {
		if err != nil {
			return k, err
		}
		n := number{rec.Journal, rec.Seq}
		if text, err = rec.AppendJSON(text[:0]); err != nil {
			return k, err
		}
		if sum, ok := told[n]; ok && (sum == 0 || sum == maphash.Bytes(t.seed, text)) {
			delete(told, n)
		} else if ok {
			k.Lost = append(k.Lost, fmt.Sprintf("record %d, which is now %.300s", rec.Seq, text))
			delete(told, n)
		}
		delete(actions, rec.Command)
		if rec.Kind == event.NoteAdded && rec.Command != "" {
			if notes[rec.Command] {
				k.Faults = append(k.Faults, fmt.Sprintf("action %s was carried out twice", rec.Command))
			}
			notes[rec.Command] = true
		}
	}
	for n := range told {
		k.Lost = append(k.Lost, fmt.Sprintf("record %d of %s", n.seq, n.journal))
	}
	for id := range actions {
		k.Lost = append(k.Lost, "action "+id)
	}
	slices.Sort(k.Lost)
	t.mu.Lock()
	defer t.mu.Unlock()
	k.Faults = append(k.Faults, t.faults...)
	return k, nil
}

func (t *Told) copy() (map[number]uint64, map[string]bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	records, actions := make(map[number]uint64, len(t.records)), make(map[string]bool, len(t.actions))
	for n, sum := range t.records {
		records[n] = sum
	}
	for id := range t.actions {
		actions[id] = true
	}
	return records, actions
}
