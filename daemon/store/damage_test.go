package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"fairbore/daemon/event"
)

// fill makes a journal with some events and as many readings as asked for, and closes it.
func fill(t testing.TB, cfg Config, readings int) (id string) {
	t.Helper()
	r := start(t, cfg)
	r.append(t, jobEvent("hone bay 1", "J-4107"), partEvent("hone bay 1", "0001", 1))
	for n := 1; n <= readings; n++ {
		r.append(t, reading("hone bay 1", "J-4107", "0001", n))
	}
	mustStop(t, r)
	return r.ID()
}

// tamper changes a closed journal by SQL statements, as a person who knows SQL could.
func tamper(t testing.TB, path string, statements ...string) {
	t.Helper()
	db, err := openPool(path, "", map[string]string{"busy_timeout": "1000"}, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, s := range statements {
		if _, err := db.ExecContext(t.Context(), s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
}

func TestDamagedIsMovedAside(t *testing.T) {
	for name, harm := range map[string]func(t *testing.T, path string){
		"no database at all": func(t *testing.T, path string) {
			write(t, path, 0, []byte(strings.Repeat("oil ", 2000)))
		},
		"torn off": func(t *testing.T, path string) {
			if err := os.Truncate(path, 3*4096+100); err != nil {
				t.Fatal(err)
			}
		},
		"a page overwritten": func(t *testing.T, path string) {
			write(t, path, 4*4096, make([]byte, 4096))
		},
	} {
		t.Run(name, func(t *testing.T) {
			cfg := config(t)
			id := fill(t, cfg, 300)
			harm(t, cfg.Path)
			broken, err := os.ReadFile(cfg.Path)
			if err != nil {
				t.Fatal(err)
			}
			r := start(t, cfg)
			if r.ID() == id {
				t.Error("the new journal has the id of the old one")
			}
			r.settle(t, 1)
			told := r.told[0]
			if told.Kind != event.NoteAdded || told.Seq != 1 || told.Damage == nil || told.Noted().Code != "event.journal_damaged" ||
				!strings.HasPrefix(told.Damage.MovedTo, cfg.Path+".damaged-") {
				t.Errorf("told %+v", told)
			}
			if w := strings.Join(r.Warnings(), "\n"); !strings.Contains(w, "damaged") {
				t.Errorf("warned of %q", w)
			}
			aside, err := filepath.Glob(cfg.Path + ".damaged-*Z")
			if err != nil || len(aside) != 1 {
				t.Fatalf("aside: %v, %v", aside, err)
			}
			if kept, err := os.ReadFile(aside[0]); err != nil || string(kept) != string(broken) {
				t.Errorf("what was moved aside is not what was there: %v", err)
			}
			r.append(t, note("a", "goes on"))
			mustStop(t, r)
			mustVerify(t, cfg.Path)
		})
	}
}

func write(t *testing.T, path string, at int64, b []byte) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	_, err = f.WriteAt(b, at)
	if err := errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
}

// The log and the shared memory are moved aside together with their database.
func TestMoveAsideTogether(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if err := os.WriteFile(path+suffix, []byte("of"+suffix), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	to, err := moveAside(path, ".damaged-", morning)
	if err != nil {
		t.Fatal(err)
	}
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if b, err := os.ReadFile(to + suffix); err != nil || string(b) != "of"+suffix {
			t.Errorf("%s: %q, %v", suffix, b, err)
		}
		if _, err := os.Stat(path + suffix); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s is still there", suffix)
		}
	}
	if again := unused(to); again == to {
		t.Error("a second one would overwrite the first")
	}
}

// Open does not change or move a file that is a newer journal or no journal.
func TestRefusedFilesStay(t *testing.T) {
	for name, c := range map[string]struct {
		statements []string
		want       error
	}{
		"newer":          {[]string{"pragma user_version = 99"}, ErrNewer},
		"earlier":        {[]string{"pragma user_version = 1"}, ErrEarlier},
		"no version":     {[]string{"pragma user_version = 0"}, ErrEarlier},
		"below any":      {[]string{"pragma user_version = -2"}, ErrEarlier},
		"something else": {[]string{"pragma application_id = 7"}, ErrNotJournal},
	} {
		cfg := config(t)
		fill(t, cfg, 3)
		tamper(t, cfg.Path, c.statements...)
		before, err := os.ReadFile(cfg.Path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Open(t.Context(), cfg); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := Verify(t.Context(), cfg.Path, nil); !errors.Is(err, c.want) {
			t.Errorf("%s: verify: %v", name, err)
		}
		if after, err := os.ReadFile(cfg.Path); err != nil || string(after) != string(before) {
			t.Errorf("%s: the file was changed (%v)", name, err)
		}
	}
	for name, c := range map[string]struct {
		statements []string
		want       error
	}{
		"another program's":   {[]string{"create table accounts (id integer)"}, ErrNotJournal},
		"newer without a log": {[]string{"create table event (id integer)", fmt.Sprintf("pragma application_id = %d", application), "pragma user_version = 99"}, ErrNewer},
	} {
		cfg := config(t)
		tamper(t, cfg.Path, c.statements...)
		before, err := os.ReadFile(cfg.Path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Open(t.Context(), cfg); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
		if after, err := os.ReadFile(cfg.Path); err != nil || string(after) != string(before) {
			t.Errorf("%s: the file was changed (%v)", name, err)
		}
	}
}

func lookInto(t testing.TB, path, query string) (n int) {
	t.Helper()
	db, err := openPool(path, "mode=ro", readerPragmas(), 1)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.QueryRowContext(t.Context(), query).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// The index of readings grows by whole batches. A part has all its readings, whether they are
// indexed or not. Verify finds an index that somebody has changed.
func TestIndexOfReadings(t *testing.T) {
	cfg := config(t)
	const n = indexBatch + 100
	r := start(t, cfg)
	story := []event.Event{jobEvent("a", "J-4107"), partEvent("a", "0001", 1)}
	for no := range n {
		story = append(story, reading("a", "J-4107", "0001", no+1))
	}
	r.append(t, story...)
	r.settle(t, n+2)
	parts, err := r.Parts(t.Context(), Filter{})
	if err != nil || len(parts) != 1 || parts[0].Readings != n {
		t.Errorf("%v, %v", parts, err)
	}
	mustStop(t, r)
	mustVerify(t, cfg.Path)
	if got := lookInto(t, cfg.Path, "select count(*) from reading"); got != indexBatch-2 {
		t.Errorf("%d readings are indexed", got)
	}

	for what, statement := range map[string]string{
		"one left out": "delete from reading where seq = 7",
		"a wrong one":  "update reading set station = 'b' where seq = 9",
	} {
		tamper(t, cfg.Path, statement)
		rep, err := Verify(t.Context(), cfg.Path, nil)
		if err != nil || rep.Bad != nil || len(rep.Faults) != 1 || !strings.Contains(rep.Faults[0], "list of readings") {
			t.Errorf("%s: %+v, %v", what, rep, err)
		}
	}
}

const noGuards = "drop trigger event_update; drop trigger event_delete; drop trigger event_insert"

// changedBody returns, as SQL, the body of a reading with another size in it.
func changedBody(t testing.TB, path string, seq uint64) string {
	t.Helper()
	v, err := View(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	rows, err := v.rows(t.Context(), "select seq, body from event where seq = ?", int64(seq))
	if err != nil || len(rows) != 1 {
		t.Fatal(rows, err)
	}
	u := v.packing.take()
	body, err := u.unpacked(seq, rows[0].packed)
	if err != nil {
		t.Fatal(err)
	}
	body = bytes.Replace(body, []byte("22.2282"), []byte("22.2382"), 1)
	return fmt.Sprintf("x'%x'", newPacker(v.packing.dictionary).pack(nil, body))
}

func TestVerifyNamesTheRow(t *testing.T) {
	for name, c := range map[string]struct {
		change string
		seq    uint64
		says   string
	}{
		"body":              {`update event set body = CHANGED where seq = 40`, 40, "its body was changed"},
		"hash":              {`update event set hash = zeroblob(32) where seq = 41`, 41, "its hash was changed"},
		"body and hash":     {`update event set body = CHANGED, hash = zeroblob(32) where seq = 42`, 42, "its body or its hash was changed"},
		"body cut short":    {`update event set body = substr(body, 1, 20) where seq = 43`, 43, "can't be unpacked"},
		"body lengthened":   {`update event set body = cast(body || x'00' as blob) where seq = 43`, 43, "can't be unpacked"},
		"body rubbish":      {`update event set body = randomblob(0) where seq = 43`, 43, "can't be unpacked"},
		"row deleted":       {`delete from event where seq = 17`, 17, "the row is missing"},
		"rows deleted":      {`delete from event where seq between 17 and 19`, 17, "rows 17 to 19 are missing"},
		"first row deleted": {`delete from event where seq = 1`, 1, "the row is missing"},
		"column at":         {`update event set at = at + 1 where seq = 30`, 30, "column at"},
		"column station":    {`update event set station = 'bench 4' where seq = 30`, 30, "column station"},
		"column kind":       {`update event set kind = 'note' where seq = 30`, 30, "column kind"},
		"column job":        {`update event set job = 'J-4107' where seq = 30`, 30, "column job"},
		"column part":       {`update event set part = null where seq = 2`, 2, "column part"},
		"another journal":   {`drop trigger journal_update; update journal set id = '0123456789abcdef0123456789abcdef'`, 1, "changed"},
		"made earlier":      {`drop trigger journal_update; update journal set made = made - 1`, 1, "changed"},
		"other dictionary":  {`drop trigger journal_update; update journal set dictionary = cast(dictionary || 'x' as blob)`, 1, ""},
	} {
		t.Run(name, func(t *testing.T) {
			cfg := config(t)
			fill(t, cfg, 60)
			tamper(t, cfg.Path, noGuards, strings.ReplaceAll(c.change, "CHANGED", changedBody(t, cfg.Path, c.seq)))
			rep, err := Verify(t.Context(), cfg.Path, nil)
			if err != nil {
				t.Fatal(err)
			}
			if rep.Bad == nil || rep.Bad.Seq != c.seq || !strings.Contains(rep.Bad.What, c.says) {
				t.Errorf("found %+v, want row %d, %q", rep.Bad, c.seq, c.says)
			}
			if rep.Rows != c.seq-1 || rep.Sound() {
				t.Errorf("%d rows said to be sound", rep.Rows)
			}
			if !strings.Contains(strings.Join(rep.Faults, "\n"), "event_update") {
				t.Errorf("the missing trigger is not told: %v", rep.Faults)
			}
		})
	}
}

// The chain of hashes still holds after rows were cut off the end. A cursor that points beyond the
// end shows that they are missing.
func TestVerifyFindsTheEndCutOff(t *testing.T) {
	cfg := config(t)
	r := start(t, cfg)
	r.append(t, note("a", "1"), note("a", "2"), note("a", "3"))
	r.settle(t, 3)
	r.SetCursor("broker", 3)
	mustStop(t, r)
	tamper(t, cfg.Path, noGuards, "delete from event where seq > 1")
	rep, err := Verify(t.Context(), cfg.Path, nil)
	if err != nil || rep.Bad != nil || !strings.Contains(strings.Join(rep.Faults, "\n"), "cut off") {
		t.Errorf("%+v, %v", rep, err)
	}
	again := start(t, cfg)
	w := strings.Join(again.Warnings(), "\n")
	if !strings.Contains(w, "newest events are missing") || !strings.Contains(w, "triggers") {
		t.Errorf("warned of %q", w)
	}
	if got, _ := again.Cursor("broker"); got != 1 {
		t.Errorf("the cursor stands at %d, beyond the end", got)
	}
}

// Open warns of a changed row near the end, and creates missing triggers again.
func TestOpenChecksTail(t *testing.T) {
	cfg := config(t)
	fill(t, cfg, 20)
	tamper(t, cfg.Path, noGuards, "update event set body = "+changedBody(t, cfg.Path, 15)+" where seq = 15")
	r := start(t, cfg)
	if w := strings.Join(r.Warnings(), "\n"); !strings.Contains(w, "row 15") {
		t.Errorf("warned of %q", w)
	}
	mustStop(t, r)
	rep, err := Verify(t.Context(), cfg.Path, nil)
	if err != nil || len(rep.Faults) != 0 || rep.Bad == nil || rep.Bad.Seq != 15 {
		t.Errorf("%+v, %v", rep, err)
	}
}

func TestVerifyProgressAndReadOnlyFolder(t *testing.T) {
	cfg := config(t)
	fill(t, cfg, 60)
	var at, of uint64
	rep, err := Verify(t.Context(), cfg.Path, func(done, total uint64) { at, of = done, total })
	if err != nil || at != 62 || of != 62 || rep.Rows != 62 {
		t.Errorf("%d of %d, %+v, %v", at, of, rep, err)
	}
	if _, err := Verify(t.Context(), filepath.Join(t.TempDir(), "none.db"), nil); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
	if _, err := Verify(cancelled(t), cfg.Path, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// Verify finds a journal sound while a daemon writes to it: rows, the indexes and the list of
// readings, which all grow meanwhile, are compared as they were at one moment.
func TestVerifyBesideWriter(t *testing.T) {
	r := start(t, config(t))
	var writing sync.WaitGroup
	stop := make(chan struct{})
	for _, station := range []string{"a", "b", "c"} {
		writing.Go(func() {
			for part := 1; ; part++ {
				events := []event.Event{partEvent(station, fmt.Sprint(part), part)}
				for no := range 40 {
					events = append(events, reading(station, "J-4107", fmt.Sprint(part), no+1))
				}
				if err := r.Append(t.Context(), events); err != nil {
					t.Error(err)
				}
				select {
				case <-stop:
					return
				case <-time.After(20 * time.Millisecond):
				}
			}
		})
	}
	grew := 0
	for before := uint64(0); grew < 2 && !t.Failed(); {
		rep := mustVerify(t, r.path)
		if rep.Rows > before+indexBatch { // the list has grown since
			before = rep.Rows
			grew++
		}
	}
	close(stop)
	writing.Wait()
	mustStop(t, r)
	mustVerify(t, r.path)
}

// Damage that is found while the journal runs makes the next start check the whole journal.
func TestSuspectIsChecked(t *testing.T) {
	cfg := config(t)
	r := start(t, cfg)
	r.append(t, note("a", "1"))
	r.settle(t, 1)
	r.failed(errDamaged)
	if s := r.Status(); s.Recording || s.Why.Code != "store.damaged" {
		t.Errorf("%+v", s)
	}
	mustStop(t, r)
	if _, err := os.Stat(r.suspect()); err != nil {
		t.Fatal(err)
	}
	again := start(t, cfg)
	if _, err := os.Stat(again.suspect()); !errors.Is(err, os.ErrNotExist) {
		t.Error("the mark stays though the file was found sound")
	}
}
