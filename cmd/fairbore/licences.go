package main

import (
	_ "embed"
	"io"
)

// licences has the licences of everything that the program carries, whole. TestLicences holds it
// against the modules, and writes it anew with -update.
//
//go:embed licences.txt
var licences string

type licencesCmd struct{}

func (licencesCmd) Run(s *streams) error {
	_, err := io.WriteString(s.out, licences)
	return err
}
