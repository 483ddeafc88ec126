// Package event is what is recorded of a station and what is asked of it: the
// events and their records in the journal, the actions of an operator with their
// replies, and the live value. It holds data and how they are written, and works
// nothing out.
package event
