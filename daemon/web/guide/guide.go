package guide

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/config"
)

// The steps, each an address under /setup.
const (
	StepShop     = "shop"     // the shop and the station
	StepGauge    = "gauge"    // the station's gauge
	StepRing     = "ring"     // a setting ring
	StepJob      = "job"      // the first job
	StepContacts = "contacts" // spindle and pedal
	StepSound    = "sound"    // whether the screen can be heard
	StepAccess   = "access"   // who may act, and from where
	StepMaster   = "master"   // the zero, and the first reading
)

// Steps returns the steps in their order.
func Steps() []string {
	return []string{StepShop, StepGauge, StepRing, StepJob, StepContacts, StepSound, StepAccess, StepMaster}
}

// Next returns the step after another, the last one for the last.
func Next(step string) string {
	all := Steps()
	return all[min(slices.Index(all, step)+1, len(all)-1)]
}

// Guide has what the set-up needs of the program. Its functions may be called from any goroutine.
type Guide struct {
	Name   string // of the file of the configuration
	Drafts *Drafts
	// Hash returns the hash of a passphrase, and Least is how many characters one has at least.
	Hash  func(passphrase string) (string, error)
	Least int
	// Jobs returns the jobs that a station can work to.
	Jobs      func(station string) []*analysis.Job
	Materials []string
	Now       func() time.Time
}

// Place is where the answers of a step belong: the configuration as it is, the station that is set
// up, and what was answered before and is not in the configuration yet.
type Place struct {
	Config  *config.Config
	Station *config.Station // nil: a new one
	Gauge   *config.Gauge   // of the station, nil for a new one
	Draft   Draft
	Now     time.Time
	Jobs    int // how many the station can work to
	Master  bool
}

// Name returns the name of the station, "" for a new one.
func (p *Place) Name() string {
	if p.Station == nil {
		return ""
	}
	return p.Station.Name
}

// At returns the place of a station by the text of the configuration. Name "" is the first station.
// An unknown station is a new one.
func (g *Guide) At(text []byte, name string) (*Place, error) {
	if len(text) == 0 { // there is no file yet
		text = []byte("version: 1\n")
	}
	cfg, err := config.Parse(g.Name, text)
	if err != nil {
		return nil, err
	}
	p := &Place{Config: cfg, Now: g.Now()}
	for i := range cfg.Stations {
		if s := &cfg.Stations[i]; s.Name == name || name == "" && i == 0 {
			p.Station, p.Gauge = s, cfg.Gauges[s.Gauge]
			p.Jobs = len(g.Jobs(s.Name))
			break
		}
	}
	p.Draft = g.Drafts.Of(p.Name())
	return p, nil
}

// Done reports whether a step is complete.
func (p *Place) Done(step string) bool {
	said := func(field string) bool { return p.Draft[step][field] != "" }
	switch step {
	case StepShop:
		return p.Station != nil || p.Config.Site != "" && said(fieldStation)
	case StepGauge:
		return p.Station != nil
	case StepRing:
		return len(p.Config.Rings) > 0
	case StepJob:
		return p.Jobs > 0
	case StepContacts:
		return said(fieldLater) || p.Station != nil && (p.Station.Spindle != "" || p.Station.Pedal.Line != "")
	case StepSound:
		return said(fieldHeardIt)
	case StepAccess:
		return said(fieldLater) || p.Config.Web.Hash != ""
	}
	return p.Master
}

// Begun reports whether something of a step is in the draft.
func (p *Place) Begun(step string) bool { return len(p.Draft[step]) > 0 }

// Due returns the first step that is not complete.
func (p *Place) Due() string {
	for _, step := range Steps() {
		if !p.Done(step) {
			return step
		}
	}
	return StepMaster
}

// letters writes letters of the shop's languages with those of a name.
var letters = strings.NewReplacer("ä", "ae", "ö", "oe", "ü", "ue", "ß", "ss", "á", "a", "à", "a", "â", "a", "å", "a", "ã", "a", "æ", "ae",
	"é", "e", "è", "e", "ê", "e", "ë", "e", "í", "i", "ì", "i", "î", "i", "ï", "i", "ó", "o", "ò", "o", "ô", "o", "õ", "o", "ø", "o",
	"ú", "u", "ù", "u", "û", "u", "ñ", "n", "ç", "c", "ł", "l", "ý", "y")

// mostName is how many characters a name in the configuration may have.
const mostName = 64

// NameOf makes a name of a title, as topics and addresses have it: small letters, digits and single
// hyphens. A title without any of them gives other, and one that is taken gets a number.
func NameOf(title, other string, taken func(string) bool) string {
	words := strings.FieldsFunc(letters.Replace(strings.ToLower(title)), func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9')
	})
	name := strings.Join(words, "-")
	if name == "" {
		name = other
	}
	name = strings.TrimRight(name[:min(len(name), mostName-4)], "-")
	return free(name, taken)
}

// free returns a name, with the first number behind it that makes it one that is not taken.
func free(name string, taken func(string) bool) string {
	for n, base := 2, name; taken(name); n++ {
		name = base + "-" + strconv.Itoa(n)
	}
	return name
}
