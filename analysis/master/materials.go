package master

import (
	"fmt"
	"slices"
	"strings"
)

// Material is what a comparison needs to know of a metal.
type Material struct {
	Name    string   `json:"name"`
	Aliases []string `json:"aliases,omitempty"`
	// Alpha is the coefficient of linear thermal expansion at about 20 °C in
	// 10⁻⁶ per kelvin, Spread its standard uncertainty for a piece of unknown melt.
	Alpha  float64 `json:"alpha_1e_6_per_k"`
	Spread float64 `json:"alpha_u_1e_6_per_k"`
	// Young and Poisson are the elastic constants, for contact indentation.
	Young   float64 `json:"young_gpa"`
	Poisson float64 `json:"poisson"`
	// Heat is the heat capacity by volume in J/(cm³ K), for cooling.
	Heat   float64 `json:"heat_j_per_cm3_k"`
	Source string  `json:"source"`
}

// Materials lists the materials known by name. Expansion is from the sources
// named; the elastic constants and heat capacities are usual handbook values, from
// memory, good to some 5 %, grey iron to 15 %.
func Materials() []Material {
	const callister = "Callister, Materials Science and Engineering, Table B.6"
	const memory = "from memory"
	return []Material{
		{"steel", []string{"ring steel", "gauge steel"}, 11.5, 0.6, 207, 0.29, 3.69, "Swyt, J. Res. NIST 99 (1994) 31: 11.5; JCGM 100:2008, H.1.3.3; spread of ring steels from memory"},
		{"tool steel", []string{"o1", "a2", "d2", "tool steel 60 hrc", "hardened tool steel"}, 11.0, 0.6, 207, 0.29, 3.6, memory + ": O1 about 11.2, A2 10.7, D2 10.4"},
		{"bearing steel", []string{"52100"}, 11.9, 0.6, 207, 0.29, 3.7, "data sheet of AISI 52100, annealed; hardened 12.6"},
		{"carbon steel", []string{"1020", "a36", "1040", "mild steel"}, 11.7, 0.5, 207, 0.29, 3.69, callister},
		{"alloy steel", []string{"4140", "4340"}, 12.3, 0.5, 207, 0.29, 3.69, callister},
		{"stainless 440", []string{"440a", "440c", "martensitic stainless"}, 10.2, 0.5, 200, 0.28, 3.6, callister},
		{"stainless 304", []string{"304", "austenitic stainless"}, 17.2, 0.7, 193, 0.29, 4.0, callister},
		{"grey iron", []string{"gray iron", "grey cast iron", "gray cast iron", "cast iron"}, 11.4, 0.6, 105, 0.26, 3.6, callister + "; another table has 10.8"},
		{"ductile iron", []string{"nodular iron", "sg iron"}, 11.2, 0.6, 165, 0.28, 3.6, callister + ": 10.6 to 11.2"},
		{"bronze", []string{"leaded bronze", "bearing bronze", "c93200"}, 18.0, 0.6, 105, 0.34, 3.34, callister},
		{"brass", []string{"c36000", "free-cutting brass"}, 20.5, 0.6, 97, 0.34, 3.2, callister},
		{"cartridge brass", []string{"c26000"}, 19.9, 0.6, 110, 0.35, 3.2, callister},
		{"aluminium", []string{"aluminum", "6061", "aluminium 6061", "6061-type aluminium"}, 23.6, 0.7, 69, 0.33, 2.43, callister},
		{"carbide", []string{"tungsten carbide", "94wc-6co"}, 4.3, 0.4, 620, 0.24, 3.1, "ASM, Thermal Properties of Metals, ch. 2: 4.0 to 5.8 by cobalt content"},
	}
}

// FindMaterial returns the material of that name, or of which it is an alias;
// case and spaces around it don't matter. Nothing is guessed: an unknown name
// is an error that lists the known ones.
func FindMaterial(name string) (Material, error) {
	want := strings.ToLower(strings.Join(strings.Fields(name), " "))
	all := Materials()
	names := make([]string, len(all))
	for i, m := range all {
		if m.Name == want || slices.Contains(m.Aliases, want) {
			return m, nil
		}
		names[i] = m.Name
	}
	return Material{}, fmt.Errorf("material %q: not one of %s", name, strings.Join(names, ", "))
}
