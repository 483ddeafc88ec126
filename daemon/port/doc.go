// Package port opens a serial line, network line, pseudo-terminal or
// recording, reads it, and comes back when it went away.
//
// A [Config] names the device by its path or address:
//
//	/dev/serial/by-id/NAME   a serial line, best by its stable name; any other
//	/dev/ttyS0, COM3         tty, pseudo-terminal or Windows port works too
//	tcp://HOST:PORT          plain bytes from a device server
//	rfc2217://HOST:PORT      a device server whose line we set (RFC 2217)
//	/dev/input/by-id/NAME    an input device that types (evdev), taken for
//	                         this program alone; input:PATH for one elsewhere
//	recording:/PATH.rec      what a line once carried, at its own pace or faster
//
// [New] makes a [Port] and opens nothing. [Port.Run] does everything else in
// one goroutine, the owner: it alone opens, reads and closes the line, and passes on
// what happened as [Chunk] values, in order. An idle line is no
// fault and costs almost nothing: a read waits for at most 100 ms, and its
// timeout is not visible outside. A line that went away is reported within a second.
// It is tried again after 0.25 s, then less and less often, down to every 5 s.
//
// Commands to a gauge go through [Port.Write] to one writer goroutine, which
// the owner starts after opening and waits for before closing. So nothing is ever
// written through a closed port, whose descriptor may by then belong to
// another file of this program.
//
// Two daemons never share a gauge: on Linux the device is locked with flock,
// which binds the superuser too and works on pseudo-terminals, and is refused
// if somebody else has it exclusively. The adapter's vendor, product and serial
// number are kept from the first opening, and another adapter that turns up
// under the same name is refused.
//
// The tests use pseudo-terminals. They don't cover parity and 7-bit lines, damaged
// bytes, and the modem lines and counters of a real UART.
package port
