package picture

import (
	"slices"

	"fairbore/analysis"
	"fairbore/daemon/state"
)

// section is what is drawn at one depth.
type section struct {
	depth       analysis.Length
	tight, wide analysis.Length // sizes of the readings that count; 0 without one
	before      analysis.Length // tightest size in the round before, 0 without one
	sizes       []analysis.Length
	old, void   []analysis.Length  // superseded by newer ones; voided
	places      []state.PlaceState // by angle
	next        int                // index of the next place, -1: none
}

// sections sorts the places of a bore by depth.
func sections(b *state.Bore) []section {
	var all []section
	states := b.Places
	if states == nil {
		for _, p := range b.Job.Plan() {
			states = append(states, state.PlaceState{Place: p, State: "due"})
		}
	}
	for _, p := range states {
		i := slices.IndexFunc(all, func(s section) bool { return s.depth == p.Depth })
		if i < 0 {
			i = len(all)
			all = append(all, section{depth: p.Depth, next: -1})
		}
		all[i].add(p, b.Next)
	}
	return all
}

func (s *section) add(p state.PlaceState, next *analysis.Place) {
	if next != nil && *next == p.Place {
		s.next = len(s.places)
	}
	s.places = append(s.places, p)
	s.old, s.void = append(s.old, p.Superseded...), append(s.void, p.Void...)
	if p.Earlier != nil && (s.before == 0 || *p.Earlier < s.before) {
		s.before = *p.Earlier
	}
	if p.Size == nil || p.State != "taken" {
		return
	}
	s.sizes = append(s.sizes, *p.Size)
	if s.tight == 0 || *p.Size < s.tight {
		s.tight = *p.Size
	}
	s.wide = max(s.wide, *p.Size)
}

// knot is a point of a profile: a position, and the distance of the wall from the axis.
type knot struct{ x, h float64 }

// above returns the profile limited to at least h from the axis, below to at most h. Where the
// profile crosses h it gets a knot.
func above(p []knot, h float64) []knot { return bound(p, h, 1) }

func below(p []knot, h float64) []knot { return bound(p, h, -1) }

func bound(p []knot, h, sign float64) []knot {
	out := make([]knot, 0, len(p)+4)
	for i, k := range p {
		if i > 0 {
			q := p[i-1]
			a, b := sign*(q.h-h), sign*(k.h-h)
			if (a < 0) != (b < 0) {
				out = append(out, knot{q.x + (k.x-q.x)*a/(a-b), h})
			}
		}
		if sign*(k.h-h) < 0 {
			k.h = h
		}
		out = append(out, k)
	}
	return out
}
