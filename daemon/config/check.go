package config

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"net"
	"net/netip"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/material"
	"fairbore/analysis/notation"
	"fairbore/analysis/verdict"
	"fairbore/drivers"
)

// level matches the name of a site or a station, which is a level of a topic.
var level = regexp.MustCompile(`^[A-Za-z0-9_-]{1,64}$`)

// check fills in what follows from other values, and notes every fault.
func (l *loader) check(c *Config) {
	if c.Version != 1 {
		l.fault("version", "not known: give 1")
	}
	if (c.Site != "" || len(c.Stations) > 0) && !level.MatchString(c.Site) {
		l.fault("site", "%q is not valid: use letters, digits, - and _", c.Site)
	}
	c.zone = time.Local
	if c.Zone != "" {
		zone, err := time.LoadLocation(c.Zone)
		if err != nil {
			l.fault("time_zone", "%q is not valid: give a name such as Europe/London or America/Chicago; \"\" is the machine's own", c.Zone)
		} else {
			c.zone = zone
		}
	}
	if c.Language != "" && notation.Spoken(c.Language) == nil {
		l.fault("language", "%q is not valid: give one of %s; \"\" is English", c.Language, strings.Join(notation.Tags(), ", "))
	}
	if c.Journal.Path == "" {
		l.fault("journal.path", "missing: give the path of the journal")
	}
	l.file("journal.key_file", &c.Journal.Key, true)
	l.letterhead(&c.Letterhead)
	l.web(&c.Web)
	l.listen("broker.embedded.listen", c.Broker.Embedded.Listen)
	l.broker(&c.Broker)
	l.mastering(&c.Master)
	if _, err := verdict.ParseRule(c.Guard); err != nil {
		l.fault("guard", "%w", err)
	}
	if d := &c.Doubt; d.Drift < 0 || d.Contact < 0 || d.PartWithin < 0 || d.RingWithin < 0 {
		l.fault("uncertainty", "a value is negative: give 0 or more; only ring_from_20 may be negative")
	}
	if c.Record.Max < 1 {
		l.fault("recordings.max_mb", "out of range: give at least 1")
	}
	for _, name := range slices.Sorted(maps.Keys(c.Gauges)) {
		l.gauge("gauges."+name, c.Gauges[name])
	}
	for _, id := range slices.Sorted(maps.Keys(c.Rings)) {
		l.ring("rings."+id, id, c.Rings[id])
	}
	for _, id := range slices.Sorted(maps.Keys(c.Jobs)) {
		l.job("jobs."+id, id, c.Jobs[id], c)
	}
	l.people(c)
	seen := map[string]string{}
	for i := range c.Stations {
		l.station(fmt.Sprintf("stations[%d]", i), &c.Stations[i], c, seen)
	}
	l.sharing(c)
	l.exposure(c)
}

func (l *loader) web(w *Web) {
	l.listen("web.listen", w.Listen)
	if h := w.Hash; h != "" && (len(h) != 60 || !strings.HasPrefix(h, "$2")) {
		l.fault("web.hash", "not a hash: give what fairbore hash prints, not the passphrase")
	}
	for i, text := range w.Proxies {
		p, err := netip.ParsePrefix(text)
		if addr, e := netip.ParseAddr(text); e == nil {
			p, err = netip.PrefixFrom(addr, addr.BitLen()), nil
		}
		if err != nil {
			l.fault(fmt.Sprintf("web.proxies[%d]", i), "%q is not valid: give an address such as 192.168.1.4, or a network such as 192.168.1.0/24", text)
		}
		w.trusted = append(w.trusted, p.Masked())
	}
}

func (l *loader) listen(key, addr string) {
	if addr == "" {
		return
	}
	if err := CheckListen(addr); err != nil {
		l.fault(key, "%w", err)
	}
}

// CheckListen returns what is wrong with an address to listen on. The form is host:port; without a
// host it is every address of the machine, and port 0 is any free port.
func CheckListen(addr string) error {
	_, port, err := net.SplitHostPort(addr)
	if err != nil {
		return fmt.Errorf("%q is not valid: give host:port, such as 127.0.0.1:8080", addr)
	}
	if _, err := strconv.ParseUint(port, 10, 16); err != nil {
		return fmt.Errorf("%q is not valid: give a port number of at most 65535, or 0 for any that is free", addr)
	}
	return nil
}

