package watch

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
)

// packetFilter removes packets from a broker that are larger than any packet the watcher wants. It
// does so before the library allocates memory for them. The library would allocate up to 256 MB
// each time somebody publishes such a message. The filter acknowledges a message that it removes,
// since an unacknowledged message would hold up the messages after it.
//
// The framing is that of MQTT 3.1.1, sections 2.2 and 3.3. A packet begins with a byte of type and
// flags and the remaining length in one to four bytes of seven bits. A PUBLISH continues with the
// length of the topic, the topic and, above QoS 0, the packet identifier.
type packetFilter struct {
	net.Conn
	in    *bufio.Reader
	most  int    // longest remaining length that is passed on
	head  []byte // the part of a packet's head that is still to be passed on
	left  int    // bytes after the head that are still to be passed on
	large func() // called for each packet that is removed
}

func newPacketFilter(conn net.Conn, most int, large func()) *packetFilter {
	return &packetFilter{Conn: conn, in: bufio.NewReader(conn), most: most, large: large}
}

// The types of the MQTT 3.1.1 packets that matter here: the upper four bits of the first byte.
const (
	packetPublish = 3
	packetPuback  = 4
)

var errLength = errors.New("the broker sent a packet with a length that can't be")

// Read passes on the packets that are not too large.
func (f *packetFilter) Read(p []byte) (int, error) {
	for len(f.head) == 0 && f.left == 0 {
		if err := f.next(); err != nil {
			return 0, err
		}
	}
	if len(f.head) > 0 {
		n := copy(p, f.head)
		f.head = f.head[n:]
		return n, nil
	}
	n, err := f.in.Read(p[:min(len(p), f.left)])
	f.left -= n
	return n, err
}

// next reads the head of a packet. If the packet is too large, next drops all of it.
func (f *packetFilter) next() error {
	first, err := f.in.ReadByte()
	if err != nil {
		return err
	}
	head, size := []byte{first}, 0
	for shift := 0; ; shift += 7 {
		if shift > 21 {
			return errLength
		}
		b, err := f.in.ReadByte()
		if err != nil {
			return err
		}
		head = append(head, b)
		size |= int(b&0x7f) << shift
		if b&0x80 == 0 {
			break
		}
	}
	if size <= f.most {
		f.head, f.left = head, size
		return nil
	}
	if first>>4 != packetPublish {
		return fmt.Errorf("the broker sent a packet of %d bytes that is no message", size)
	}
	return f.drop(first, size)
}

// drop reads a message, does not keep it, and acknowledges it if its QoS is above 0.
func (f *packetFilter) drop(first byte, size int) error {
	f.large()
	var b [2]byte
	if _, err := io.ReadFull(f.in, b[:]); err != nil {
		return err
	}
	topic := int(binary.BigEndian.Uint16(b[:]))
	id := 0
	qos := first >> 1 & 3
	if qos > 0 {
		id = len(b)
	}
	if size < len(b)+topic+id {
		return errLength
	}
	if _, err := f.in.Discard(topic); err != nil {
		return err
	}
	if _, err := io.ReadFull(f.in, b[:id]); err != nil {
		return err
	}
	if _, err := f.in.Discard(size - len(b) - topic - id); err != nil || qos == 0 {
		return err
	}
	_, err := f.Conn.Write([]byte{packetPuback << 4, 2, b[0], b[1]})
	return err
}
