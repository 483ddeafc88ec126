// Package faulttest has what the loops of faults need: a disk that loses what was not synced, and
// what the program has told, held against what its journal has.
package faulttest