// CheckBroker returns what is wrong with the address of a broker. It does not repeat a password in
// the address.
func CheckBroker(address string) error {
	u, err := url.Parse(address)
	switch {
	case err != nil && strings.Contains(address, "@"), err == nil && u.User != nil:
		return errors.New("give user and password beside the address, not in it")
	case err != nil || u.Hostname() == "":
		return fmt.Errorf("%q is not valid: give tcp://host:1883 or ssl://host:8883", address)
	case !slices.Contains([]string{"tcp", "ssl", "ws", "wss"}, u.Scheme):
		return fmt.Errorf("%q is not valid: give tcp, ssl, ws or wss", u.Scheme)
	}
	if n, err := strconv.ParseUint(u.Port(), 10, 16); err != nil || n == 0 {
		return fmt.Errorf("%q is not valid: give a port number from 1 to 65535, such as 1883", address)
	}
	return nil
}

func (l *loader) broker(b *Broker) {
	if b.URL != "" {
		if err := CheckBroker(b.URL); err != nil {
			l.fault("broker.url", "%w", err)
		}
		if b.Embedded.Listen != "" {
			l.fault("broker.embedded.listen", "set together with broker.url: take one of them out")
		}
	}
	l.file("broker.password_file", &b.Password, true)
	l.file("broker.ca_file", &b.CA, false)
	l.file("broker.cert_file", &b.Cert, false)
	l.file("broker.key_file", &b.Key, true)
	l.file("broker.embedded.cert_file", &b.Embedded.Cert, false)
	l.file("broker.embedded.key_file", &b.Embedded.Key, true)
	if (b.Cert == "") != (b.Key == "") {
		l.fault("broker.cert_file", "certificate or key is missing: give both")
	}
	if b.Password != "" && b.User == "" {
		l.fault("broker.user", "missing: give the user of the password")
	}
}

func (l *loader) mastering(m *Mastering) {
	if m.Readings < 1 || m.Readings > 50 {
		l.fault("mastering.readings", "%d is out of range: give 1 to 50", m.Readings)
	}
	if m.Spread < 0 {
		l.fault("mastering.spread", "negative: give 0 or more")
	}
	if m.MaxAge < 0 || m.MaxReadings < 0 || m.Temperature < 0 || m.BeforeAccept < 0 || m.ReadingsBeforeAccept < 0 {
		l.fault("mastering", "a limit is negative: give 0 for none, or more")
	}
}

// The kinds of gauge.
const (
	TwoPoint   = "two-point"
	ThreePoint = "three-point"
	Air        = "air"
)

var roles = []string{"size", "depth", "angle", "part temperature", "ring temperature", "ignored"}

func (l *loader) gauge(key string, g *Gauge) {
	if g == nil {
		l.fault(key, "empty: fill it in, or take it out")
		return
	}
	g.Kind, g.Shows = or(g.Kind, TwoPoint), or(g.Shows, "size")
	if g.Step == 0 {
		g.Step = analysis.Deviation(analysis.Micrometre / 10)
	}
	if g.Repeatability == 0 {
		g.Repeatability = analysis.Deviation(analysis.Micrometre * 2 / 10)
	}
	if g.Unit != analysis.MM && g.Unit != analysis.IN && g.Unit != analysis.UM && g.Unit != analysis.UIN {
		l.fault(key+".unit", "unit missing: give the unit that the gauge shows, mm or in")
	}
	if _, err := drivers.Find(g.Driver); err != nil {
		l.fault(key+".driver", "%w", err)
	} else if _, err := g.Decoder(); err != nil {
		for _, line := range strings.Split(err.Error(), "\n") {
			l.fault(key+".options", "%s", line)
		}
	}
	l.oneOf(key+".kind", g.Kind, TwoPoint, ThreePoint, Air)
	l.oneOf(key+".reading_type", g.Shows, "size", "deviation")
	l.gaugeFigures(key, g)
	for _, name := range slices.Sorted(maps.Keys(g.Channels)) {
		l.oneOf(key+".channels."+name, g.Channels[name], roles...)
	}
}

