package main

import (
	"cmp"
	"errors"
	"fmt"

	"dwindle/collector/influx/prepare"
	"dwindle/config"
)

// prepareStores makes what the site file's stores need in InfluxDB, says what it
// did, and how to make the tokens of every day. No token is ever printed.
func prepareStores(e *env, site *config.Site, tokenFile string) error {
	influx := site.Influx()
	if influx == nil {
		return errors.New("the site file names no InfluxDB\ntry: influx: under stores, with url, organisation, bucket and token_file")
	}
	influx.PrepareTokenFile = cmp.Or(tokenFile, influx.PrepareTokenFile)
	if influx.PrepareTokenFile == "" {
		return errors.New("no token of an operator is given, and the one in token_file should not be allowed to make buckets\n" +
			"try: --operator-token FILE, or prepare_token_file under stores.influx; the token has to allow " + prepare.Scope)
	}
	token, err := influx.PrepareToken()
	if err != nil {
		return err
	}
	o := prepare.Options{Influx: influx, Site: site.ID, Zone: site.Zone, Token: token}
	done, err := prepare.Stores(e.ctx, o)
	for _, step := range done.Steps {
		line := fmt.Sprintf("%-8s %s", step.Did, step.What)
		if step.Note != "" {
			line += ": " + step.Note
		}
		if _, err := fmt.Fprintln(e.out, line); err != nil {
			return err
		}
	}
	if err != nil {
		return err
	}
	for _, t := range prepare.Tokens(o, done) {
		if _, err := fmt.Fprintf(e.out, "\nA token for %s:\n  %s\n", t.For, t.Command); err != nil {
			return err
		}
	}
	_, err = fmt.Fprintln(e.out, "\nA token is shown once, when it is made. Put it alone into its file, readable by dwindle only.")
	return err
}
