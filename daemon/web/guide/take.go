package guide

import (
	"context"
	"errors"
	"maps"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/config"
)

// Setup reads and changes the configuration, in the name of somebody. Its methods may be called from
// any goroutine.
type Setup interface {
	// Configured returns the text of the configuration and its hash, and why the last change was taken
	// back, nil if it stands.
	Configured() (text []byte, hash string, undone error)
	// Change makes changes to the configuration with a hash, or changes nothing. Its error joins
	// [config.Fault] values, or is an [analysis.Phrase].
	Change(ctx context.Context, hash string, changes []config.Change) error
}

// Posted is what a page posts: the answers of a step as typed. Without Save they are kept as a draft.
type Posted struct {
	Station string
	Text    map[string]string
	Hash    string // of the configuration that the page shows
	Save    bool
	Confirm bool // what is unusual is meant
}

// Taken says what came of them.
type Taken struct {
	Faults  map[string]string `json:"faults"`
	Echo    map[string]string `json:"echo"`
	Ask     []string          `json:"ask,omitempty"`
	Done    bool              `json:"done"`
	Why     string            `json:"why,omitempty"`   // it is not done, and no field is at fault
	Stale   bool              `json:"stale,omitempty"` // the page shows what is no longer so
	Station string            `json:"station"`
	Next    string            `json:"next,omitempty"`
	Known   string            `json:"known,omitempty"` // what is known of the gauge
	Sign    bool              `json:"sign,omitempty"`  // there is another passphrase now, which this browser has to give
}

// Take reads the answers of a step. With Save it makes the changes that follow. What is not complete
// or is refused stays in the draft.
func (g *Guide) Take(ctx context.Context, step string, in Posted, s Setup, hearing *Hearing, f notation.Format) (Taken, error) {
	text, hash, _ := s.Configured()
	p, err := g.At(text, in.Station)
	if err != nil {
		return Taken{}, err
	}
	keep := kept(in.Text)
	if step == StepGauge {
		heard := p.Draft[step][fieldHeard]
		if hearing != nil {
			if new := prove(hearing); new != "" {
				heard = new
			}
		}
		keep[fieldHeard] = heard
		if heard == "" {
			delete(keep, fieldHeard)
		}
	}
	if err := g.Drafts.Keep(p.Name(), step, keep); err != nil {
		return Taken{}, err
	}
	if p.Draft[step] = keep; p.Draft[step] == nil {
		delete(p.Draft, step)
	}
	a := g.Read(step, in.Text, p, f)
	out := Taken{Faults: a.Faults, Echo: a.Echo, Ask: a.Ask, Station: p.Name()}
	out.Known, _, _ = p.Known(f)
	switch {
	case !in.Save || len(a.Faults) > 0 || len(a.Ask) > 0 && !in.Confirm:
		return out, nil
	case in.Hash != hash && len(a.Changes) > 0:
		out.Stale, out.Why = true, f.Text("guide.stale")
		return out, nil
	}
	if len(a.Changes) > 0 {
		if err := s.Change(ctx, hash, a.Changes); err != nil {
			if _, now, _ := s.Configured(); now != hash {
				out.Stale, out.Why = true, f.Text("guide.stale")
			} else {
				out.Why = f.Error(err)
			}
			return out, nil
		}
	}
	out.Done, out.Station, out.Next = true, a.Station, Next(step)
	out.Sign = step == StepAccess && in.Text[fieldPassphrase] != ""
	return out, g.settle(step, p, a)
}

// settle drops from the draft what is in the configuration now.
func (g *Guide) settle(step string, p *Place, a *Answers) error {
	switch step {
	case StepShop:
		if p.Station == nil { // the station's title waits for its gauge
			return nil
		}
	case StepGauge:
		if p.Station == nil {
			err := g.Drafts.Drop("", StepShop)
			return errors.Join(err, g.Drafts.Drop("", step), g.Drafts.Made(a.Station))
		}
	case StepContacts, StepSound, StepAccess: // that they were answered, or put off, is known by the draft alone
		return nil
	}
	return g.Drafts.Drop(p.Name(), step)
}

// KeepJob keeps a job as it is typed, or drops it once it was entered.
func (g *Guide) KeepJob(station string, text map[string]string, entered bool) error {
	if entered {
		return g.Drafts.Drop(station, StepJob)
	}
	return g.Drafts.Keep(station, StepJob, kept(text))
}

// Text returns the fields of a step as they are filled in: by the draft, or by the configuration.
func (p *Place) Text(step string) map[string]string {
	text := map[string]string{}
	s, g := p.Station, p.Gauge
	switch step {
	case StepShop:
		if lines := p.Config.Letterhead.Lines; len(lines) > 0 {
			text[fieldShop] = lines[0]
		} else {
			text[fieldShop] = p.Config.Site
		}
		if s != nil {
			text[fieldStation] = s.Title
		}
	case StepGauge:
		if g != nil {
			text[fieldPort], text[fieldGauge], text[fieldKind] = s.Port, s.Gauge, g.Kind
			if g.Tip > 0 {
				text[fieldTip] = exact(g.Tip, analysis.MM)
			}
			if p.Config.States("gauges", s.Gauge, "averages") {
				text[fieldAverages] = g.Averages.String()
			}
			if p.Config.States("gauges", s.Gauge, "repeatability") {
				text[fieldRepeatability] = exact(analysis.Length(g.Repeatability), analysis.UM)
			}
		}
	case StepRing:
		text[fieldUnit], text[fieldUUnit] = p.unit().String(), "um"
	case StepContacts:
		if s != nil {
			text[fieldSpindle], text[fieldPedal], text[fieldPedalDo] = s.Spindle, s.Pedal.Line, s.Pedal.Do
		}
	case StepAccess:
		text[fieldReach] = reachHere
		if listenAt(p.Config.Web.Listen, reachHere) != p.Config.Web.Listen {
			text[fieldReach] = reachShop
		}
	}
	maps.Copy(text, p.Draft[step])
	return text
}

// unit returns the unit in which the shop works, as its gauge shows it.
func (p *Place) unit() analysis.Unit {
	for _, g := range p.Config.Gauges {
		if g.Unit.Inch() {
			return analysis.IN
		}
	}
	return analysis.MM
}
