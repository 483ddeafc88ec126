package store

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// faults returns what Verify says of a journal whose rows are sound.
func faults(t testing.TB, path string) string {
	t.Helper()
	rep, err := Verify(t.Context(), path, nil)
	if err != nil || rep.Bad != nil {
		t.Fatalf("%+v, %v", rep, err)
	}
	return strings.Join(rep.Faults, "\n")
}

// An index is made again so that it leaves out what somebody wants to hide, and its text is put back
// into the schema. Only a comparison with the rows finds that.
func TestVerifyFindsHiddenVoids(t *testing.T) {
	cfg := config(t)
	r := start(t, cfg)
	r.append(t, jobEvent("a", "J-4107"), partEvent("a", "0001", 1), reading("a", "J-4107", "0001", 1),
		event.Event{Station: "a", At: morning, Kind: event.Voided, Void: &event.Void{No: 1}})
	mustStop(t, r)
	mustVerify(t, cfg.Path)
	for _, o := range objects() {
		if o.kind != "index" || o.name == "event_part" {
			continue
		}
		tamper(t, cfg.Path, "drop index "+o.name, o.text+" and kind <> 'void'", "pragma writable_schema = 1",
			fmt.Sprintf("update sqlite_schema set sql = %s where name = '%s'", quoted(o.text), o.name))
		if said := faults(t, cfg.Path); !strings.Contains(said, "the index "+o.name+" has 2 entries for 3 rows") {
			t.Errorf("%s: %q", o.name, said)
		}
	}
}

func quoted(text string) string { return "'" + strings.ReplaceAll(text, "'", "''") + "'" }

// An index may have the right number of entries, and they be wrong or not where they are looked for.
func TestVerifyFindsWrongEntries(t *testing.T) {
	for name, forged := range map[string]string{
		"of another part": "CREATE INDEX event_part on event (iif(part = '0001', '0002', part), station) where kind = 'part'",
		"in other order":  "CREATE INDEX event_part on event (part desc, station) where kind = 'part'",
		"as bytes":        "CREATE INDEX event_part on event (cast(part as blob), station) where kind = 'part'",
	} {
		cfg := config(t)
		r := start(t, cfg)
		r.append(t, jobEvent("a", "J-4107"), partEvent("a", "0001", 1), partEvent("a", "0002", 2), partEvent("a", "0003", 3))
		mustStop(t, r)
		text := objects()[slices.IndexFunc(objects(), func(o object) bool { return o.name == "event_part" })].text
		tamper(t, cfg.Path, "drop index event_part", forged, "pragma writable_schema = 1", "update sqlite_schema set sql = "+quoted(text)+" where name = 'event_part'")
		if said := faults(t, cfg.Path); !strings.Contains(said, "event_part") {
			t.Errorf("%s: %q", name, said)
		}
	}
}

// The whole schema is compared, and not only what is looked for.
func TestVerifyComparesTheSchema(t *testing.T) {
	for statement, says := range map[string]string{
		"drop index event_part": "the index event_part is gone",
		"drop index event_part; create index event_part on event (part) where kind = 'part'": "a index event_part that is not",
		"create index more on event (part)":                                                  "a index more that is not",
		"create trigger more after insert on event begin delete from cursor; end":            "a trigger more that is not",
		"create view parts as select part from event":                                        "a view parts that is not",
		"create virtual table words using fts5(body)":                                        "a table words that is not",
		"create table more (x)":                                                              "a table more that is not",
		"drop trigger event_update":                                                          "the trigger event_update",
		"drop trigger event_update; create trigger event_update before update on event when false begin select 1; end": "the trigger event_update",
		"alter table cursor add column more text": "the table cursor is gone or not",
		"analyze": "a table sqlite_stat1",
	} {
		cfg := config(t)
		fill(t, cfg, 3)
		tamper(t, cfg.Path, statement)
		if said := faults(t, cfg.Path); !strings.Contains(said, says) {
			t.Errorf("%s: %q", statement, said)
		}
	}
}

// A start puts back the triggers and indexes that somebody has dropped or changed.
func TestOpenRestoresTheSchema(t *testing.T) {
	cfg := config(t)
	fill(t, cfg, 3)
	tamper(t, cfg.Path, "drop index event_part", "drop trigger event_delete", "drop trigger event_update; create trigger event_update before update on event when false begin select 1; end")
	r := start(t, cfg)
	w := strings.Join(r.Warnings(), "\n")
	for _, name := range []string{"index event_part", "trigger event_delete", "trigger event_update"} {
		if !strings.Contains(w, name) {
			t.Errorf("warned of %q, not of %s", w, name)
		}
	}
	mustStop(t, r)
	mustVerify(t, cfg.Path)
}

