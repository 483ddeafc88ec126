package drivers

import (
	"encoding/binary"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// The check value of CRC-16/MODBUS in the catalogue of parametrised CRC
// algorithms (reveng.sourceforge.io/crc-catalogue/16.htm, from memory), and a
// request as a serial-line library sends it.
func TestCRC16(t *testing.T) {
	if got := crc16([]byte("123456789")); got != 0x4B37 {
		t.Errorf("got %04X", got)
	}
	if got := crc16([]byte{1, 4, 0, 0, 0, 4}); got != 0xC9F1 { // F1 C9 on the line
		t.Errorf("got %04X", got)
	}
}

// rtuReply makes a reply of unit 1, function 4, with its CRC.
func rtuReply(data string) string {
	b := append([]byte{1, 4, byte(len(data))}, data...)
	return string(binary.LittleEndian.AppendUint16(b, crc16(b)))
}

func TestModbus_Values(t *testing.T) {
	for _, tc := range []struct {
		name    string
		options Options
		data    string // in hex
		want    string
	}{
		{"int32", nil, "0001F01B", "12.7003 mm"},
		{"int32, negative", nil, "FFFFFFD4", "-0.0044 mm"},
		{"int32, words turned", Options{"order": "CDAB"}, "F01B0001", "12.7003 mm"},
		{"int32, bytes turned", Options{"order": "BADC"}, "01001BF0", "12.7003 mm"},
		{"int32, all turned", Options{"order": "DCBA"}, "1BF00100", "12.7003 mm"},
		{"uint32", Options{"registers": "@7:uint32:1:um"}, "FFFFFFFF", "4294967295 um"},
		{"int16", Options{"registers": "@7:int16:0.1:degC"}, "FFFB", "-0.5 Cel"},
		{"uint16", Options{"registers": "@7:uint16:0.1:degC"}, "FFFB", "6553.1 Cel"},
		{"int16, bytes turned", Options{"registers": "@7:int16:0.1", "order": "DCBA"}, "D500", "21.3"},
		{"step of five", Options{"registers": "@7:int16:0.0005:mm"}, "0003", "0.0015 mm"},
		// 12.7003 is 414B 346E as float32, the example in the recordings too.
		{"float", Options{"registers": "@0:float32:0.0001:mm"}, "414B346E", "12.7003 mm"},
		{"float, words turned", Options{"registers": "@0:float32:0.0001:mm", "order": "CDAB"}, "346E414B", "12.7003 mm"},
		{"float in the wrong order is nonsense without a fault", Options{"registers": "@0:float32:0.0000001:mm", "order": "CDAB"}, "414B346E", "0.0000002 mm"},
		{"float, coarse", Options{"registers": "@0:float32:0.5:mm"}, "414B346E", "12.5 mm"},
		{"float, not a number", Options{"registers": "@0:float32:0.0001:mm"}, "7FC00000", "reject no number"},
		{"float, infinite", Options{"registers": "@0:float32:0.0001:mm"}, "FF800000", "reject over range"},
		{"float, too large", Options{"registers": "@0:float32:0.0001:mm"}, "7F7FFFFF", "reject number too large"},
		{"two values with a gap", Options{"registers": "size@0:int32:0.0001:mm,depth@4:uint16:0.1:mm"}, "0001F01BAAAABBBB0082", "size: 12.7003 mm, depth: 13.0 mm"},
		{"status good", Options{"status": "2", "status-good": "3=1"}, "0001F01B0005", "12.7003 mm"},
		{"status not good", Options{"status": "2", "status-good": "3=1"}, "0001F01B0003", "reject gauge error"},
		{"status over", Options{"status": "2", "status-over": "0x8000=0x8000"}, "0001F01B8001", "reject over range"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := play(asked(t, "modbus-rtu", tc.options), rtuReply(fromHex(t, tc.data)))
			if got != tc.want {
				t.Errorf("got %q, want %q", got, tc.want)
			}
		})
	}
}

// asked returns a decoder that has asked and waits for the reply.
func asked(t testing.TB, name string, o Options) Decoder {
	d := decoder(t, name, o)
	for len(d.(Requester).Request(nil)) == 0 {
	}
	return d
}

func TestModbusRTU(t *testing.T) {
	reply := rtuReply("\x00\x01\xF0\x1B")
	request := "\x01\x04\x00\x00\x00\x02\x71\xCB"
	exception := "\x01\x84\x02\xC2\xC1"
	bad := reply[:5] + "\xF1" + reply[6:]
	for _, tc := range []struct {
		name   string
		script []string
		want   string
	}{
		{"reply", []string{">", ">", "<" + reply}, "12.7003 mm"},
		{"reply to nobody", []string{"<" + reply, ">", ">", "<" + reply}, "reject not asked | 12.7003 mm"},
		{"second reply", []string{">", ">", "<" + reply + reply}, "12.7003 mm | reject not asked"},
		{"exception", []string{">", ">", "<" + exception, ">", "<" + reply}, "reject gauge error | 12.7003 mm"},
		{"request heard", []string{">", ">", "<" + request[:3], "<" + request[3:], "<" + reply}, "12.7003 mm"},
		{"damaged", []string{">", ">", "<" + bad, "!", ">", ">", "<" + reply}, "reject check failed | reject not this format | 12.7003 mm"},
		{"noise and reply", []string{">", ">", "<\x00\x01\x05\xFF" + reply}, "reject not this format | 12.7003 mm"},
		{"begins like a reply", []string{">", ">", "<\x01\x04\x04" + reply}, "reject check failed | reject not this format | 12.7003 mm"},
		{"cut by silence", []string{">", ">", "<" + reply[:6], "!", "<" + reply[6:], ">", ">", "<" + reply}, "reject not this format | 12.7003 mm"},
		{"of another unit", []string{">", ">", "<\x02" + reply[1:]}, "reject not this format"},
		{"late", []string{">", ">", ">", "<" + reply, ">", "<" + reply}, "reject not asked | 12.7003 mm"},
		{"opened again", []string{">", ">", "<" + reply[:6], "x", "<" + reply[6:], ">", ">", "<" + reply}, "reject too short | reject not this format | 12.7003 mm"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := converse(decoder(t, "modbus-rtu", nil), tc.script...)
			got = strings.Join(without(strings.Split(got, " | "), ">"), " | ")
			if got != tc.want {
				t.Errorf("got %q, want %q", got, tc.want)
			}
		})
	}
}

