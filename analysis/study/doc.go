// Package study judges gauges and lots from sets of readings. It tells
//   - how much readings spread ([Describe]),
//   - whether groups differ ([OneWay], [EqualSpread]),
//   - how good a gauge is with several people and parts ([AverageAndRange], [ByANOVA],
//     [Linearity]),
//   - how a lot lies within its limits ([Capability], [ToleranceInterval]),
//   - whether a process is in control ([XbarR], [XbarS], [Individuals]),
//   - whether readings are normal ([Normality]).
//
// Readings are float64 in µm. They are deviations from nominal, or whole sizes. The sums
// are compensated and taken about the mean, so that a micrometre of spread at a metre of
// size keeps its digits. No result is NaN or infinite. A [Stat] says on how many values it
// rests, whether it may be used, and if not, why. The package refuses data that hold a NaN,
// an infinity or an absurd size.
package study