// gaugeFigures checks the numbers that are stated about a gauge.
func (l *loader) gaugeFigures(key string, g *Gauge) {
	if g.Step <= 0 || g.Repeatability <= 0 || g.Tip < 0 {
		l.fault(key, "a figure is out of range: give step and repeatability above 0, tip 0 or more")
	}
	for _, s := range []struct {
		key string
		is  time.Duration
	}{{".averages", g.Averages}, {".lag", g.Lag}} {
		if s.is < 0 || s.is > mostSmoothing {
			l.fault(key+s.key, "%s is out of range: give 0 ms to %s", s.is, mostSmoothing)
		}
	}
	if g.FreeAir < 0 || g.FreeAir > mostTravel {
		l.fault(key+".free_air", "%s is out of range: give up to %s, what the gauge shows in free air above its ring; 0 if unknown", g.FreeAir, mostTravel)
	}
	g.due = l.date(key+".due", g.Due)
	l.date(key+".retired", g.Retired)
	l.certificate(key+".certificate_file", g.File)
	if g.Force < 0 || g.Force > mostForce {
		l.fault(key+".force", "%v N is out of range: give the force of one tip, up to %v N; 0 N if unknown", float64(g.Force), float64(mostForce))
	}
	if g.CorrectIndentation && (g.Tip <= 0 || g.Kind != TwoPoint) {
		l.fault(key+".correct_indentation", "works for a two-point gauge with round tips: give their radius in tip")
	}
}

// The largest values for a gauge that is rocked or comes to rest. A slower gauge can't be rocked at
// all, and no bore gauge has a longer travel (common practice: 0.15 to 3 mm).
const (
	mostSmoothing = time.Second
	mostTravel    = 10 * analysis.Millimetre
)

// mostForce is more than any gauge for small bores presses with (common practice: 0.5 to 2 N, a
// heavy gauge 10).
const mostForce Force = 20

func (l *loader) oneOf(key, v string, allowed ...string) {
	if !slices.Contains(allowed, v) {
		l.fault(key, "%q is not known: give one of %s", v, strings.Join(allowed, ", "))
	}
}

// ringFromNominal is the largest difference between a setting ring and the size engraved on it
// (common practice; classes of setting rings are some micrometres wide).
const ringFromNominal = analysis.Millimetre / 20

func (l *loader) ring(key, id string, r *Ring) {
	if r == nil {
		l.fault(key, "empty: fill it in, or take it out")
		return
	}
	if r.Size <= 0 {
		l.fault(key+".size", "missing: give the certified size at 20 °C with its unit, not the nominal size")
	}
	if r.U < 0 || analysis.Length(r.U) > r.Size {
		l.fault(key+".u", "out of range: give the expanded uncertainty (k = 2) of the certificate, such as 0.25 um")
	}
	due := l.date(key+".due", r.Due)
	l.date(key+".retired", r.Retired)
	l.certificate(key+".certificate_file", r.File)
	if r.U == 0 {
		l.fault(key+".u", "missing: give the expanded uncertainty (k = 2) of the certificate, such as 0.25 um")
	}
	if r.Nominal != 0 && r.Size > 0 && (r.Nominal-r.Size).Abs() > ringFromNominal {
		l.fault(key+".nominal", "%s is more than %s from the certified size, %s: correct one of them", r.Nominal, ringFromNominal, r.Size)
	}
	r.Material = or(r.Material, "steel")
	if _, err := material.Find(r.Material); err != nil {
		l.fault(key+".material", "%w", err)
	}
	r.ring = analysis.Ring{ID: id, Size: r.Size, U: r.U, Nominal: r.Nominal, Material: r.Material, Due: due, Certified: r.Certificate, CertificateFile: r.File}
}

// hash matches a SHA-256 in hex.
var hash = regexp.MustCompile(`^[0-9a-f]{64}$`)

// certificate checks the name of the file of a certificate.
func (l *loader) certificate(key, file string) {
	if file != "" && !hash.MatchString(file) {
		l.fault(key, "%q is not valid: give the SHA-256 of the file in the folder %s, in hex; the page under /register keeps it there", file, Certificates)
	}
}

// Certificates is the folder of the files of certificates, beside the configuration.
const Certificates = "certificates"

// date reads a day; empty text gives the zero time.
func (l *loader) date(key, text string) (day time.Time) {
	if text == "" {
		return day
	}
	day, err := time.Parse(time.DateOnly, text)
	if err != nil {
		l.fault(key, "%q is not valid: give a date such as \"2027-01-25\"", text)
	}
	return day
}

