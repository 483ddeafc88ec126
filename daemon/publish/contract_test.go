package publish

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v3"

	"fairbore/daemon/event"
	"fairbore/daemon/publishtest"
	"fairbore/daemon/state"
)

const contract = "../../configs/fairbore.asyncapi.yaml"

func schemaFile(name string) string { return "../../configs/schema/" + name + ".json" }

// names are the messages of the contract.
func names() []string {
	return []string{LeafLive, LeafReading, LeafEvent, LeafBore, LeafAlive, LeafHead, LeafDo, LeafDone}
}

// compile reads the schemas; closed ones allow no property that they don't name,
// which is for us, not for receivers.
func compile(t *testing.T, name string, closed bool) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	c.AssertFormat()
	for _, n := range append(names(), "parts", "analysis") {
		doc := load(t, n)
		if closed {
			closeObjects(doc)
		}
		if err := c.AddResource("file:///schema/"+n+".json", doc); err != nil {
			t.Fatal(err)
		}
	}
	s, err := c.Compile("file:///schema/" + name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func load(t *testing.T, name string) any {
	t.Helper()
	f, err := os.Open(schemaFile(name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	doc, err := jsonschema.UnmarshalJSON(f)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return doc
}

func closeObjects(v any) {
	switch v := v.(type) {
	case map[string]any:
		if v["type"] == "object" && v["additionalProperties"] == nil {
			v["additionalProperties"] = false
		}
		for _, w := range v {
			closeObjects(w)
		}
	case []any:
		for _, w := range v {
			closeObjects(w)
		}
	}
}

func validate(t *testing.T, s *jsonschema.Schema, v any) ([]byte, error) {
	t.Helper()
	raw, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(string(raw)))
	if err != nil {
		t.Fatal(err)
	}
	return raw, s.Validate(doc)
}

// messages are full ones of each kind, with the words that have a meaning.
func messages() map[string][]any {
	r := publishtest.Full[event.Record]()
	r.Kind, r.Reading.How = event.Taken, "settled"
	r.Reading.PartFrom = event.ByCooling
	rd := *r.Reading
	r.Event = event.Event{Station: r.Station, At: r.At, Kind: event.Taken, Source: "gauge", Command: "c1", Person: "first-shift", Simulated: true, Reading: &rd}
	ev := publishtest.Full[event.Record]()
	ev.Kind, ev.Reading, ev.Working.By, ev.File.By = event.NoteAdded, nil, event.ByPIN, event.ByBadge
	ev.Verdict.Outcome = event.Conceded
	b := publishtest.Full[state.Bore]()
	b.Places[0].State, b.Last.How = "taken", "button"
	b.WarmFrom, b.Last.PartFrom, b.Now.Is = event.ByCooling, event.BySensor, state.InSize
	b.Verdict.Outcome = event.OnHold
	d := publishtest.Full[event.Action]()
	d.Do, d.Outcome, d.ReasonCode = "position", event.Scrapped, event.Reasons()[0]
	return map[string][]any{
		LeafReading: {r}, LeafEvent: {ev}, LeafBore: {b}, LeafDo: {d},
		LeafLive: {publishtest.Full[event.Live]()}, LeafDone: {publishtest.Full[event.Reply]()},
		LeafHead:  {event.Head{Journal: "j", Seq: 1, Hash: strings.Repeat("0a", 32), At: r.At, Signature: "s", Key: strings.Repeat("0b", 32)}},
		LeafAlive: {Alive{Daemon: "d", State: Online, Why: "w", Journal: "j", Version: "v", At: r.At, Stations: []string{"a"}, Simulated: true}},
	}
}

// The schemas name every property that is sent, and no events.
func TestSchemasCoverTheMessages(t *testing.T) {
	for name, msgs := range messages() {
		s := compile(t, name, true)
		for _, m := range msgs {
			raw, err := validate(t, s, m)
			if err != nil {
				t.Errorf("%s: %v\n%s", name, err, raw)
			}
			var doc map[string]any
			if err := json.Unmarshal(raw, &doc); err != nil {
				t.Fatal(err)
			}
			props := load(t, name).(map[string]any)["properties"].(map[string]any)
			for p := range props {
				if _, ok := doc[p]; !ok {
					t.Errorf("%s: the schema has %q, which is never sent", name, p)
				}
			}
		}
	}
}

// The ghosts deeper down: every property of every part is in some full message.
func TestSchemaPartsAreSent(t *testing.T) {
	sent := map[string]bool{}
	for _, msgs := range messages() {
		for _, m := range msgs {
			raw, err := json.Marshal(m)
			if err != nil {
				t.Fatal(err)
			}
			var doc any
			if err := json.Unmarshal(raw, &doc); err != nil {
				t.Fatal(err)
			}
			walk(doc, func(o map[string]any) {
				for k := range o {
					sent[k] = true
				}
			})
		}
	}
	for _, n := range append(names(), "parts", "analysis") {
		walk(load(t, n), func(o map[string]any) {
			if props, ok := o["properties"].(map[string]any); ok && o["type"] == "object" {
				for p := range props {
					if !sent[p] {
						t.Errorf("%s: nothing sends %q", n, p)
					}
				}
			}
		})
	}
}

func walk(v any, see func(map[string]any)) {
	switch v := v.(type) {
	case map[string]any:
		see(v)
		for _, w := range v {
			walk(w, see)
		}
	case []any:
		for _, w := range v {
			walk(w, see)
		}
	}
}

// Every kind of event is known, and needs the object that tells it.
func TestEventKinds(t *testing.T) {
	s := compile(t, LeafEvent, false)
	full := publishtest.Full[event.Event]()
	full.Verdict.Outcome = event.ToRework
	objects := map[event.Kind]func(*event.Event){
		event.Started: nil, event.Configured: func(e *event.Event) { e.Settings = full.Settings }, event.JobChosen: func(e *event.Event) { e.Job = full.Job }, event.PartBegun: func(e *event.Event) { e.Part = full.Part },
		event.RoundOver: func(e *event.Event) { e.Round = full.Round }, event.RoundUndone: func(e *event.Event) { e.Round = full.Round }, event.Placed: func(e *event.Event) { e.Place = full.Place },
		event.Refused: func(e *event.Event) { e.Refused = full.Refused }, event.Voided: func(e *event.Event) { e.Void = full.Void },
		event.Restored: func(e *event.Event) { e.Void = full.Void }, event.Kept: func(e *event.Event) { e.Void = full.Void }, event.Mastering: func(e *event.Event) { e.Master = full.Master },
		event.RingRead: func(e *event.Event) { e.Ring = full.Ring }, event.Mastered: func(e *event.Event) { e.Master = full.Master },
		event.Judged: func(e *event.Event) { e.Verdict = full.Verdict }, event.Superseded: func(e *event.Event) { e.Verdict = full.Verdict }, event.GaugeSeen: func(e *event.Event) { e.Gauge = full.Gauge },
		event.Checked: func(e *event.Event) { e.Check = full.Check }, event.Reread: func(e *event.Event) { e.Reread = full.Reread }, event.SpeedsChecked: func(e *event.Event) { e.Speeds = full.Speeds }, event.Reworked: func(e *event.Event) { e.Rework = full.Rework },
		event.Disturbed: nil, event.Warmed: func(e *event.Event) { e.Warm = full.Warm },
		event.Dressing: nil, event.Cooled: func(e *event.Event) { e.Cool = full.Cool },
		event.Studied:         func(e *event.Event) { e.Study = full.Study },
		event.SpindleSwitched: func(e *event.Event) { e.Spindle = full.Spindle },
		event.Flooded:         func(e *event.Event) { e.Flood = full.Flood },
		event.ClockSet:        func(e *event.Event) { e.Clock = full.Clock }, event.NoteAdded: func(e *event.Event) { e.Note = "n" },
		event.PersonNamed: func(e *event.Event) { e.Working = &event.Working{} },
		event.FileChanged: func(e *event.Event) { e.File = &event.FileChange{} },
	}
	enum := load(t, LeafEvent).(map[string]any)["properties"].(map[string]any)["kind"].(map[string]any)["enum"].([]any)
	if len(enum) != len(objects) {
		t.Errorf("%d kinds in the schema, %d here", len(enum), len(objects))
	}
	for kind, set := range objects {
		rec := event.Record{Journal: "J", Seq: 1, Event: event.Event{Station: "s", At: full.At, Kind: kind}}
		if _, err := validate(t, s, rec); (err == nil) != (set == nil) {
			t.Errorf("%s without its object: %v", kind, err)
		}
		if set == nil {
			continue
		}
		set(&rec.Event)
		if raw, err := validate(t, s, rec); err != nil {
			t.Errorf("%s: %v\n%s", kind, err, raw)
		}
	}
	if _, err := validate(t, s, event.Record{Journal: "J", Seq: 1, Event: event.Event{Station: "s", At: full.At, Kind: event.Taken}}); err == nil {
		t.Error("a reading passes as an event")
	}
}

// What must not pass.
func TestSchemasRefuse(t *testing.T) {
	for name, docs := range map[string][]string{
		LeafReading: {`{}`, `{"journal":"J","seq":0,"station":"s","at":"2026-11-25T09:30:00Z","kind":"reading"}`, `{"journal":"J","seq":1,"station":"s","at":"yesterday","kind":"reading","reading":{}}`},
		LeafDo:      {`{"do":"record"}`, `{"id":"","do":"record"}`, `{"id":"1","do":"start spindle"}`, `{"id":"1","do":"position","position":{"depth_mm":"13","angle_deg":0}}`, `{"id":"1","do":"position","position":{"depth_mm":13,"angle_deg":360}}`},
		LeafAlive:   {`{"daemon":"d","state":"asleep","at":"2026-11-25T09:30:00Z"}`},
		LeafBore:    {`{"journal":"J","seq":1}`},
	} {
		s := compile(t, name, false)
		for _, d := range docs {
			doc, err := jsonschema.UnmarshalJSON(strings.NewReader(d))
			if err != nil {
				t.Fatal(err)
			}
			if s.Validate(doc) == nil {
				t.Errorf("%s passes as %s", d, name)
			}
		}
	}
}

// What leaves a publisher, seen at a real broker, is what the contract says.
func TestPublishedMessagesKeepTheContract(t *testing.T) {
	m := publishtest.StartMosquitto(t)
	e := listen(t, m.URL(), nil)
	j := &publishtest.Journal{}
	j.Add("hone-bay-1", 3)
	j.Recs[1].Event = event.Event{Station: "hone-bay-1", At: j.Recs[1].At, Kind: event.GaugeSeen, Gauge: &event.InstrumentState{Name: "G-11"}}
	msgs := messages()
	p := run(t, config(m.URL()), j, nil)
	connected(t, p)
	for _, leaf := range []string{LeafLive, LeafBore, LeafDone} {
		raw, err := json.Marshal(msgs[leaf][0])
		if err != nil {
			t.Fatal(err)
		}
		showLive := func(station string, payload []byte) { p.Live(station, json.RawMessage(payload)) }
		map[string]func(string, []byte){LeafLive: showLive, LeafBore: p.Bore, LeafDone: p.Done}[leaf]("hone-bay-1", raw)
	}
	p.Head(event.Head{Journal: p.cfg.Journal, Seq: 3, Hash: strings.Repeat("0a", 32), At: j.Recs[2].At})
	counts := func() map[string]int {
		c := map[string]int{}
		for _, msg := range e.all() {
			c[filepath.Base(msg.Topic())]++
		}
		return c
	}
	want := map[string]int{LeafLive: 1, LeafReading: 2, LeafEvent: 1, LeafBore: 1, LeafAlive: 3, LeafDone: 1, LeafHead: 1}
	publishtest.Until(t, "all messages", func() bool { return maps.Equal(counts(), want) })
	for _, msg := range e.all() {
		if head := Topic(p.cfg.Site, p.cfg.Journal, LeafHead); filepath.Base(msg.Topic()) == LeafHead && msg.Topic() != head {
			t.Errorf("a head is at %s, want %s", msg.Topic(), head)
		}
		leaf := filepath.Base(msg.Topic())
		doc, err := jsonschema.UnmarshalJSON(strings.NewReader(string(msg.Payload())))
		if err != nil {
			t.Fatal(err)
		}
		if err := compile(t, leaf, true).Validate(doc); err != nil {
			t.Errorf("%s: %v\n%s", msg.Topic(), err, msg.Payload())
		}
	}
}

// Every number says its unit, as a UCUM code that its name agrees with.
func TestNumbersHaveUnits(t *testing.T) {
	suffix := map[string]string{"_mm": "mm", "_um": "um", "_deg": "deg", "_s": "s", "_ns": "ns", "_cel": "Cel", "_k": "K", "_hz": "Hz", "_n": "N"}
	for _, n := range append(names(), "parts", "analysis") {
		walk(load(t, n), func(o map[string]any) {
			props, _ := o["properties"].(map[string]any)
			for name, p := range props {
				s, _ := p.(map[string]any)
				about := s["description"]
				if items, ok := s["items"].(map[string]any); ok && items["$ref"] == nil {
					s = items
					if items["description"] != nil {
						about = items["description"]
					}
				}
				if s["type"] != "number" && s["type"] != "integer" {
					continue
				}
				unit, _ := s["unit"].(string)
				if !slices.Contains([]string{"mm", "um", "deg", "s", "ns", "Cel", "K", "Hz", "%", "1", "um/s2", "N", "s2", "s-2", "s-4"}, unit) {
					t.Errorf("%s: %s has unit %q", n, name, unit)
				}
				for end, want := range suffix {
					if strings.HasSuffix(name, end) && unit != want {
						t.Errorf("%s: %s has unit %q", n, name, unit)
					}
				}
				if about == "" || about == nil {
					t.Errorf("%s: %s has no description", n, name)
				}
			}
		})
	}
}

// The AsyncAPI document has the topics, quality of service and retention that
// the code uses, and every reference in it leads somewhere.
func TestContractDocument(t *testing.T) {
	raw, err := os.ReadFile(contract)
	if err != nil {
		t.Fatal(err)
	}
	var doc map[string]any
	if err := yaml.Unmarshal(raw, &doc); err != nil {
		t.Fatal(err)
	}
	if doc["asyncapi"] != "3.0.0" {
		t.Errorf("asyncapi %v", doc["asyncapi"])
	}
	at := func(path ...string) any {
		var v any = doc
		for _, p := range path {
			o, _ := v.(map[string]any)
			v = o[p]
		}
		return v
	}
	walk(doc, func(o map[string]any) {
		ref, ok := o["$ref"].(string)
		if !ok {
			return
		}
		if local, ok := strings.CutPrefix(ref, "#/"); ok {
			if at(strings.Split(local, "/")...) == nil {
				t.Errorf("%s leads nowhere", ref)
			}
		} else if _, err := os.Stat(filepath.Join(filepath.Dir(contract), ref)); err != nil {
			t.Error(err)
		}
	})
	if n := len(at("channels").(map[string]any)); n != len(names()) {
		t.Errorf("%d channels, want %d", n, len(names()))
	}
	for _, n := range names() {
		below := "{station}"
		if n == LeafHead {
			below = "{journal}"
		}
		if got := at("channels", n, "address"); got != Topic("{site}", below, n) {
			t.Errorf("%s: address %v", n, got)
		}
		if got := at("components", "messages", n, "payload", "$ref"); got != "./schema/"+n+".json" {
			t.Errorf("%s: payload %v", n, got)
		}
	}
	for op, want := range map[string]string{"tellLive": "send live 0 false", "tellReading": "send reading 1 false", "tellEvent": "send event 1 false",
		"tellBore": "send bore 1 true", "tellHead": "send head 1 true", "tellAlive": "send alive 1 true", "takeCommand": "receive do 1 false", "tellDone": "send done 1 false"} {
		ch, _ := at("operations", op, "channel", "$ref").(string)
		mqtt, _ := at("operations", op, "bindings", "mqtt").(map[string]any)
		if got := fmt.Sprint(at("operations", op, "action"), " ", strings.TrimPrefix(ch, "#/channels/"), " ", mqtt["qos"], " ", mqtt["retain"]); got != want {
			t.Errorf("%s: %s, want %s", op, got, want)
		}
	}
}

// The specification's own parser agrees.
func TestContractByTheParser(t *testing.T) {
	t.Parallel()
	all := os.Getenv("FAIRBORE_ALL") != ""
	node := publishtest.Need(t, "node")
	out, err := exec.Command(node, "../../testdata/publish/asyncapi.cjs", contract).CombinedOutput()
	var exit *exec.ExitError
	if errors.As(err, &exit) && exit.ExitCode() == 77 && !all {
		t.Skip("@asyncapi/parser is not installed; set NODE_PATH to where it is")
	}
	if err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}
