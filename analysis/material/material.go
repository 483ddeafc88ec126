// Package material holds the properties of metals that the computations need: expansion,
// elasticity, strength and heat capacity. It has one table, with the source of each value
// beside it. [Find] finds a material by name.
package material

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// Material holds typical values of a material at about 20 °C. The values of a certificate
// of the stock are better. The JSON form is what a plan of a press fit says about the
// material of a part.
type Material struct {
	Name     string  `json:"name"`
	Young    float64 `json:"e_gpa"`        // modulus of elasticity
	Poisson  float64 `json:"poisson"`      // Poisson's ratio
	Strength float64 `json:"strength_mpa"` // lowest tension at which it may yield (grey iron: crack); 0: not known

	Alpha  float64 `json:"-"` // coefficient of linear thermal expansion, 10⁻⁶ per kelvin
	AlphaU float64 `json:"-"` // standard uncertainty of Alpha for a piece of unknown melt
	Heat   float64 `json:"-"` // heat capacity by volume, J/(cm³ K)

	// Of names the more general material: for tool steel it is steel. A name such as "4140
	// steel", with the words of both, means the more special material.
	Of string `json:"-"`
	// Aliases are other names, in the form in which [Find] compares them: in lower case, with
	// single spaces between words.
	Aliases []string `json:"-"`
	Sources Sources  `json:"-"`
}

// Sources says for each value of a [Material] where it was published, or that it is from
// memory.
type Sources struct{ Young, Poisson, Strength, Alpha, Heat string }

// Find returns the material that a name stands for. The last word that names a material
// decides, so that aluminium bronze is a bronze. Other words may narrow the material to a
// special kind, as in "4140 steel" or "iron, nodular". Case and punctuation don't matter.
// For a name without a known material in it, Find returns an error that lists the known
// materials.
func Find(name string) (Material, error) {
	words := split(name)
	all := All()
	var found *Material
	for end := len(words); end > 0; end-- {
		for start := range end { // the longest phrase first
			m := called(all, strings.Join(words[start:end], " "))
			if m != nil && (found == nil || special(all, m, found)) {
				found = m
			}
		}
	}
	if found == nil {
		return Material{}, fmt.Errorf("material %q: not one of %s; more words are allowed, as in \"hardened steel\"", name, strings.Join(Names(), ", "))
	}
	return *found, nil
}

// Names lists the names of all materials.
func Names() []string {
	all := All()
	names := make([]string, len(all))
	for i := range all {
		names[i] = all[i].Name
	}
	return names
}

// split returns the words of a name in lower case and British spelling.
func split(name string) []string {
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return unicode.IsSpace(r) || strings.ContainsRune(",;-/()", r) })
	for i, w := range words {
		switch w {
		case "gray":
			words[i] = "grey"
		case "aluminum":
			words[i] = "aluminium"
		}
	}
	return words
}

func called(all []Material, phrase string) *Material {
	for i := range all {
		if all[i].Name == phrase || slices.Contains(all[i].Aliases, phrase) {
			return &all[i]
		}
	}
	return nil
}

// special reports whether m is a kind of general.
func special(all []Material, m, general *Material) bool {
	for m != nil && m.Of != "" {
		if m.Of == general.Name {
			return true
		}
		m = called(all, m.Of)
	}
	return false
}
