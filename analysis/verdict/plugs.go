package verdict

import "fairbore/analysis"

// Plug is the result that a plug gauge of a limit's exact size would give. It is worked out from
// two-point sizes, with the same guard band as for the sizes.
type Plug struct {
	Size analysis.Length `json:"size_mm"` // of the plug: the limit itself
	// Decision is Conforms if the go plug passes, or if the no-go plug does not enter.
	Decision Decision           `json:"decision"`
	At       analysis.Place     `json:"at"`        // where the size was read that decides
	Margin   analysis.Deviation `json:"margin_um"` // from the plug to that size, positive when good
}

// Plugs is the pair of a go plug and a no-go plug. The go plug at the low limit must pass, so the
// smallest local size decides. The no-go plug at the high limit must not enter anywhere, so the
// largest local size decides (Taylor's principle for the no-go side).
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
