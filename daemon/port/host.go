package port

import (
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Host says in which folders the system shows its devices. The zero value means the usual folders
// of Linux.
type Host struct {
	Sys  string // "/sys"
	Dev  string // "/dev"
	Proc string // "/proc"
}

func (h Host) orSystem() Host {
	return Host{cmp.Or(h.Sys, "/sys"), cmp.Or(h.Dev, "/dev"), cmp.Or(h.Proc, "/proc")}
}

// Folder returns the folder in which the devices are.
func (h Host) Folder() string { return h.orSystem().Dev }

// Adapter is how a USB adapter describes itself. The zero value means that there is no adapter, or
// that it can't be seen.
type Adapter struct {
	Vendor, Product string // four hex digits each
	Serial          string // empty if it has none; two adapters of a kind then look the same
	Name            string // the product name that the adapter gives
}

// String returns the vendor, product and serial number.
func (a Adapter) String() string {
	switch {
	case a == Adapter{}:
		return "no USB adapter"
	case a.Serial == "":
		return fmt.Sprintf("USB %s:%s without serial number", a.Vendor, a.Product)
	}
	return fmt.Sprintf("USB %s:%s serial %s", a.Vendor, a.Product, a.Serial)
}

// same reports whether b may be the same adapter as a.
func (a Adapter) same(b Adapter) bool {
	return a.Vendor == b.Vendor && a.Product == b.Product && a.Serial == b.Serial
}

// Adapter returns the USB adapter of the character device major:minor, or the zero value if that is
// no USB device. It only reads sysfs.
func (h Host) Adapter(major, minor uint32) Adapter {
	return h.adapterAt(filepath.Join(h.orSystem().Sys, "dev/char", fmt.Sprintf("%d:%d", major, minor)))
}

// adapterAt returns the USB device whose folder in sysfs contains that of the terminal tty.
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

// attribute reads a small file of sysfs. It returns "" if it can't read the file.
func attribute(dir, name string) string {
	b, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// Device is a serial line of this machine.
type Device struct {
	Path    string // the path to configure: the stable name if there is one
	Node    string // the device file that Path leads to now
	Adapter Adapter
}

// List returns the serial lines of this machine, sorted by node. It only reads names and
// attributes. It opens no device, since that would disturb a device in use.
func List() ([]Device, error) { return Host{}.List() }

// List returns the serial lines that this host shows, sorted by node.
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
			continue // a node for a UART that does not exist
		}
		node := filepath.Join(h.Dev, e.Name())
		list = append(list, Device{Path: cmp.Or(stable[node], node), Node: node, Adapter: h.adapterAt(tty)})
	}
	slices.SortFunc(list, func(a, b Device) int { return cmp.Compare(a.Node, b.Node) })
	return list, nil
}

// Inputs returns the input devices of this host that type and have a name that stays, such as a
// scanner. It opens none.
func (h Host) Inputs() (list []Device) {
	links, err := filepath.Glob(filepath.Join(globQuote(h.orSystem().Dev), "input", "by-id", "*-event-kbd"))
	if err != nil {
		return nil
	}
	for _, link := range links {
		node, err := filepath.EvalSymlinks(link)
		if err != nil {
			continue
		}
		name := strings.TrimSuffix(strings.TrimPrefix(filepath.Base(link), "usb-"), "-event-kbd")
		list = append(list, Device{Path: link, Node: node, Adapter: Adapter{Name: strings.ReplaceAll(name, "_", " ")}})
	}
	return list
}

// stableNames maps nodes to their links. A link in by-id goes before one in by-path.
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
