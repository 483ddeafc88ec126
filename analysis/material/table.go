package material

// The sources of several values. The tables B are from W. D. Callister, Materials Science
// and Engineering, appendix B. The source is memory where there is no better one.
const (
	modulus   = "Callister, Table B.2"
	strength  = "Callister, Table B.4"
	expansion = "Callister, Table B.6"
	memory    = "from memory"
)

// All returns the table. The moduli of elasticity are good to some 5 %. The modulus of grey
// iron differs by grade and is good to 15 %. The heat capacities are good to 5 %.
func All() []Material {
	return []Material{
		{Name: "steel", Aliases: []string{"ring steel", "gauge steel"},
			Young: 207, Poisson: 0.29, Strength: 250, Alpha: 11.5, AlphaU: 0.6, Heat: 3.69,
			Sources: Sources{modulus, memory, strength + ": A36, hot rolled, 220 to 250",
				"Swyt, J. Res. NIST 99 (1994) 31, and JCGM 100:2008, H.1.3.3; spread of ring steels from memory", memory}},
		{Name: "tool steel", Of: "steel", Aliases: []string{"o1", "a2", "d2"},
			Young: 207, Poisson: 0.29, Strength: 350, Alpha: 11.0, AlphaU: 0.6, Heat: 3.6,
			Sources: Sources{memory, memory, memory + ": annealed", memory + ": O1 about 11.2, A2 10.7, D2 10.4", memory}},
		{Name: "bearing steel", Of: "steel", Aliases: []string{"52100"},
			Young: 207, Poisson: 0.29, Strength: 300, Alpha: 11.9, AlphaU: 0.6, Heat: 3.7,
			Sources: Sources{memory, memory, memory + ": annealed", "data sheet of AISI 52100, annealed; hardened 12.6", memory}},
		{Name: "carbon steel", Of: "steel", Aliases: []string{"1020", "a36", "1040", "mild steel"},
			Young: 207, Poisson: 0.29, Strength: 250, Alpha: 11.7, AlphaU: 0.5, Heat: 3.69,
			Sources: Sources{modulus, memory, strength + ": hot rolled, 1020 from 210, A36 220 to 250, 1040 from 290", expansion, memory}},
		{Name: "alloy steel", Of: "steel", Aliases: []string{"4140", "4340"},
			Young: 207, Poisson: 0.29, Strength: 417, Alpha: 12.3, AlphaU: 0.5, Heat: 3.69,
			Sources: Sources{modulus, memory, strength + ": 4140, annealed", expansion, memory}},
		{Name: "stainless steel", Of: "steel", Aliases: []string{"stainless"},
			Young: 196, Poisson: 0.29, Strength: 205, Alpha: 13.7, AlphaU: 2.0, Heat: 3.8,
			Sources: Sources{modulus + ": 440A 200, 304 193", memory, "as stainless 304",
				expansion + ": anywhere from 440A, 10.2, to 304, 17.2 (rectangular)", memory}},
		{Name: "stainless 440", Of: "stainless steel", Aliases: []string{"440a", "440c", "martensitic stainless", "martensitic"},
			Young: 200, Poisson: 0.28, Strength: 415, Alpha: 10.2, AlphaU: 0.5, Heat: 3.6,
			Sources: Sources{modulus, memory, strength + ": 440A, annealed", expansion, memory}},
		{Name: "stainless 304", Of: "stainless steel", Aliases: []string{"304", "austenitic stainless", "austenitic"},
			Young: 193, Poisson: 0.29, Strength: 205, Alpha: 17.2, AlphaU: 0.7, Heat: 4.0,
			Sources: Sources{modulus, memory, memory + ": annealed", expansion, memory}},
		{Name: "grey iron", Aliases: []string{"iron", "cast iron", "grey cast iron"},
			Young: 102, Poisson: 0.26, Strength: 150, Alpha: 11.4, AlphaU: 0.6, Heat: 3.6,
			Sources: Sources{modulus + ": the middle of grade G3000, 90 to 113", memory, strength + ": in tension, G1800 from 124, G3000 from 207",
				expansion + "; another table has 10.8", memory}},
		{Name: "ductile iron", Of: "grey iron", Aliases: []string{"ductile", "nodular", "spheroidal", "sg"}, // "iron" alone means grey iron
			Young: 169, Poisson: 0.28, Strength: 276, Alpha: 11.2, AlphaU: 0.6, Heat: 3.6,
			Sources: Sources{modulus + ": 60-40-18; others 164 to 168", memory, strength + ": 60-40-18", expansion + ": 10.6 to 11.2", memory}},
		{Name: "bronze", Aliases: []string{"leaded bronze", "bearing bronze", "c93200", "gunmetal"},
			Young: 100, Poisson: 0.34, Strength: 100, Alpha: 18.0, AlphaU: 0.6, Heat: 3.34,
			Sources: Sources{"data sheets of C93200: 14,500,000 psi", "data sheets of C93200", "data sheets of C93200: by casting, from 97 to 138; " + strength + ": sand cast 125",
				expansion, memory}},
		{Name: "brass", Aliases: []string{"c36000", "free cutting brass"},
			Young: 97, Poisson: 0.34, Strength: 124, Alpha: 20.5, AlphaU: 0.6, Heat: 3.2,
			Sources: Sources{"data sheets of C36000", memory, "data sheets of C36000: by temper, 124 to 310", expansion, memory}},
		{Name: "cartridge brass", Of: "brass", Aliases: []string{"c26000"},
			Young: 110, Poisson: 0.35, Strength: 75, Alpha: 19.9, AlphaU: 0.6, Heat: 3.2,
			Sources: Sources{modulus + ", from memory; data sheets of C26000 have 112", memory, "Callister, Table 13.6: annealed", expansion, memory}},
		{Name: "aluminium", Aliases: []string{"6061", "duralumin"},
			Young: 69, Poisson: 0.33, Strength: 240, Alpha: 23.6, AlphaU: 0.7, Heat: 2.43,
			Sources: Sources{modulus + ": 6061", memory, memory + ": least of 6061-T6; " + strength + ": 276, annealed 55", expansion, memory}},
		{Name: "carbide", Aliases: []string{"tungsten carbide", "94wc 6co"},
			Young: 620, Poisson: 0.24, Alpha: 4.3, AlphaU: 0.4, Heat: 3.1,
			Sources: Sources{memory, memory, "", "ASM, Thermal Properties of Metals, ch. 2: 4.0 to 5.8 by cobalt content", memory}},
	}
}