func (l *loader) job(key, id string, j *Job, c *Config) {
	if j == nil {
		l.fault(key, "empty: fill it in, or take it out")
		return
	}
	if j.Target == 0 && j.High > j.Low {
		j.Target = j.Low + (j.High-j.Low)/2
	}
	if j.Band == 0 {
		j.Band = analysis.Deviation(200 * analysis.Micrometre)
	}
	j.Face = or(j.Face, "front")
	if j.Title == "" {
		j.Title = id
	}
	a := analysis.Job{
		ID: id, Title: j.Title, Revision: j.Revision, Unit: j.Unit, Material: j.Material, Face: j.Face, Blind: j.Blind,
		Nominal: j.Nominal, Limits: analysis.Limits{Low: j.Low, High: j.High, Target: j.Target}, Band: j.Band,
		Variation: j.Variation, Ovality: j.Ovality, Taper: j.Taper, Length: j.Length, Outside: j.Outside, Sections: j.Sections, Ring: j.Ring, SignOff: j.SignOff,
		Papers: analysis.Papers{Drawing: j.Drawing, PartNumber: j.PartNumber, Order: j.Order, Customer: j.Customer, Operation: j.Operation, Balloons: j.Balloons, Fields: j.Fields},
	}
	for _, in := range j.Interrupts {
		a.Interrupts = append(a.Interrupts, analysis.Interrupt{From: in.From, To: in.To, What: or(in.What, "gap")})
	}
	for _, deg := range j.Orientations {
		if !(deg >= 0 && deg < 360) { // also refuses NaN
			l.fault(key+".orientations", "%v is not valid: give degrees from 0 to below 360", deg)
			continue
		}
		a.Orientations = append(a.Orientations, analysis.Angle(math.Round(deg*float64(analysis.Degree))))
	}
	for _, err := range a.Check() {
		l.fault(key+"."+analysis.FaultField(err), "%s", notation.Format{}.Error(err))
	}
	if j.Material == "" {
		l.fault(key+".material", "missing: give the material, its expansion corrects the size for temperature")
	} else if _, err := material.Find(j.Material); err != nil {
		l.fault(key+".material", "%w", err)
	}
	if r, ok := c.Rings[j.Ring]; j.Ring != "" && !ok {
		l.fault(key+".ring", "ring %q is not under rings: add it, or give another", j.Ring)
	} else if r != nil && r.Retired != "" {
		l.fault(key+".ring", "ring %q is retired: give another", j.Ring)
	}
	j.job = a
}

func (l *loader) station(key string, s *Station, c *Config, seen map[string]string) {
	if !level.MatchString(s.Name) {
		l.fault(key+".name", "%q is not valid: use letters, digits, - and _", s.Name)
	} else if other := seen["name "+s.Name]; other != "" {
		l.fault(key+".name", "%q is the name of %s too: give another", s.Name, other)
	}
	seen["name "+s.Name] = key
	s.Title, s.Capture = or(s.Title, s.Name), or(s.Capture, capture.Button.String())
	if s.Bounce == 0 {
		s.Bounce = 300 * time.Millisecond
	}
	if s.Twice == nil {
		s.Twice = new(2 * time.Second)
	}
	if s.MaxRate == 0 {
		s.MaxRate = usualRate
	}
	if s.MaxRate < 1 || s.MaxRate > mostRate {
		l.fault(key+".max_rate", "%d is out of range: give 1 to %d readings a second", s.MaxRate, mostRate)
	}
	if s.DepthReach == 0 {
		s.DepthReach = 2 * analysis.Millimetre
	}
	if s.Settle < 0 || s.Settle > capture.MaxSettle {
		l.fault(key+".settle", "%s is out of range: give more than 0s and up to %s", s.Settle, capture.MaxSettle)
	}
	if s.Bounce < 0 || s.DepthReach < 0 {
		l.fault(key+".bounce", "negative: give 0 or more")
	}
	l.port(key, s.Port)
	if _, err := capture.ParseMode(s.Capture); err != nil {
		l.fault(key+".capture", "%w", err)
	}
	g, ok := c.Gauges[s.Gauge]
	if !ok {
		l.fault(key+".gauge", "gauge %q is not under gauges: add it, or give another", s.Gauge)
	} else if g != nil && g.Retired != "" {
		l.fault(key+".gauge", "gauge %q is retired: give another", s.Gauge)
	} else if s.Settle == 0 && g.Kind == Air {
		s.Settle = 1500 * time.Millisecond
	}
	if s.Settle == 0 {
		s.Settle = 600 * time.Millisecond
	}
	l.line(key+".line", &s.Line, g)
	for i := range s.Beside {
		b, sub := &s.Beside[i], fmt.Sprintf("%s.other_instruments[%d]", key, i)
		l.port(sub, b.Port)
		g, ok := c.Gauges[b.Gauge]
		if !ok {
			l.fault(sub+".gauge", "gauge %q is not under gauges: add it, or give another", b.Gauge)
		} else if b.Gauge == s.Gauge {
			l.fault(sub+".gauge", "%q is the station's own gauge: give another", b.Gauge)
		} else if g != nil && g.Retired != "" {
			l.fault(sub+".gauge", "gauge %q is retired: give another", b.Gauge)
		}
		l.line(sub+".line", &b.Line, g)
	}
	l.controls(key, s)
	if _, ok := c.Jobs[s.Job]; s.Job != "" && !ok {
		l.fault(key+".job", "job %q is not under jobs: add it, or give another", s.Job)
	}
}

