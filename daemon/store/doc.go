// Package store keeps the journal: every event of every station, on disk, in one
// order, and what the state of a station is rebuilt from.
//
// # What is kept
//
// One SQLite file with one append-only table, event. A row is an event:
//
//	seq      1, 2, 3, … over all stations, without a gap
//	at       when it happened, ns since 1970-01-01 UTC
//	station  where
//	kind     what, see [event.Kind]
//	job      the job it names, if it names one
//	part     the part it names, if it names one
//	depth    of a reading, in 0.1 nm from the named face
//	angle    of a reading, in 0.001°
//	body     the event, exactly as encoding/json writes a [event.Event]
//	hash     SHA-256(hash of the row before ‖ seq, 8 bytes, big-endian ‖ body);
//	         before row 1 stands SHA-256(journal id)
//
// The columns before body repeat what body says, for searches. [Verify] checks
// that they do, that no number is missing and that the chain of hashes holds.
// Triggers refuse UPDATE and DELETE.
//
// The table reading is an index of the readings of each station. It grows by 1024
// rows of event at a time, in the commit that completes them. The newest rows, which it
// does not have yet, are searched themselves. It holds nothing that event does not.
//
// # What is promised
//
// The function given to [Journal.OnCommit] is called with an event after the commit
// that holds the event has been synced to the disk (WAL, synchronous=FULL), in the
// order of seq, and never otherwise. The events of one Append are in one commit.
// There is one writer, the goroutine that calls [Journal.Run]. It commits what
// has queued as soon as the disk is free: a group forms while the last sync
// runs, and a single event does not wait.
//
// # Limits
//
//   - A disk may report a sync that it has not made. The program can't detect that.
//   - The chain shows a row that was changed or removed. It does not show that
//     rows were cut off the end, unless a cursor points beyond, nor that somebody
//     who can write the file has recomputed all hashes: keep the newest hash
//     ([Report].Head) somewhere else if that matters.
//   - The lock that keeps a second daemon away is a file beside the journal. Somebody
//     who deletes it can start a second daemon. A trigger then refuses the rows of
//     that one, since they break the numbering.
//   - Opening the journal's file by other means in this process (os.Open) drops
//     SQLite's locks when that file is closed (fcntl locks, POSIX.1). Don't.
package store