// A row below 1 belongs to no chain. Nothing makes use of it.
func TestRowsBelowOne(t *testing.T) {
	cfg := config(t)
	r := start(t, cfg)
	r.append(t, jobEvent("a", "J-4107"), partEvent("a", "0001", 1), note("a", "1"))
	mustStop(t, r)
	ring := analysis.Temperature(80_000)
	forged := event.Event{Station: "a", At: morning, Kind: event.Warmed, Warm: &event.Warmth{Ring: &ring}}
	body, err := forged.AppendJSON(nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, seq := range []int{0, -7} {
		insert := fmt.Sprintf("insert into event select %d, at, station, 'temperature', null, null, x'%x', hash from event where seq = 1", seq, newPacker(newDictionary).pack(nil, body))
		// The schema refuses the row by itself.
		db, err := openPool(cfg.Path, "", nil, 1)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := db.ExecContext(t.Context(), "drop trigger event_insert; "+insert); err == nil {
			t.Error("the table takes a row below 1")
		}
		db.Close()
		tamper(t, cfg.Path, "drop trigger if exists event_insert", "pragma ignore_check_constraints = 1", insert)
	}
	if said := faults(t, cfg.Path); !strings.Contains(said, "2 rows are numbered below 1") {
		t.Errorf("%q", said)
	}
	again := start(t, cfg)
	if w := strings.Join(again.Warnings(), "\n"); !strings.Contains(w, "below 1") {
		t.Errorf("warned of %q", w)
	}
	records, err := again.Rebuild(t.Context(), "a")
	if err != nil || len(records) != 3 {
		t.Errorf("%d records, %v", len(records), err)
	}
	if r, err := again.Newest(t.Context(), "a", event.Warmed, again.Last()+1); r != nil || err != nil {
		t.Errorf("%+v, %v", r, err)
	}
	for r, err := range again.Query(t.Context(), Filter{}) {
		if err != nil || r.Kind == event.Warmed {
			t.Errorf("%+v, %v", r, err)
		}
	}
}

// Entries that somebody has added to the list of readings do not keep the journal from recording.
func TestForgedListOfReadings(t *testing.T) {
	cfg := config(t)
	fill(t, cfg, 500)
	tamper(t, cfg.Path, "insert into reading select 'hone bay 1', seq + 300 from event", "insert into reading values ('nowhere', -3)")
	if said := faults(t, cfg.Path); !strings.Contains(said, "the list of readings has 503 entries for 0 rows") {
		t.Errorf("%q", said)
	}
	r := start(t, cfg)
	if w := strings.Join(r.Warnings(), "\n"); !strings.Contains(w, "list of readings had entries of hone bay 1") || !strings.Contains(w, "nowhere") {
		t.Errorf("warned of %q", w)
	}
	tamper(t, cfg.Path, "insert into reading select 'hone bay 1', seq + 300 from event") // while it runs too
	var more []event.Event
	for n := range 2 * indexBatch {
		more = append(more, reading("hone bay 1", "J-4107", "0001", 501+n))
	}
	r.append(t, more...)
	r.settle(t, uint64(len(more)))
	if s := r.Status(); !s.Recording {
		t.Errorf("%+v", s)
	}
	mustStop(t, r)
	mustVerify(t, cfg.Path)

	// A list that ends too early is filled, from its beginning if need be.
	for _, statement := range []string{"delete from reading where seq > 1100", "delete from reading"} {
		tamper(t, cfg.Path, statement)
		if said := faults(t, cfg.Path); !strings.Contains(said, "list of readings") {
			t.Errorf("%s: %q", statement, said)
		}
		mustStop(t, start(t, cfg))
		mustVerify(t, cfg.Path)
	}
}

func TestIndexesAreReadThemselves(t *testing.T) {
	cfg := config(t)
	fill(t, cfg, 3)
	v, err := View(t.Context(), cfg.Path)
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	for _, query := range listQueries() {
		type step struct {
			id, parent, unused int
			detail             string
		}
		plan, err := readRows(t.Context(), v.read, func(s *step) []any { return []any{&s.id, &s.parent, &s.unused, &s.detail} }, "explain query plan "+query)
		if err != nil || len(plan) != 1 || !strings.Contains(plan[0].detail, "COVERING INDEX") && plan[0].detail != "SCAN reading" {
			t.Errorf("%s: %+v, %v", query, plan, err)
		}
	}
}
