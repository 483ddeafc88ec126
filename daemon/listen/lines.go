package listen

import (
	"fmt"
	"io"

	"fairbore/daemon/port"
)

// Lines lists the serial lines of this machine that a gauge may be connected to. It opens none of
// them.
func Lines(out io.Writer) error {
	list, err := port.List()
	if err != nil {
		return err
	}
	return printLines(out, list)
}

func printLines(out io.Writer, list []port.Device) (err error) {
	if len(list) == 0 {
		_, err = fmt.Fprintln(out, "This machine has no serial line. Plug the gauge's adapter in and try again; or give a device server as\ntcp://HOST:PORT or rfc2217://HOST:PORT, or a gauge that types by its name under /dev/input/by-id.")
		return err
	}
	if _, err = fmt.Fprintln(out, "Serial lines here; unplug the gauge and plug it in to see which is its:"); err != nil {
		return err
	}
	for _, d := range list {
		about := d.Adapter.String()
		if d.Adapter.Name != "" {
			about = d.Adapter.Name + ", " + about
		}
		if d.Path != d.Node {
			about += ", now " + d.Node
		}
		if _, err = fmt.Fprintf(out, "  %s  (%s)\n", d.Path, about); err != nil {
			return err
		}
	}
	_, err = fmt.Fprintln(out, "Then: fairbore listen NAME")
	return err
}
