package store

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"fairbore/daemon/event"
)

// dump is a dump that was read. Its chain of hashes holds.
type dump struct {
	path   string
	place  dumpPlace
	events []entry
	hashes []hash // of the events
}

// The reasons why the events of a dump are not recorded.
var (
	errNotOurs = errors.New("it is of another journal")
	errNoPlace = errors.New("the journal is not the one that these events follow: it has gone on without them, or ends before them")
)

// takeDumps records the events of earlier runs that could not be recorded then. It must be called
// before any other event is recorded, since the events follow the last row. Each event gets the
// number and the hash that its dump says, so the journal becomes what it would have been. An event
// that the journal has already is left out: an earlier start may have been killed after it had
// recorded events, and before it had renamed the dump.
//
// A dump that does not fit stays as it is, with a warning. takeDumps fails if a dump fits and its
// events can't be recorded: events that came after them would take their place.
func (j *Journal) takeDumps(ctx context.Context) error {
	var dumps []dump
	for _, dir := range j.dumpDirs() {
		files, err := os.ReadDir(dir)
		if err != nil {
			j.warn(fmt.Sprintf("the folder for events that can't be recorded can't be read: %v; make it, or name another (journal.spill)", err))
		}
		for _, f := range files {
			if !f.Type().IsRegular() || !strings.HasPrefix(f.Name(), filepath.Base(j.path)+dumped) {
				continue
			}
			name := filepath.Join(dir, f.Name())
			if d, err := readDump(name); err != nil {
				j.leaveDump(name, err)
			} else {
				dumps = append(dumps, d)
			}
		}
	}
	slices.SortFunc(dumps, func(a, b dump) int { return cmp.Compare(a.place.After, b.place.After) })
	for _, d := range dumps {
		switch err := j.takeDump(ctx, &d); {
		case errors.Is(err, errNotOurs), errors.Is(err, errNoPlace):
			j.leaveDump(d.path, err)
		case err != nil:
			return fmt.Errorf("%d events of an earlier run are in %s and can't be recorded yet (%s): %w", len(d.events), d.path, explain(err), err)
		}
	}
	return nil
}

func (j *Journal) leaveDump(path string, why error) {
	j.warn(fmt.Sprintf("the events in %s, which an earlier run could not record, are not recorded: %v; keep that file with the journal, and move it elsewhere to end this warning", path, why))
}

func (j *Journal) takeDump(ctx context.Context, d *dump) error {
	if d.place.Journal != j.id {
		return errNotOurs
	}
	if err := j.fits(ctx, d); err != nil {
		return err
	}
	if have := j.last - d.place.After; have < uint64(len(d.events)) {
		rest := d.events[have:]
		j.packing.pack(rest)
		rest[len(rest)-1].last = true
		if err := j.queue.add(ctx, rest); err != nil {
			return err
		}
		for group := j.queue.group(); len(group) > 0; group = j.queue.group() {
			if err := j.record(group); err != nil {
				return err
			}
		}
		j.cfg.Log.Info().Str("file", d.path).Int("events", len(rest)).Msg("the events that an earlier run could not record are now recorded")
	}
	to := unused(strings.Replace(d.path, dumped, takenIn, 1))
	return errors.Join(os.Rename(d.path, to), syncDir(filepath.Dir(to)))
}

// fits checks that the events of a dump follow a row of the journal, and that the rows after that
// one, if there are any, are these events.
func (j *Journal) fits(ctx context.Context, d *dump) error {
	after := d.place.After
	if j.last < after {
		return errNoPlace
	}
	for seq := after; seq <= min(j.last, after+uint64(len(d.events))); seq++ {
		want, is := d.place.Head, j.writer.head
		if seq > after {
			want = hex.EncodeToString(d.hashes[seq-after-1][:])
		}
		if seq < j.last {
			if seq == 0 {
				continue // the hash of row 1 shows what is before it
			}
			var h []byte
			if err := j.read.QueryRowContext(ctx, "select hash from event where seq = ?", int64(seq)).Scan(&h); err != nil {
				return err
			}
			copy(is[:], h)
		}
		if want != hex.EncodeToString(is[:]) {
			return errNoPlace
		}
	}
	return nil
}

// readDump reads a dump, and checks that it is whole and that its chain of hashes holds.
func readDump(path string) (dump, error) {
	d := dump{path: path}
	text, err := os.ReadFile(path)
	if err != nil {
		return d, err
	}
	lines := bufio.NewScanner(bytes.NewReader(text))
	lines.Buffer(nil, len(text)+1)
	if !lines.Scan() {
		return d, errors.New("it is empty")
	}
	if err := json.Unmarshal(lines.Bytes(), &d.place); err != nil {
		return d, fmt.Errorf("line 1: %w", err)
	}
	from, err := hex.DecodeString(d.place.Head)
	head := hash{}
	if copy(head[:], from); err != nil || len(from) != len(head) {
		return d, fmt.Errorf("line 1: head %q is no hash", d.place.Head)
	}
	for lines.Scan() {
		var line dumpLine
		if err := json.Unmarshal(lines.Bytes(), &line); err != nil {
			return d, fmt.Errorf("line %d: %w", len(d.events)+2, err)
		}
		head = link(head, d.place.After+uint64(len(d.events))+1, line.Event)
		if hex.EncodeToString(head[:]) != line.Hash {
			return d, fmt.Errorf("line %d: the hash does not match: the event was changed, or one before it is missing", len(d.events)+2)
		}
		e, err := event.Decode(line.Event)
		if err != nil {
			return d, fmt.Errorf("line %d: %w", len(d.events)+2, err)
		}
		d.events, d.hashes = append(d.events, entry{event: &e, body: line.Event}), append(d.hashes, head)
	}
	if err := lines.Err(); err != nil {
		return d, err
	}
	if len(d.events) != d.place.Events || len(d.events) == 0 {
		return d, fmt.Errorf("it has %d events and should have %d", len(d.events), d.place.Events)
	}
	return d, nil
}
