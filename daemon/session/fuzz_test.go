package session

import (
	"bytes"
	"encoding/json"
	"testing"
	"time"

	"fairbore/daemon/event"
	"fairbore/drivers"
)

// Whatever is asked for, and whatever a gauge shows, nothing breaks; the events can be
// written and read, and the state is rebuilt from them. A line that begins with { is an
// action, one with ~ is scanned, and any other is a value that the gauge sends.
func FuzzSession(f *testing.F) {
	f.Add([]byte(`{"do":"job","job":"J-4112"}
{"do":"part","part":"003"}
{"do":"master"}
31.75
31.75
31.75
31.746 mm
{"do":"round","strokes":40,"confirm":true}
31.747
{"do":"void","reason":"dirt"}
{"do":"study","parts":3,"appraisers":["a","b"],"trials":2}
{"do":"accept"}`))
	f.Add([]byte("~R-1250\n31.75\n~J-4112\n~S-77\n31.746\n1.25 in\n{\"do\":\"cooldown\"}\n{\"do\":\"warm\",\"part_cel\":31}\n{\"do\":\"reread\"}\n31.75"))
	f.Add([]byte(`{"do":"job","spec":{"id":"J-9","title":"a","material":"steel","unit":"mm","nominal_mm":31.75,"low_mm":31.75,"high_mm":31.7525,"target_mm":31.751,"plausible_range_um":200,"length_mm":63.5,"sections_mm":[5],"orientations_deg":[0]}}
31.751`))
	f.Fuzz(func(t *testing.T, script []byte) {
		lines := bytes.Split(script, []byte("\n"))
		b := newBench(t, testSettings())
		for _, line := range lines[:min(len(lines), 60)] {
			b.wait(700 * time.Millisecond)
			if bytes.HasPrefix(line, []byte("{")) {
				var a event.Action
				if json.Unmarshal(line, &a) != nil {
					continue
				}
				events, reply := b.Act(b.now, a)
				if b.keep(events); !reply.Done && len(events) > 0 && reply.Why.IsZero() {
					t.Fatalf("%s: refused without a reason", line)
				}
				continue
			}
			if text, ok := bytes.CutPrefix(line, []byte("~")); ok {
				events, _ := b.Scanned(b.now, string(text))
				b.keep(events)
				continue
			}
			b.keep(b.Sample(b.now, "G-11", shown(line)))
		}
		ja := encode(t, b.all)
		var back []event.Event
		if err := json.Unmarshal([]byte(ja), &back); err != nil {
			t.Fatal(err)
		}
		if got := encode(t, back); got != ja {
			t.Fatalf("an event changes when it is stored and read:\n%s\n%s", ja, got)
		}
		again := New(b.set, records(back))
		if got, want := encode(t, again.Fold().Bore(&b.set, b.now.Wall)), encode(t, b.Fold().Bore(&b.set, b.now.Wall)); got != want {
			t.Fatalf("rebuilt:\n%s\nwas:\n%s", got, want)
		}
	})
}

// shown is the samples of a line as driver line reads it.
func shown(line []byte) []drivers.Sample {
	d, err := drivers.Find("line")
	if err != nil {
		return nil
	}
	dec, err := d.Decoder(nil)
	if err != nil {
		return nil
	}
	out, err := dec.Decode(bytes.Clone(line), nil)
	if err != nil {
		return nil
	}
	return out
}