// without leaves out what begins with prefix.
func without(all []string, prefix string) (some []string) {
	for _, s := range all {
		if !strings.HasPrefix(s, prefix) {
			some = append(some, s)
		}
	}
	return some
}

func TestModbusTCP(t *testing.T) {
	reply := func(transaction byte) string {
		return "<\x00" + string(rune(transaction)) + "\x00\x00\x00\x07\x01\x04\x04\x00\x01\xF0\x1B"
	}
	exception := "<\x00\x01\x00\x00\x00\x03\x01\x84\x02"
	for _, tc := range []struct {
		name   string
		script []string
		want   string
	}{
		{"reply", []string{">", reply(1)}, "12.7003 mm"},
		{"counted up", []string{">", reply(1), ">", reply(2)}, "12.7003 mm | 12.7003 mm"},
		{"late", []string{">", ">", reply(1), reply(2)}, "reject not asked | 12.7003 mm"},
		{"late, in two parts", []string{">", reply(1)[:6], ">", "<" + reply(1)[6:], reply(2)}, "reject not asked | 12.7003 mm"},
		{"to nobody", []string{reply(0)}, "reject not asked"},
		{"twice", []string{">", reply(1), reply(1)}, "12.7003 mm | reject not asked"},
		{"exception", []string{">", exception}, "reject gauge error"},
		{"of another unit", []string{">", strings.Replace(reply(1), "\x07\x01", "\x07\x02", 1)}, "reject not this format"},
		{"of another length", []string{">", strings.Replace(reply(1), "\x07", "\x09", 1)}, "reject not this format"},
		{"lost within", []string{">", reply(1)[:6], "x", ">", reply(1)}, "reject too short | 12.7003 mm"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := converse(decoder(t, "modbus-tcp", nil), tc.script...)
			got = strings.Join(without(strings.Split(got, " | "), ">"), " | ")
			if got != tc.want {
				t.Errorf("got %q, want %q", got, tc.want)
			}
		})
	}
}

func TestModbus_Faults(t *testing.T) {
	for _, tc := range []struct {
		driver  string
		options Options
		want    string
	}{
		{"modbus-rtu", Options{"registers": ""}, "registers: give one value"},
		{"modbus-rtu", Options{"registers": "size@0:int32"}, "give NAME@ADDRESS:TYPE:STEP:UNIT"},
		{"modbus-rtu", Options{"registers": "size:int32:1:mm"}, "give @ and an address"},
		{"modbus-rtu", Options{"registers": "@0:int64:1:mm"}, `type "int64"`},
		{"modbus-rtu", Options{"registers": "@0:int32:0:mm"}, `step "0"`},
		{"modbus-rtu", Options{"registers": "@0:int32:1:kg"}, `unit "kg"`},
		{"modbus-rtu", Options{"registers": "@0:int32:1:mm,@2:int32:1:mm"}, "named twice"},
		{"modbus-rtu", Options{"registers": "a@0:int32:1:mm,b@125:int16:1:mm"}, "one request reads 125"},
		{"modbus-rtu", Options{"registers": "@65535:int32:1:mm"}, "one request reads 125"},
		{"modbus-rtu", Options{"status": "5"}, "say by status-good or status-over"},
		{"modbus-rtu", Options{"status-good": "1=1"}, "give the address of the status register"},
		{"modbus-rtu", Options{"status": "5", "status-good": "1=2"}, "within the mask"},
		{"modbus-rtu", Options{"unit-id": "248"}, "give 1 to 247"},
		{"modbus-tcp", Options{"unit-id": "256"}, "from 0 to 255"},
	} {
		d, _ := Find(tc.driver)
		if _, err := d.Decoder(tc.options); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%v: got %v, want %q in it", tc.options, err, tc.want)
		}
	}
}

// A float32 that is the nearest to a multiple of the step gives that multiple.
func TestModbus_FloatRoundTrip(t *testing.T) {
	v := register{kind: "float32", step: 1, places: 4}
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.Int64Range(-400_0000, 400_0000).Draw(t, "tenths of a micrometre") // 24 bits hold them apart up to 400 mm
		got, fault := v.round(float32(float64(want) / 1e4))
		if fault != "" || got != want {
			t.Fatalf("%d came as %d, %v", want, got, fault)
		}
	})
	if got, _ := v.round(float32(math.Copysign(0, -1))); got != 0 {
		t.Errorf("-0 came as %d", got)
	}
}

func BenchmarkDecodeModbusRTU(b *testing.B) {
	d := decoder(b, "modbus-rtu", nil)
	frame := []byte(rtuReply("\x00\x01\xF0\x1B"))
	out := make([]Sample, 0, 4)
	var ask []byte
	b.ReportAllocs()
	for b.Loop() {
		for ask = d.(Requester).Request(ask[:0]); len(ask) == 0; {
			ask = d.(Requester).Request(ask[:0])
		}
		var err error
		if out, err = d.Decode(frame, out[:0]); err != nil {
			b.Fatal(err)
		}
	}
}
