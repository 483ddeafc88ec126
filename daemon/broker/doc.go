// Package broker is a small MQTT broker inside the daemon, for a shop that has
// none: one command, nothing else to install.
//
// It is a convenience for displays, not a store. It keeps nothing on disk; a
// subscriber that is too slow or away loses messages, which is counted
// ([Stats]); after an absence messages may come out of order. Retained bore
// and alive messages heal a display at its next subscription, and a receiver that needs each reading
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
// set. A last will counts as publishing. A client id in use by one user can't
// be taken over by another.
//
// # Where it departs from the standard
//
// The receive maximum of an MQTT 5 client is ignored: the library loses
// messages of QoS 1 when it honours a small one (measured: 152 of 3000 arrived).
package broker
