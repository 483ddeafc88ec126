package guide

import (
	"slices"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/config"
)

// shop reads the names of the shop and of the station. The site, a level of every topic, is made of
// the shop's name while there is no station. The station waits in the draft for its gauge.
func (a *Answers) shop() {
	c := a.place.Config
	title := a.title(fieldShop, analysis.Say("guide.shop.missing"))
	station := a.title(fieldStation, analysis.Say("guide.station.missing"))
	site := c.Site
	if len(c.Stations) == 0 {
		site = NameOf(title, "shop", func(string) bool { return false })
	}
	if site != c.Site {
		a.set(site, "site")
	}
	if l := a.f.Language; l != nil && l != notation.English() && !c.States("language") {
		a.set(l.Tag, "language") // of the records too
	}
	if title != "" {
		a.Echo[fieldShop] = a.f.Text("guide.shop.name", site)
		if len(c.Letterhead.Lines) == 0 || c.Letterhead.Lines[0] != title {
			rest := c.Letterhead.Lines[min(1, len(c.Letterhead.Lines)):]
			a.set(anyOf(slices.Insert(slices.Clone(rest), 0, title)), "letterhead", "lines")
		}
	}
	switch s := a.place.Station; {
	case station == "":
	case s == nil:
		a.Echo[fieldStation] = a.f.Text("guide.station.name", stationName(station, c))
	case s.Title != station:
		a.set(station, "stations", s.Name, "title")
	}
}

// stationName makes a name of the title of a new station.
func stationName(title string, c *config.Config) string {
	return NameOf(title, "station", func(name string) bool {
		return slices.ContainsFunc(c.Stations, func(s config.Station) bool { return s.Name == name })
	})
}

func anyOf(texts []string) (out []any) {
	for _, t := range texts {
		out = append(out, t)
	}
	return out
}
