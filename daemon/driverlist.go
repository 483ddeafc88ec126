package daemon

import (
	"fmt"
	"io"
	"strings"

	"fairbore/configs"
	"fairbore/drivers"
)

// Drivers writes the list of drivers, or one of them with its options, their
// defaults and an example.
func Drivers(name string, out io.Writer) error {
	if name == "" {
		for _, d := range drivers.Table() {
			fmt.Fprintf(out, "%-12s %s\n", d.Name, d.Help)
		}
		_, err := fmt.Fprintln(out, "\nfairbore drivers NAME tells its options. Everything but a driver's options is told in configs/fairbore.yaml.")
		return err
	}
	d, err := drivers.Find(name)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "%s: %s\n", d.Name, d.Help)
	if d.Line.Baud > 0 {
		fmt.Fprintf(out, "usual line: %s\n", d.Line)
	}
	fmt.Fprintln(out, "\noptions:")
	for _, o := range d.Options {
		help := o.Help
		if o.Values != nil {
			help += " (" + strings.Join(o.Values, ", ") + ")"
		}
		fmt.Fprintf(out, "  %-14s %s [%s]\n", o.Name, help, o.Default)
	}
	example, err := configs.Drivers.ReadFile("drivers/" + name + ".yaml")
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "\nexample:\n\n%s", example)
	return err
}
