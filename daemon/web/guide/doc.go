// Package guide leads through the set-up of a station at the page: what is plugged in, how an
// unknown gauge talks, and which contacts are wired.
//
// A [Port] is a line that a gauge may be connected to. [Hearing] is what is known of an unknown
// gauge that is listened to, on one port at a time. [Contacts] are those of a port while a person
// presses them. Each is told to a page by a stream of server-sent events. Each event has the whole
// of what is known, so that a page that comes back needs nothing else.
package guide
