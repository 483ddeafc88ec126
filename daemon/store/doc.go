// Package store keeps the journal: every event of every station, on disk, in one order. The state
// of a station is rebuilt from the journal.
//
// # What is kept
//
// The journal is one SQLite file. Its events are in one append-only table, event. A row is an
// event:
//
//	seq      the number of the event: 1, 2, 3, … over all stations, without a gap
//	at       when the event happened, ns since 1970-01-01 UTC
//	station  the station where it happened
//	kind     the kind of event, see [event.Kind]
//	job      the job that a station chose, of an event that says so
//	part     the serial number of a part that was begun, of an event that says so
//	body     the event in JSON, exactly as encoding/json writes a [event.Event], as raw DEFLATE
//	         (RFC 1951) with a preset dictionary, the column dictionary of the table journal
//	hash     SHA-256(hash of the row before ‖ seq, 8 bytes, big-endian ‖ event in JSON);
//	         for row 1, SHA-256(id ‖ made, 8 bytes, big-endian ‖ dictionary), all of the table
//	         journal, takes the place of the hash of the row before
//
// So the whole chain can be checked by any program that has SQLite, zlib and SHA-256; judge in
// query_test.go is one. The columns from at to part repeat values of the event, for searches.
// [Verify] checks that these values agree, that no number is missing, that the chain of hashes holds
// and that the database is the one that this program makes, and no more. Triggers refuse UPDATE and
// DELETE.
//
// The table reading is an index of the readings of each station. It takes in 1024 rows of event at
// a time, in the commit that completes them. A search reads the newest rows, which the index does
// not have yet, from event itself. The index holds nothing that event does not hold.
//
// # What is promised
//
// The function given to [Journal.OnCommit] is called with an event after the commit
// that holds the event has been synced to the disk (WAL, synchronous=FULL), in the
// order of seq, and never otherwise. The events of one Append are in one commit.
// There is one writer, the goroutine that calls [Journal.Run]. It commits the queued events as
// soon as the last sync is done: the events that come during a sync form the next group, and a
// single event does not wait.
//
// Events that can't be recorded until the journal ends are put into a dump: a file beside the journal
// with their place in it and their hashes. The next Open records them before any other event.
//
// # Limits
//
//   - A disk may report a sync that it has not made. The program can't detect that.
//   - A disk may spoil more than the 4096 bytes around those that it writes when the power is cut.
//     Then the last commits may be lost.
//   - The chain shows that a row was changed or removed. It does not show that rows were cut off
//     the end, unless a cursor points beyond the end. It does not show either that somebody who can
//     write the file has recomputed all hashes. Keep the newest hash ([Report].Head) somewhere else
//     if that matters: [Report].Unknown says so too.
//   - The lock that keeps a second daemon away is a file beside the journal. Somebody who deletes
//     this file can start a second daemon. A trigger then refuses the rows of the second daemon,
//     since they break the numbering.
//   - Don't open the journal's file by other means in this process (os.Open). SQLite's locks are
//     dropped when a file opened in that way is closed (fcntl locks, POSIX.1).
package store
