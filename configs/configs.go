// Package configs holds the configurations that come with the program: the
// complete example, and the shop of the demo.
package configs

import _ "embed" // for the files

// Demo is the configuration of the demo's invented shop. Ports and addresses
// are put in when it is played.
//
//go:embed demo.yaml
var Demo []byte
