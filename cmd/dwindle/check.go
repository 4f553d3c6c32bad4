package main

import (
	"errors"
	"fmt"
	"os"

	"dwindle/cmd/internal/text"
	"dwindle/config"
)

type checkCmd struct {
	Config    string `short:"c" name:"config" placeholder:"FILE" help:"Site file (YAML)." xor:"what" required:""`
	Effective bool   `help:"Print each value with its origin."`
	Import    string `placeholder:"CSV" help:"Turn a table of points into YAML for a site file." xor:"what" required:""`
	Schema    bool   `help:"Print the JSON Schema of the site file." xor:"what" required:""`
}

// Run checks a site file, imports points, or prints the schema.
func (c checkCmd) Run(e *env) error {
	switch {
	case c.Schema:
		schema, err := config.Schema()
		if err != nil {
			return err
		}
		_, err = e.out.Write(schema)
		return err
	case c.Import != "":
		return c.importPoints(e)
	}
	site, err := config.Load(c.Config)
	var faults *config.Faults
	if errors.As(err, &faults) {
		fmt.Fprintln(e.out, faults.Error())
		return errSilent
	}
	if err != nil {
		return err
	}
	if c.Effective {
		t := text.NewTable(text.Column{Head: "key"}, text.Column{Head: "value", Wrap: true}, text.Column{Head: "from", Wrap: true})
		for _, v := range config.Effective(site) {
			t.Row(v.Path, v.Value, v.Origin)
		}
		return t.Write(e.out, text.Width(e.out))
	}
	for _, w := range site.Warnings() {
		fmt.Fprintln(e.out, "note:", w)
	}
	_, err = fmt.Fprintf(e.out, "%s: no faults. %d areas, %d machines, %d points, %d dispensers, %d gateways.\n", c.Config,
		len(site.Areas), len(site.Machines), len(site.Points), len(site.Dispensers), len(site.Gateways))
	return err
}

func (c checkCmd) importPoints(e *env) error {
	f, err := os.Open(c.Import)
	if err != nil {
		return fmt.Errorf("open table of points: %w", err)
	}
	defer f.Close()
	yaml, err := config.ImportPoints(f)
	if err != nil {
		return fmt.Errorf("import %s: %w", c.Import, err)
	}
	_, err = e.out.Write(yaml)
	return err
}
