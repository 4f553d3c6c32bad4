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

	Try      string `placeholder:"TOPIC" help:"Show what would be stored of a message on this topic, or why not; nothing is stored."`
	Payload  string `arg:"" optional:"" help:"With --try: the payload; - reads it from standard input. Put -- before one that begins with -."`
	Retained bool   `help:"With --try: as if the broker replayed it."`
	Received moment `placeholder:"TIME" help:"With --try: as if it came then."`
	JSON     bool   `name:"json" help:"With --try: machine output."`
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
	if c.Try == "" && (c.Payload != "" || c.Retained || c.Received != "" || c.JSON) {
		return &usageError{"a payload, --retained, --received and --json go with --try TOPIC"}
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
	if c.Try != "" {
		return c.try(e, site)
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
	for _, d := range site.TokenDoubts() {
		fmt.Fprintln(e.out, "note:", d)
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
