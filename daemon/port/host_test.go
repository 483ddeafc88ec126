package port

import (
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
)

// madeHost makes a tree as Linux shows one USB adapter, one UART, a place for a
// UART that isn't there, and a console (layout: Linux sysfs, Documentation/ABI).
func madeHost(t *testing.T, serial string) Host {
	t.Helper()
	if runtime.GOOS == "windows" {
		t.Skip("no such tree on this system")
	}
	root := t.TempDir()
	h := Host{Sys: filepath.Join(root, "sys"), Dev: filepath.Join(root, "dev"), Proc: filepath.Join(root, "proc")}
	usb := filepath.Join(h.Sys, "devices/pci0000:00/usb1/1-1")
	uart := filepath.Join(h.Sys, "devices/platform/serial8250")
	file(t, filepath.Join(usb, "idVendor"), "1234\n")
	file(t, filepath.Join(usb, "idProduct"), "abcd\n")
	file(t, filepath.Join(usb, "product"), "a serial adapter\n")
	if serial != "" {
		file(t, filepath.Join(usb, "serial"), serial+"\n")
	}
	terminal := func(dir, name, device, kind string) {
		tty := filepath.Join(dir, "tty", name)
		file(t, filepath.Join(tty, "dev"), "")
		if kind != "" {
			file(t, filepath.Join(tty, "type"), kind+"\n")
		}
		if device != "" {
			symlink(t, device, filepath.Join(tty, "device"))
		}
		symlink(t, tty, filepath.Join(h.Sys, "class/tty", name))
	}
	terminal(filepath.Join(usb, "1-1:1.0/ttyUSB0"), "ttyUSB0", "../../../ttyUSB0", "")
	terminal(uart, "ttyS0", "../..", "4")
	terminal(uart, "ttyS1", "../..", "0")
	terminal(filepath.Join(h.Sys, "devices/virtual"), "tty1", "", "")
	symlink(t, "../../ttyUSB0", filepath.Join(h.Dev, "serial/by-id/usb-1234_gauge-if00-port0"))
	symlink(t, "../../ttyUSB0", filepath.Join(h.Dev, "serial/by-path/pci-0000:00-usb-0:1:1.0-port0"))
	symlink(t, "../../ttyS0", filepath.Join(h.Dev, "serial/by-path/platform-serial8250"))
	symlink(t, filepath.Join(usb, "1-1:1.0/ttyUSB0/tty/ttyUSB0"), filepath.Join(h.Sys, "dev/char/188:0"))
	symlink(t, filepath.Join(uart, "tty/ttyS0"), filepath.Join(h.Sys, "dev/char/4:64"))
	return h
}

func file(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func symlink(t *testing.T, target, path string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(target, path); err != nil {
		t.Fatal(err)
	}
}

func TestHost_ListNamesTheLinesOnly(t *testing.T) {
	h := madeHost(t, "G0042")
	got, err := h.List()
	if err != nil {
		t.Fatal(err)
	}
	want := []Device{
		{Path: h.Dev + "/serial/by-path/platform-serial8250", Node: h.Dev + "/ttyS0"},
		{Path: h.Dev + "/serial/by-id/usb-1234_gauge-if00-port0", Node: h.Dev + "/ttyUSB0",
			Adapter: Adapter{"1234", "abcd", "G0042", "a serial adapter"}},
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
	if _, err := (Host{Sys: t.TempDir()}).List(); err == nil {
		t.Error("a system without sysfs gave a list")
	}
}

func TestHost_AdapterOfADevice(t *testing.T) {
	h := madeHost(t, "G0042")
	if got := h.Adapter(188, 0).String(); got != "USB 1234:abcd serial G0042" {
		t.Errorf("got %s", got)
	}
	for _, minor := range []uint32{64, 65} {
		if got := h.Adapter(4, minor); got != (Adapter{}) {
			t.Errorf("4:%d: got %v", minor, got)
		}
	}
	if got := madeHost(t, "").Adapter(188, 0).String(); got != "USB 1234:abcd without serial number" {
		t.Errorf("got %s", got)
	}
}

func TestSerialOpener_RecognisesItsAdapter(t *testing.T) {
	a := Adapter{"1234", "abcd", "G0042", "a serial adapter"}
	for _, c := range []struct {
		name  string
		again Adapter
		ok    bool
	}{
		{"same", a, true},
		{"renamed", Adapter{"1234", "abcd", "G0042", "by other firmware"}, true},
		{"other serial", Adapter{"1234", "abcd", "G0043", "a serial adapter"}, false},
		{"no serial", Adapter{"1234", "abcd", "", "a serial adapter"}, false},
		{"other product", Adapter{"1234", "abce", "G0042", "a serial adapter"}, false},
		{"none", Adapter{}, false},
	} {
		o := &serialOpener{}
		if err := o.recognise(a); err != nil {
			t.Fatal(err)
		}
		if err := o.recognise(c.again); (err == nil) != c.ok || (err != nil && !errors.Is(err, ErrOtherAdapter)) {
			t.Errorf("%s: %v", c.name, err)
		}
		if err := o.recognise(a); err != nil {
			t.Errorf("%s: the right one again: %v", c.name, err)
		}
	}
}

func TestAdapter_NoneIsSaid(t *testing.T) {
	if s := (Adapter{}).String(); !strings.Contains(s, "no USB adapter") {
		t.Error(s)
	}
}
