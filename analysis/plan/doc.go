// Package plan makes the plan of a bore before honing starts: its limits and finish size, how
// much a pressed bush closes, what stock to leave for honing, how many rounds that takes, and
// whether the gauge is good enough.
//
// [New] makes a [Report] from a [Request]. Its parts ([ISO], [ANSI], [Press.Closure],
// [StockBand], [CheckGauge]) can also be used alone. Sizes are diameters and interference is
// diametral. Values from a standard or from geometry are computed. Values from common
// practice in the trade are marked so in the comments and in the texts for a person.
//
// A plan is a starting point. A bush must be measured after it is pressed in. The stresses in
// a plan are no strength calculation of the assembly.
package plan
