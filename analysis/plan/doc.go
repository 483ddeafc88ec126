// Package plan works out, before honing starts, what a bore is to become: its
// limits and finish size, how a pressed bush closes, what stock to leave for
// honing, how many rounds that takes and whether the gauge is good enough.
//
// [New] makes a [Report] of a [Request]; its parts ([ISO], [ANSI], [Press.Closure],
// [StockBand], [CheckGauge]) stand alone too. Sizes are diameters and interference
// is diametral. What a standard or geometry gives is computed; what is common
// practice in the trade says so in its comment and in the text a person reads.
//
// A plan is a starting point. A bush is measured after it is pressed in, and
// what the plan says about stress is no strength calculation of the assembly.
package plan
