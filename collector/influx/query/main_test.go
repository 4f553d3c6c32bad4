package query

import (
	"fmt"
	"os"
	"testing"

	"go.uber.org/goleak"

	"dwindle/collector/influx/influxtest"
)

func TestMain(m *testing.M) {
	code := influxtest.Main(m)
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}
