package listen

import (
	"fmt"

	"fairbore/drivers"
)

// probe is a way to ask a gauge.
type probe struct {
	driver  string
	options drivers.Options
	says    string // description for the person
}

// probes lists the requests, the most harmless first. None of them writes a setting (common
// practice for indicators; the rest by SCPI-99 and the Modbus application protocol, from memory).
func probes(device string) (out []probe) {
	for _, request := range []string{"\r", "?\r", "?\n", "?\r\n"} {
		out = append(out, probe{"ask", drivers.Options{"request": escape(request), "timeout": "300ms"}, visible([]byte(request))})
	}
	for _, query := range []string{"MEAS?", "READ?", "FETC?"} {
		out = append(out, probe{"scpi", drivers.Options{"query": query, "errors": "", "timeout": "300ms"}, query})
	}
	modbus := []string{"modbus-rtu"}
	if kind(device) == "tcp" {
		modbus = []string{"modbus-tcp", "modbus-rtu"}
	}
	for _, driver := range modbus {
		for _, function := range []string{"4", "3"} {
			for _, n := range []int{8, 2} {
				o := drivers.Options{"registers": probeRegisters(n), "function": function, "timeout": "300ms"}
				out = append(out, probe{driver, o, fmt.Sprintf("%s, function %s, registers 0 to %d of unit 1", driver, function, n-1)})
			}
		}
	}
	return out
}

// listenLines returns the settings to listen with. Lines with 7 bits and parity are heard with 8
// bits and none; 8 bits with parity is tried if bytes were damaged (see next in run.go).
func listenLines() (out []drivers.Serial) {
	for _, baud := range []int{9600, 4800, 19200, 2400, 38400, 57600, 115200, 1200, 300} {
		out = append(out, drivers.Serial{Baud: baud, Data: 8, Parity: "none", Stop: 1})
	}
	return out
}

// askLines returns the settings to ask with.
func askLines() []drivers.Serial {
	return []drivers.Serial{
		{Baud: 9600, Data: 8, Parity: "none", Stop: 1}, {Baud: 19200, Data: 8, Parity: "even", Stop: 1},
		{Baud: 4800, Data: 7, Parity: "even", Stop: 2}, {Baud: 9600, Data: 8, Parity: "even", Stop: 1},
		{Baud: 9600, Data: 7, Parity: "even", Stop: 1}, {Baud: 19200, Data: 8, Parity: "none", Stop: 1},
		{Baud: 115200, Data: 8, Parity: "none", Stop: 1}, {Baud: 38400, Data: 8, Parity: "none", Stop: 1},
		{Baud: 2400, Data: 8, Parity: "none", Stop: 1}, {Baud: 1200, Data: 8, Parity: "none", Stop: 1},
	}
}
