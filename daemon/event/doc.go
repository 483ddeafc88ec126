// Package event defines what is recorded of a station and what is asked of it: the events and their
// records in the journal, the actions of an operator with their replies, and the live value. It has
// the data and how it is written as JSON, and calculates nothing.
package event
