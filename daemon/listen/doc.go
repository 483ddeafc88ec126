// Package listen finds out how an unknown gauge communicates: which driver reads it, with which
// options, and with which settings of the line.
//
// [Guess] is the core and does no I/O. It takes what was [Heard], and what the gauge's own display
// showed meanwhile. It makes candidates of every driver from the shape of the bytes, plays the
// bytes through each driver, and returns [Proposal] values, best first, with how many frames agreed
// and what can't be told yet. [Run] listens on a port at each usual speed in turn until frames are
// complete, sends requests if it is allowed to, shows what it receives, and writes the
// configuration and a recording.
//
// A proposal is sure only if no other reading of the bytes would give other values. What was never
// seen (a negative value, another unit) is named and not guessed.
package listen