// port checks that a port is given. A port given twice is checked in sharing.
func (l *loader) port(key, port string) {
	if port == "" {
		l.fault(key+".port", "missing: give the device, best by its name under /dev/serial/by-id, or tcp://host:port")
	}
}

// controls checks the settings of gestures, foot switch and scanner.
func (l *loader) controls(key string, s *Station) {
	contacts := []string{"", "cts", "dsr", "dcd", "ri"}
	s.Pedal.Line, s.Spindle = strings.ToLower(s.Pedal.Line), strings.ToLower(s.Spindle)
	if !slices.Contains(contacts, s.Pedal.Line) {
		l.fault(key+".pedal.line", "%q is not valid: give cts, dsr, dcd or ri", s.Pedal.Line)
	}
	s.Pedal.Do = or(s.Pedal.Do, "record")
	l.oneOf(key+".pedal.do", s.Pedal.Do, "record", "round", "skip", "part", "check", "keep")
	if !slices.Contains(contacts, s.Spindle) {
		l.fault(key+".spindle", "%q is not valid: give cts, dsr, dcd or ri", s.Spindle)
	} else if s.Spindle != "" && s.Spindle == s.Pedal.Line {
		l.fault(key+".spindle", "%q is the pedal's line: give another", s.Spindle)
	}
	s.Scanner.Driver = or(s.Scanner.Driver, "typed")
	if s.Scanner.Port != "" {
		l.oneOf(key+".scanner.driver", s.Scanner.Driver, "typed", "line")
		l.line(key+".scanner.line", &s.Scanner.Line, nil)
	}
	for k, d := range map[string]time.Duration{".void_gesture": *s.Twice, ".next_round_gesture": s.Rest} {
		if d < 0 {
			l.fault(key+k, "%s is negative: give a time, or 0 to switch it off", d)
		}
	}
}

// usualRate is the max_rate of a station that states none, mostRate the largest. A stream of every
// value of a fast gauge has some 100 readings a second.
const (
	usualRate = 200
	mostRate  = 100_000
)

// line fills in the serial settings of a station from the driver of its gauge, if that is known,
// and checks them.
func (l *loader) line(key string, n *drivers.Serial, g *Gauge) {
	usual := drivers.Serial{Baud: 9600, Data: 8, Parity: "none", Stop: 1}
	if g != nil {
		if d, err := drivers.Find(g.Driver); err == nil && d.Line.Baud > 0 {
			usual = d.Line
		}
	}
	n.Baud, n.Data, n.Stop, n.Parity = or(n.Baud, usual.Baud), or(n.Data, usual.Data), or(n.Stop, usual.Stop), or(n.Parity, usual.Parity)
	if n.Baud < 50 || n.Baud > 4_000_000 {
		l.fault(key+".baud", "%d is out of range: give 50 to 4000000", n.Baud)
	}
	if n.Data != 7 && n.Data != 8 {
		l.fault(key+".data", "%d is out of range: give 7 or 8 data bits", n.Data)
	}
	if n.Stop != 1 && n.Stop != 2 {
		l.fault(key+".stop", "%d is out of range: give 1 or 2 stop bits", n.Stop)
	}
	l.oneOf(key+".parity", n.Parity, "none", "even", "odd", "mark", "space")
}

// ErrInvalid tells a faulty configuration from one that could not be read.
var ErrInvalid = errors.New("invalid configuration")

// Is makes every fault an ErrInvalid.
func (f *Fault) Is(target error) bool { return target == ErrInvalid }

func or[T comparable](v, other T) T {
	var zero T
	if v == zero {
		return other
	}
	return v
}
