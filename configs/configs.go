// Package configs holds the configurations that come with the program: the
// complete example, the shop of the demo, and an example for each driver.
package configs

import "embed"

// Demo is the configuration of the demo's invented shop. Ports and addresses
// are put in when it is played.
//
//go:embed demo.yaml
var Demo []byte

// Drivers holds drivers/NAME.yaml, an example for each driver.
//
//go:embed drivers/*.yaml
var Drivers embed.FS
