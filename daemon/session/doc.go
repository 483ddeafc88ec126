// Package session is the live job of a station: it takes samples, operator
// actions and the state of the gauge in, in one order, captures readings,
// corrects them to the master, tags them with job, part, place and round, and
// yields ordered events.
//
// A session is a function from its inputs to its events. It has no goroutine,
// no lock and no clock; the same inputs give the same events byte for byte, and
// its whole state is a fold over them ([state.Fold]), which is how it is rebuilt after
// a crash. Whoever tells others of an event does so after the journal has it.
package session
