package verdict

import "fairbore/analysis"

// Plug is what a plug gauge of a limit's exact size would say, worked out from
// two-point sizes and guarded as the sizes are.
type Plug struct {
	Size analysis.Length `json:"size_mm"` // of the plug: the limit itself
	// Decision: Conforms means that the go plug passes, or that the no-go plug
	// does not enter.
	Decision Decision           `json:"decision"`
	At       analysis.Place     `json:"at"`        // the size that decides
	Margin   analysis.Deviation `json:"margin_um"` // of that size to the plug, positive when good
}

// Plugs is the pair: the go plug at the low limit must pass, so the smallest
// local size decides; the no-go plug at the high limit must not enter
// anywhere, so the largest decides (Taylor's principle for the no-go side).
type Plugs struct {
	Go      Plug            `json:"go"`
	NoGo    Plug            `json:"no_go"`
	Caution analysis.Phrase `json:"caution"`
}

func plugs(s *Sizes) Plugs {
	z := &s.Zone
	p := Plugs{
		Go:      Plug{Size: z.Low, At: s.Smallest.Place, Margin: -s.Stock, Decision: Uncertain},
		NoGo:    Plug{Size: z.High, At: s.Largest.Place, Margin: s.Room, Decision: Uncertain},
		Caution: analysis.Say("verdict.plugs"),
	}
	switch {
	case s.Smallest.Size >= z.AcceptLow:
		p.Go.Decision = Conforms
	case s.Smallest.Size < z.RejectLow:
		p.Go.Decision = DoesNotConform
	}
	switch {
	case s.Largest.Size <= z.AcceptHigh:
		p.NoGo.Decision = Conforms
	case s.Largest.Size > z.RejectHigh:
		p.NoGo.Decision = DoesNotConform
	}
	return p
}
