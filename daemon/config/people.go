package config

import (
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Person is somebody who may work at a station.
type Person struct {
	Name  string   `koanf:"name"`  // as the pages say it; the id if left out
	Roles []string `koanf:"roles"` // gauge, accept, set_up; or look alone
	// Badge is what a scanner sends for the person's badge. It is kept as text: whoever sees the badge
	// can read it, so that a hash would hide nothing, and each scanned text is compared with it.
	Badge string `koanf:"badge"`
	PIN   string `koanf:"pin_hash"` // as fairbore hash --pin prints it
}

// The roles of a person. They are those of package event, which has the word Right for them.
const (
	roleGauge  = "gauge"
	roleAccept = "accept"
	roleSetUp  = "set_up"
	roleLook   = "look"
)

// personID matches the id of a person, which stands in every event.
var personID = regexp.MustCompile(`^[A-Za-z0-9_-]{1,32}$`)

// Bounds of what is stated of people. A badge of digits alone could be the serial number of a part
// unless it is long.
const (
	usualShift  = 8 * time.Hour
	leastShift  = time.Minute
	mostShift   = 24 * time.Hour
	leastBadge  = 6
	leastDigits = 8
	mostName    = 64
)

// people checks who may work here.
func (l *loader) people(c *Config) {
	if c.Shift < leastShift || c.Shift > mostShift {
		l.fault("shift", "%s: want %s to %s", c.Shift, leastShift, mostShift)
	}
	if len(c.People) == 0 {
		l.signOff(c)
		return
	}
	seen := map[string]string{}
	for _, id := range slices.Sorted(maps.Keys(c.People)) {
		l.person("people."+id, id, c.People[id], c, seen)
	}
	for _, role := range []string{roleGauge, roleAccept} {
		if len(c.with(role)) == 0 {
			l.fault("people", "nobody has the role %s, so that nobody could do it", role)
		}
	}
	l.signOff(c)
}

func (l *loader) person(key, id string, p *Person, c *Config, seen map[string]string) {
	if !personID.MatchString(id) {
		l.fault(key, "%q: name the person by an id of at most 32 letters, digits, - and _, such as initials", id)
	}
	if p == nil {
		l.fault(key, "is empty")
		return
	}
	p.Name = or(p.Name, id)
	if bad := unfit(p.Name); bad != "" {
		l.fault(key+".name", "%q %s", p.Name, bad)
	}
	if other := seen["name "+strings.ToLower(p.Name)]; other != "" {
		l.fault(key+".name", "%q is the name of %s too; nobody could tell them apart", p.Name, other)
	}
	seen["name "+strings.ToLower(p.Name)] = key
	l.roles(key+".roles", p.Roles)
	l.badge(key+".badge", p.Badge, c, seen)
	if h := p.PIN; h != "" {
		if len(h) != 60 || !strings.HasPrefix(h, "$2") {
			l.fault(key+".pin_hash", "give the hash of the PIN, as fairbore hash --pin prints it, not the PIN")
		} else if other := seen["pin "+h]; other != "" {
			l.fault(key+".pin_hash", "is the hash of %s too; make one for each person", other)
		}
		seen["pin "+h] = key
	}
}

func (l *loader) roles(key string, roles []string) {
	if len(roles) == 0 {
		l.fault(key, "say what the person may do: gauge, accept, set_up, or look alone")
	}
	for i, r := range roles {
		l.oneOf(key, r, roleGauge, roleAccept, roleSetUp, roleLook)
		if slices.Contains(roles[:i], r) {
			l.fault(key, "%s stands there twice", r)
		}
	}
	if len(roles) > 1 && slices.Contains(roles, roleLook) {
		l.fault(key, "look is for those who may do nothing else; everybody may look")
	}
}

// badge refuses a badge that is not told from another person's, or from what else is scanned.
func (l *loader) badge(key, badge string, c *Config, seen map[string]string) {
	if badge == "" {
		return
	}
	if bad := unfit(badge); bad != "" {
		l.fault(key, "%q %s", badge, bad)
	}
	digits := strings.Trim(badge, "0123456789") == ""
	switch n := utf8.RuneCountInString(badge); {
	case n < leastBadge:
		l.fault(key, "%q: want at least %d characters, so that it is not guessed", badge, leastBadge)
	case digits && n < leastDigits:
		l.fault(key, "%q could be the serial number of a part: want at least %d digits, or a letter", badge, leastDigits)
	}
	for id := range c.Jobs {
		if strings.EqualFold(id, badge) {
			l.fault(key, "%q is the id of a job, which the scanner reads too", badge)
		}
	}
	for id := range c.Rings {
		if strings.EqualFold(id, badge) {
			l.fault(key, "%q is the id of a ring, which the scanner reads too", badge)
		}
	}
	if other := seen["badge "+strings.ToLower(badge)]; other != "" {
		l.fault(key, "%q is the badge of %s too", badge, other)
	}
	seen["badge "+strings.ToLower(badge)] = strings.TrimSuffix(key, ".badge")
}

// unfit says what is wrong with a name or a badge, "" if nothing is.
func unfit(text string) string {
	switch {
	case utf8.RuneCountInString(text) > mostName:
		return "has too many characters; 64 are the most"
	case strings.TrimSpace(text) != text:
		return "begins or ends with a space"
	case strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }):
		return "has a character that is not seen"
	}
	return ""
}

// with returns the ids of the people who have a role.
func (c *Config) with(role string) (ids []string) {
	for _, id := range slices.Sorted(maps.Keys(c.People)) {
		if p := c.People[id]; p != nil && slices.Contains(p.Roles, role) {
			ids = append(ids, id)
		}
	}
	return ids
}

// signOff checks that jobs which another must sign for can be accepted, and that nobody can sign in
// another's name.
func (l *loader) signOff(c *Config) {
	for _, id := range slices.Sorted(maps.Keys(c.Jobs)) {
		j := c.Jobs[id]
		if j == nil || !j.SignOff {
			continue
		}
		key := "jobs." + id + ".sign_off"
		accept, gauge := c.with(roleAccept), c.with(roleGauge)
		switch {
		case len(c.People) == 0:
			l.fault(key, "nobody is named under people, so that another can't sign")
		case len(accept) == 1 && len(gauge) == 1 && accept[0] == gauge[0]:
			l.fault(key, "%s alone measures and accepts, so that another can't sign", accept[0])
		}
		for _, who := range accept {
			if p := c.People[who]; p.PIN == "" && p.Badge == "" {
				l.fault(key, "%s may accept, but has neither a badge nor a pin_hash: anybody could sign in that name", who)
			}
		}
	}
}
