package port

import (
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Host is where the system shows its devices. The zero value is where Linux does.
type Host struct {
	Sys  string // "/sys"
	Dev  string // "/dev"
	Proc string // "/proc"
}

func (h Host) orSystem() Host {
	return Host{cmp.Or(h.Sys, "/sys"), cmp.Or(h.Dev, "/dev"), cmp.Or(h.Proc, "/proc")}
}

// Adapter is how a USB adapter describes itself. The zero value is no adapter,
// or one that can't be seen.
type Adapter struct {
	Vendor, Product string // four hex digits each
	Serial          string // empty if it has none: then two of a kind can't be told apart
	Name            string // in its own words
}

// String is the vendor, product and serial number.
func (a Adapter) String() string {
	switch {
	case a == Adapter{}:
		return "no USB adapter"
	case a.Serial == "":
		return fmt.Sprintf("USB %s:%s without serial number", a.Vendor, a.Product)
	}
	return fmt.Sprintf("USB %s:%s serial %s", a.Vendor, a.Product, a.Serial)
}

// same says whether b may be the same adapter as a.
func (a Adapter) same(b Adapter) bool {
	return a.Vendor == b.Vendor && a.Product == b.Product && a.Serial == b.Serial
}

// Adapter returns the USB adapter that the character device major:minor
// belongs to; the zero value if it is no USB device. It only reads sysfs.
func (h Host) Adapter(major, minor uint32) Adapter {
	return h.adapterAt(filepath.Join(h.orSystem().Sys, "dev/char", fmt.Sprintf("%d:%d", major, minor)))
}

// adapterAt looks for the USB device above a folder of a terminal in sysfs.
func (h Host) adapterAt(tty string) Adapter {
	dir, err := filepath.EvalSymlinks(filepath.Join(tty, "device"))
	if err != nil {
		return Adapter{}
	}
	root, err := filepath.EvalSymlinks(h.orSystem().Sys)
	if err != nil {
		return Adapter{}
	}
	for ; len(dir) > len(root); dir = filepath.Dir(dir) {
		if vendor := attribute(dir, "idVendor"); vendor != "" {
			return Adapter{vendor, attribute(dir, "idProduct"), attribute(dir, "serial"), attribute(dir, "product")}
		}
	}
	return Adapter{}
}

// attribute reads a small file of sysfs, empty if there is none.
func attribute(dir, name string) string {
	b, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// Device is a serial line that this machine has.
type Device struct {
	Path    string // to configure: the stable name if there is one
	Node    string // the device file it stands for just now
	Adapter Adapter
}

// List returns the serial lines of this machine by node. It only reads names
// and attributes; it opens no device, which would disturb one in use.
func List() ([]Device, error) { return Host{}.List() }

// List is the list of the lines that this host shows.
func (h Host) List() ([]Device, error) {
	h = h.orSystem()
	class := filepath.Join(h.Sys, "class/tty")
	entries, err := os.ReadDir(class)
	if err != nil {
		return nil, fmt.Errorf("list serial lines: %w; give the device by its name", err)
	}
	stable := h.stableNames()
	var list []Device
	for _, e := range entries {
		tty := filepath.Join(class, e.Name())
		if _, err := os.Stat(filepath.Join(tty, "device")); err != nil {
			continue // a console or pseudo-terminal
		}
		if attribute(tty, "type") == "0" {
			continue // a place for a UART that isn't there
		}
		node := filepath.Join(h.Dev, e.Name())
		list = append(list, Device{Path: cmp.Or(stable[node], node), Node: node, Adapter: h.adapterAt(tty)})
	}
	slices.SortFunc(list, func(a, b Device) int { return cmp.Compare(a.Node, b.Node) })
	return list, nil
}

// stableNames maps nodes to their links, by-id before by-path.
func (h Host) stableNames() map[string]string {
	names := map[string]string{}
	for _, dir := range []string{"by-path", "by-id"} {
		links, err := filepath.Glob(filepath.Join(globQuote(h.Dev), "serial", dir, "*"))
		if err != nil {
			continue
		}
		for _, link := range links {
			if target, err := os.Readlink(link); err == nil {
				if !filepath.IsAbs(target) {
					target = filepath.Join(filepath.Dir(link), target)
				}
				names[filepath.Clean(target)] = link
			}
		}
	}
	return names
}
