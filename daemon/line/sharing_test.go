package line_test

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/daemontest"
)

// Two gauges of a slave of another make on one RS-485 line, by their addresses, each
// at its own station, and a third address where nobody answers: each value is in
// the journal of its station, in order, and none in the other's.
func TestShared_Addresses(t *testing.T) {
	needsModbus(t)
	t.Parallel()
	r := daemontest.NewRig(t)
	line, far := r.Path("line"), r.Path("far")
	pair(t, line, far)
	s := newModbusServer(t, "rtu", far, "2")
	value := func(unit, i int) analysis.Length { return size(i + 100*(unit-1)) }
	set := func(unit, i int) { s.setUnit(unit, 0, uint32(value(unit, i)/1000)) }
	set(1, 0)
	set(2, 0)
	gauge := func(unit int) string {
		return fmt.Sprintf("  M-%d: {driver: modbus-rtu, unit: mm, options: {unit-id: '%[1]d', registers: '@0:int32:0.0001:mm', function: '3', interval: 20ms, timeout: 150ms}}\n", unit)
	}
	station := func(name string, unit int) string {
		return fmt.Sprintf("  - {name: %s, gauge: M-%d, port: %s, line: {baud: 19200, parity: none}, job: J-4112, bounce: 10s}\n", name, unit, line)
	}
	r.Shop(gauge(1)+gauge(2)+gauge(3), station("bay2", 1)+station("bay3", 2)+station("bay4", 3))
	const n = 6
	want := map[string][]analysis.Length{}
	for i := range n {
		set(1, i)
		set(2, i)
		want["bay2"], want["bay3"] = append(want["bay2"], value(1, i)), append(want["bay3"], value(2, i))
		r.Eventually(20*time.Second, fmt.Sprintf("value %d of both", i), func() bool {
			return slices.Contains(sizes(r.TakenSoFar("bay2")), value(1, i)) && slices.Contains(sizes(r.TakenSoFar("bay3")), value(2, i))
		})
	}
	r.Stop()
	for _, name := range []string{"bay2", "bay3", "bay4"} {
		if got := sizes(r.Taken(name)); !slices.Equal(got, want[name]) {
			t.Errorf("%s: the journal has %v, want %v", name, got, want[name])
		}
	}
}

// Two gauges behind a multiplexer that marks each value with its channel, each at
// its own station.
func TestShared_Channels(t *testing.T) {
	t.Parallel()
	r := daemontest.NewRig(t)
	line := ptys(t, r.Device)
	r.Shop("  A-1: {driver: line, unit: mm, options: {channels: 'A,B'}, channels: {A: size, B: ignored}}\n"+
		"  A-2: {driver: line, unit: mm, options: {channels: 'A,B'}, channels: {A: ignored, B: size}}\n",
		fmt.Sprintf("  - {name: bay2, gauge: A-1, port: %[1]s, job: J-4112, bounce: 1ms}\n  - {name: bay3, gauge: A-2, port: %[1]s, job: J-4112, bounce: 1ms}\n", r.Device))
	both := func(i int) { io.WriteString(line, "A"+sized(i)+"B"+sized(i+100)) }
	r.Eventually(10*time.Second, "the first readings", func() bool {
		both(0)
		return len(r.TakenSoFar("bay2")) > 0 && len(r.TakenSoFar("bay3")) > 0
	})
	var a, b []analysis.Length
	for i := range 20 {
		if a, b = append(a, size(i)), append(b, size(i+100)); i > 0 {
			both(i)
		}
	}
	r.Shown(size(19))
	r.Stop()
	for name, want := range map[string][]analysis.Length{"bay2": a, "bay3": b} {
		if got := sizes(r.Taken(name)); !slices.Equal(got, want) {
			t.Errorf("%s: the journal has %v, want %v", name, got, want)
		}
	}
}

// A port that is refused, since it is no serial line or another program has it,
// disturbs no other station, and its own says why.
func TestRefusedPortNextDoor(t *testing.T) {
	t.Parallel()
	r := daemontest.NewRig(t)
	gauge := ptys(t, r.Device)
	r.Shop(lineGauge+"  G-12: {driver: line, unit: mm}\n",
		fmt.Sprintf("  - {name: bay2, gauge: G-11, port: %s, job: J-4112, bounce: 1ms}\n  - {name: bay3, gauge: G-12, port: /dev/null, job: J-4112}\n", r.Device))
	r.Eventually(10*time.Second, "the first reading", func() bool {
		io.WriteString(gauge, sized(0))
		b := r.Bore()
		return b != nil && b.Last != nil && b.Last.Raw == size(0)
	})
	r.Eventually(10*time.Second, "the reason at the other station", func() bool {
		b := r.BoreOf("bay3")
		return b != nil && b.Gauge != nil && b.Gauge.Lost && b.Gauge.Why.Text == "/dev/null is not a serial line: inappropriate ioctl for device: give the device file of the gauge's line"
	})
	r.Stop()
	if log := r.Log.String(); !strings.Contains(log, "/dev/null is not a serial line") || strings.Contains(log, "port.not_serial") {
		t.Errorf("the log says a code in place of its text:\n%s", log)
	}
}
