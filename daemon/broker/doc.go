// Package broker is a small MQTT broker inside the daemon, for a shop that has
// none: one command, nothing else to install. It speaks MQTT 3.1, 3.1.1 and 5.
//
// It is a convenience for displays, not a store. It keeps nothing on disk; a
// subscriber that is too slow or away for too long loses messages, the oldest
// first, which is counted ([Stats]). Retained bore and alive messages heal a
// display at its next subscription, however old they are, and a receiver that needs each reading
// removes repeats and sees gaps by (journal, seq). A shop with more than one
// computer to serve is better off with a broker of its own.
//
// # Who may do what
//
// Nothing is allowed unless named here, and topics are compared level by level.
// The daemon's own publisher is in the process and needs no connection
// ([Broker.Publish]). A configured user may read
// what stations say; publish it too, if Publish is set (another daemon); send
// commands, if Command is set. Somebody without a user may read if Anonymous is
// set. A last will counts as publishing. Each user has client ids of their own,
// and so has each address of those without one, so nobody can put another's client out, or keep it
// out. A command is never retained.
//
// # What a client can do to others
//
// A client has 5 s for its whole CONNECT, and then its keep-alive. It is cut off if it takes nothing
// for 2 s, or acknowledges nothing for 10 s while messages wait for it. What waits for it is bounded in
// number and bytes. Connections are bounded in all and for each address. Of those that have not sent
// their CONNECT, the oldest goes if there are too many; clients without a user
// have three quarters of the places, and an address half. Passwords are looked at within the budget of
// guesses that the page shares. A panic in serving a client ends that client: each of the two
// goroutines of a connection recovers, and no lock is held without a deferred unlock.
//
// # Where it departs from the standard
//
// Subscribers get messages at QoS 0 or 1; a message that comes at QoS 2 is taken once. The delay of a
// last will of MQTT 5 is ignored, and a session is kept 4 h at most. There are no topic aliases,
// subscription identifiers or enhanced authentication, and MQTT 5 is told so.
//
// # Why it is our own
//
// Seven bytes (a SUBSCRIBE of MQTT 5 without a filter) end a process with one of the first two
// libraries below. The first also forgets what is retained after a day, and loses messages of clients
// with a small receive maximum. The figures are of two busy cores: the median of four alternating
// rounds of 60,000 messages of 430 bytes at QoS 1 from one client to another, 200 at once; a program
// with nothing but the broker, stripped.
//
//	library                            the seven bytes  messages/s  p50 ms  RSS MiB idle, after  program MB  MQTT 5
//	mochi-mqtt v2.7.9, March 2025      end the process       30100     5.8  8.8, 13.9                   7.6  yes
//	comqtt v2.6.0, a fork of it        end the process       27000     5.8  8.1, 13.6                   6.4  yes
//	nats-server v2.15.3, embedded      harmless              16800     7.3  14.6, 34.2                 17.2  no
//	this package                       harmless              68700     1.1  6.3, 11.7                   5.5  yes
//
// What the daemon's own publisher says costs 1.4 µs of a processor a message with one subscriber, 12.2 with
// the first of the table (medians of four alternating rounds of 200,000).
//
// The fork has mended the crash, but in no version that can be had as a module. The NATS server is kept
// well, but stores sessions and retained messages in streams on disk, and its goroutines can't be
// guarded from here. What the contract of the topics (configs/fairbore.asyncapi.yaml) needs is small enough to be read
// in an hour, and the tests send it what a stranger may.
package broker
