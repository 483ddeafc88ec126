package line_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"fairbore/daemon/daemontest"
)

// inSysfs makes a device of a tree that looks like sysfs(5): its uevent file, and what
// it belongs to, such as class/tty.
func inSysfs(t testing.TB, root, device, belongs, uevent string) {
	t.Helper()
	dir, sub := filepath.Join(root, "devices", device), filepath.Join(root, belongs)
	for _, d := range []string{dir, sub} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	to, err := filepath.Rel(dir, sub)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(to, filepath.Join(dir, "subsystem")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "uevent"), []byte(uevent), 0o644); err != nil {
		t.Fatal(err)
	}
}

// udev does with the rules what they say: a modem manager leaves serial adapters alone,
// of whatever make, but nothing else; and the line to copy names one by its socket. The
// devices are invented, since this machine may have none; udev reads them in a mount
// namespace of its own (mount_namespaces(7)), in which it can change nothing here.
func TestUdevRules(t *testing.T) {
	daemontest.Needs(t, "udevadm", "unshare")
	text, err := os.ReadFile(filepath.Join("..", "..", "systemd", "60-fairbore.rules"))
	if err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("unshare", "--mount", "mount", "-t", "tmpfs", "tmpfs", "/run").CombinedOutput(); err != nil {
		daemontest.Missing(t, "a mount namespace wants root: "+string(out))
	}
	example := regexp.MustCompile(`(?m)^# +(SUBSYSTEM==.*)$`).FindSubmatch(text)
	if example == nil {
		t.Fatal("the rules show no line that names an adapter")
	}
	rules := filepath.Join(t.TempDir(), "60-fairbore.rules")
	if err := os.WriteFile(rules, append(text, append(example[1], '\n')...), 0o644); err != nil {
		t.Fatal(err)
	}
	sys := t.TempDir()
	const one, other, board = "bus0/usb1/1-1/1-1.2:1.0/ttyUSB0/tty/ttyUSB0", "bus0/usb1/1-2/1-2:1.0/tty/ttyACM0", "bus0/serial8250/tty/ttyS0"
	for _, d := range [][3]string{
		{"bus0/usb1", "bus/usb", "DEVTYPE=usb_device\n"},
		{"bus0/usb1/1-1", "bus/usb", "DEVTYPE=usb_device\n"},
		{"bus0/usb1/1-1/1-1.2:1.0", "bus/usb", "DEVTYPE=usb_interface\n"},
		{"bus0/usb1/1-1/1-1.2:1.0/ttyUSB0", "bus/usb-serial", ""},
		{one, "class/tty", "MAJOR=188\nMINOR=0\nDEVNAME=ttyUSB0\n"},
		{"bus0/usb1/1-2", "bus/usb", "DEVTYPE=usb_device\n"},
		{"bus0/usb1/1-2/1-2:1.0", "bus/usb", "DEVTYPE=usb_interface\n"},
		{other, "class/tty", "MAJOR=166\nMINOR=0\nDEVNAME=ttyACM0\n"},
		{"bus0/serial8250", "bus/platform", ""},
		{board, "class/tty", "MAJOR=4\nMINOR=64\nDEVNAME=ttyS0\n"},
	} {
		inSysfs(t, sys, d[0], d[1], d[2])
	}
	const ignored, named = "ID_MM_DEVICE_IGNORE=1", "/dev/gauge-bay2"
	for device, want := range map[string][2]bool{one: {true, true}, other: {true, false}, board: {false, false}} {
		script := `mount -t tmpfs tmpfs /run && mkdir -p /run/udev/rules.d && cp "$1" /run/udev/rules.d && mount --bind "$2" /sys && exec udevadm test --action=add "/devices/$3"`
		c := exec.Command("unshare", "--mount", "sh", "-c", script, "sh", rules, sys, device)
		c.Env = append(os.Environ(), "SYSTEMD_DEVICE_VERIFY_SYSFS=0") // it only looks like one
		out, err := c.CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v\n%s", device, err, out)
		}
		if got := [2]bool{strings.Contains(string(out), ignored), strings.Contains(string(out), named)}; got != want || !strings.Contains(string(out), "SUBSYSTEM=tty") {
			t.Errorf("%s: left alone, named: %v, want %v\n%s", filepath.Base(device), got, want, out)
		}
		if fault := regexp.MustCompile(`(?mi)^.*60-fairbore\.rules:\d+.*(?:invalid|unknown|ignoring|fail|error).*$`).Find(out); fault != nil {
			t.Errorf("udev takes a line amiss: %s", fault)
		}
	}
}

// The rules go by what a device is, never by who made it.
func TestUdevRulesNameNoMake(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "systemd", "60-fairbore.rules"))
	if err != nil {
		t.Fatal(err)
	}
	match := regexp.MustCompile(`([A-Z]+(?:\{[^}]*\})?)(?:==|!=)`)
	rules := 0
	for i, line := range strings.Split(string(text), "\n") {
		line = strings.TrimSpace(strings.TrimPrefix(line, "#")) // those to copy as well
		if !strings.HasPrefix(line, "SUBSYSTEM") {
			continue
		}
		rules++
		for _, m := range match.FindAllStringSubmatch(line, -1) {
			switch m[1] {
			case "SUBSYSTEM", "SUBSYSTEMS", "KERNEL", "KERNELS":
			default:
				t.Errorf("line %d goes by %s", i+1, m[1])
			}
		}
	}
	if rules < 2 {
		t.Errorf("%d rules were found, want that of the modem manager and the one to copy", rules)
	}
}
