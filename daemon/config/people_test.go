package config

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// hashed looks like what fairbore hash prints.
func hashed(n int) string { return "$2a$10$" + strings.Repeat(fmt.Sprint(n), 53) }

// staffed returns the example with people, and with a job that another must sign for.
func staffed(t *testing.T, people string) string {
	text := strings.Replace(example(t), "\npeople: {}\n", "\npeople:\n"+people+"\n", 1)
	if !strings.Contains(text, people) {
		t.Fatal("the example has no people")
	}
	return text
}

func TestPeople(t *testing.T) {
	c, err := Parse("f.yaml", []byte(staffed(t, "  ab: {roles: [gauge, set_up], badge: FB-0001}\n  quality: {name: Quality, roles: [accept], pin_hash: "+hashed(1)+"}\n  ex: {roles: [look]}")))
	if err != nil {
		t.Fatal(err)
	}
	if p := c.People["ab"]; p.Name != "ab" || p.Badge != "FB-0001" || c.Shift != 8*time.Hour {
		t.Errorf("%+v, shift %s", p, c.Shift)
	}
}

// Each fault of people is found at its key and line.
func TestFaultsOfPeople(t *testing.T) {
	const all = "roles: [gauge, accept, set_up]"
	for _, c := range []struct{ people, key, why string }{
		{"  ab: {" + all + ", badge: FB-0001}\n  cd: {" + all + ", badge: fb-0001}", "people.cd.badge", "is the badge of people.ab too"},
		{"  ab: {" + all + ", badge: J-4112}", "people.ab.badge", "id of a job"},
		{"  ab: {" + all + ", badge: r-1250}", "people.ab.badge", "id of a ring"},
		{"  ab: {" + all + ", badge: \"0001234\"}", "people.ab.badge", "serial number"},
		{"  ab: {" + all + ", badge: \"7\"}", "people.ab.badge", "at least 6"},
		{"  ab: {" + all + ", badge: 1234567890}", "people.ab.badge", "quotes"},
		{"  ab: {" + all + ", badge: \"FB-\\u200b0001\"}", "people.ab.badge", "not seen"},
		{"  ab: {" + all + ", badge: \" FB-0001\"}", "people.ab.badge", "space"},
		{"  ab: {" + all + ", name: \"A\\u202eB\"}", "people.ab.name", "not seen"},
		{"  ab: {" + all + ", name: " + strings.Repeat("x", 65) + "}", "people.ab.name", "too many"},
		{"  ab: {" + all + ", name: Shift}\n  cd: {" + all + ", name: shift}", "people.cd.name", "is the name of people.ab too"},
		{"  ab: {roles: [gauge, accept, boss]}", "people.ab.roles", "gauge, accept, set_up, look"},
		{"  ab: {" + all + "}\n  cd: {name: x}", "people.cd.roles", "say what"},
		{"  ab: {roles: [gauge, accept, gauge]}", "people.ab.roles", "twice"},
		{"  ab: {" + all + "}\n  cd: {roles: [look, gauge]}", "people.cd.roles", "nothing else"},
		{"  ab: {roles: [gauge]}", "people", "nobody has the role accept"},
		{"  ab: {roles: [accept]}", "people", "nobody has the role gauge"},
		{"  ab: {" + all + ", pin_hash: \"1234\"}", "people.ab.pin_hash", "not the PIN"},
		{"  ab: {" + all + ", pin_hash: " + hashed(1) + "}\n  cd: {" + all + ", pin_hash: " + hashed(1) + "}", "people.cd.pin_hash", "hash of people.ab too"},
		{"  \"a b\": {" + all + "}", "people.a b", "letters, digits"},
		{"  ab: {" + all + ", colour: red}", "people.ab.colour", "unknown key"},
		{"  ab: {" + all + "}\n  cd:", "people.cd", "no value"},
		{"  ab: {" + all + "}\n  cd: [gauge]", "people.cd", ""},
	} {
		text := staffed(t, c.people)
		_, err := Parse("f.yaml", []byte(text))
		f := find(err, c.key)
		if f == nil || !strings.Contains(f.Err.Error(), c.why) {
			t.Errorf("%s: got %v, want %s: %s", c.people, err, c.key, c.why)
			continue
		}
		last := c.people[strings.LastIndex(c.people, "\n")+1:]
		for i, line := range strings.Split(text, "\n") {
			if want := i + 1; strings.HasPrefix(line, last) && c.key != "people" && f.Line != want {
				t.Errorf("%s: line %d, want %d", c.people, f.Line, want)
			}
		}
	}
}

// A job that another must sign for needs two who can't be taken for one another.
func TestFaultsOfSignOff(t *testing.T) {
	for _, c := range []struct{ people, why string }{
		{"", "nobody is named"},
		{"  ab: {roles: [gauge, accept], badge: FB-0001}", "ab alone"},
		{"  ab: {roles: [gauge, accept], badge: FB-0001}\n  cd: {roles: [accept]}", "cd may accept, but has neither"},
		{"  ab: {roles: [gauge, accept], badge: FB-0001}\n  cd: {roles: [accept], pin_hash: " + hashed(1) + "}", ""},
		{"  ab: {roles: [gauge]}\n  cd: {roles: [accept], pin_hash: " + hashed(1) + "}", ""},
	} {
		text := example(t)
		if c.people != "" {
			text = staffed(t, c.people)
		}
		_, err := Parse("f.yaml", []byte(strings.Replace(text, "sign_off: false", "sign_off: true", 1)))
		if f := find(err, "jobs.J-4112.sign_off"); (f == nil) != (c.why == "") || f != nil && !strings.Contains(f.Err.Error(), c.why) {
			t.Errorf("%q: got %v, want %q", c.people, err, c.why)
		}
	}
}

func TestShift(t *testing.T) {
	for text, ok := range map[string]bool{"8h": true, "24h": true, "1m": true, "25h": false, "0s": false, "8": false, "-8h": false} {
		_, err := Parse("f.yaml", []byte(strings.Replace(example(t), "shift: 8h ", "shift: "+text+" ", 1)))
		if f := find(err, "shift"); (f == nil) != ok {
			t.Errorf("%s: %v", text, err)
		}
	}
}
