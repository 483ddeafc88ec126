// Package study judges gauges and lots from sets of readings: what they spread
// ([Describe]), whether groups differ ([OneWay], [EqualSpread]), how good a
// gauge is among people and parts ([AverageAndRange], [ByANOVA], [Linearity]),
// how a lot lies in its limits ([Capability], [ToleranceInterval]), whether it
// is in control ([XbarR], [XbarS], [Individuals]) and whether it is normal
// ([Normality]).
//
// Readings are float64 in µm, as deviations from nominal or whole sizes: the
// sums are compensated and taken about the mean, so that a micrometre of
// spread at a metre of size keeps its digits. No result is NaN or infinite: a
// [Stat] says on how many values it rests and whether it may be used, and if
// not, why. Data that hold a NaN, an infinity or an absurd size are refused.
package study
