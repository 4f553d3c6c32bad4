package query

import (
	"flag"
	"fmt"
	"os"
	"testing"

	"go.uber.org/goleak"

	"dwindle/collector/influx/influxtest"
)

func TestMain(m *testing.M) {
	// Each check asks a server many times; more with -rapid.checks.
	if f := flag.Lookup("rapid.checks"); f != nil {
		if err := f.Value.Set("20"); err != nil {
			panic(err)
		}
	}
	code := influxtest.Main(m)
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}
