// Package publish sends the events of the journal to an MQTT broker, in order,
// and catches up from the journal after any outage.
//
// # Topics
//
// Every topic is fairbore/1/SITE/STATION/ followed by one word:
//
//	live     QoS 0            what the gauge shows now; newest wins, dropped when offline
//	reading  QoS 1            a record of kind "reading"
//	event    QoS 1            every other record of the journal
//	bore     QoS 1, retained  the whole state that a display needs to draw the bore
//	alive    QoS 1, retained  whether the station is served; see below
//	do       QoS 1, in        a command, if commands are allowed
//	done     QoS 1            the reply to a command
//
// # Delivery
//
// Records are delivered at least once and, leaving out repeats, in the order of
// the journal. The cursor into the journal moves only over records that the
// broker has acknowledged without a gap; after a loss the publisher starts again
// from the oldest record not acknowledged. A receiver drops a (journal, seq) pair
// that it has seen and knows a gap by a step of more than one. An acknowledgement
// says that the broker has the record in its memory; the journal is the truth.
//
// A bore message leaves after the records that it rests on, on the same
// connection. Order between topics is otherwise not promised by MQTT.
//
// The broker inside the daemon is given its messages without a connection
// ([Config.Local]): it has a record when the call returns, which counts as its
// acknowledgement. Broker and publisher die together there, so there is no last will;
// a receiver sees its connection end.
//
// # Who is alive
//
// A connection has one last will and one daemon may serve several stations, so
// the will is on the alive topic of the daemon, fairbore/1/SITE/DAEMON/alive,
// where DAEMON is the client id, or the station itself if it is the only one.
// That message lists the stations it serves. The alive topic of each station
// names its daemon. The rule for a receiver, which subscribes to
// fairbore/1/SITE/+/alive:
//
//	a station is served if its own alive says "online", and the alive of the
//	daemon that it names says "online" and lists the station.
//
// The daemon's alive is sent again every ten seconds; a receiver that has seen
// none for thirty by its own clock doesn't know whether the daemon lives, and says so.
package publish
