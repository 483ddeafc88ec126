// Package listen finds out how an unknown gauge talks: which driver reads it,
// with which options, and how its line is set.
//
// [Guess] is the core and touches nothing: it takes what was [Heard] and what
// the gauge's own display showed meanwhile, makes candidates of every driver
// from the shape of the bytes, plays each through the driver itself, and
// returns [Proposal] values, best first, with how many frames agreed and what
// can't be told yet. [Run] listens on a port, at each usual speed in turn until
// frames come whole, asks where it is allowed to, shows what comes, and writes
// the configuration and a recording.
//
// A proposal is sure only when nothing is left that would read another value
// out of the same bytes. What was never seen (a negative value, another unit)
// is said; it is not guessed.
package listen
