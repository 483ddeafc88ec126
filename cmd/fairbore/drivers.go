package main

import (
	"fmt"
	"strings"

	"fairbore/configs"
	"fairbore/drivers"
)

type driversCmd struct {
	Name string `arg:"" optional:"" help:"The driver."`
}

// Run writes the list of drivers. If a driver is named, Run writes that driver with its options,
// their defaults and an example.
func (c *driversCmd) Run(s *streams) error {
	if c.Name == "" {
		for _, d := range drivers.Table() {
			fmt.Fprintf(s.out, "%-12s %s\n", d.Name, d.Help)
		}
		_, err := fmt.Fprintln(s.out, "\nfairbore drivers NAME tells its options. Everything but a driver's options is told in configs/fairbore.yaml.")
		return err
	}
	d, err := drivers.Find(c.Name)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "%s: %s\n", d.Name, d.Help)
	if d.Line.Baud > 0 {
		fmt.Fprintf(s.out, "usual line: %s\n", d.Line)
	}
	if len(d.Options) > 0 {
		fmt.Fprintln(s.out, "\noptions:")
	}
	for _, o := range d.Options {
		help := o.Help
		if o.Values != nil {
			help += " (" + strings.Join(o.Values, ", ") + ")"
		}
		fmt.Fprintf(s.out, "  %-14s %s [%s]\n", o.Name, help, o.Default)
	}
	example, err := configs.Drivers.ReadFile("drivers/" + c.Name + ".yaml")
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "\nexample:\n\n%s", example)
	return err
}
