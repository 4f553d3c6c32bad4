// The program influxd is the InfluxDB 2 server that tests run against: the
// public launcher of its own module, and nothing beside. It is a module of its
// own, so that the product is not built from what this needs (cgo, Rust).
// deploy/testbed/influxd.sh builds it.
package main

import (
	"context"
	"fmt"
	"os"

	"github.com/influxdata/influxdb/v2"
	"github.com/influxdata/influxdb/v2/cmd/influxd/launcher"
	"github.com/spf13/viper"

	// The storage engine and its index put themselves on a list when imported.
	_ "github.com/influxdata/influxdb/v2/tsdb/engine/tsm1"
	_ "github.com/influxdata/influxdb/v2/tsdb/index/tsi1"
)

// version is what GET /health tells; the script sets it from go.mod.
var version = "unknown"

func main() {
	influxdb.SetBuildInfo(version, "none", "")
	cmd, err := launcher.NewInfluxdCommand(context.Background(), viper.New())
	if err == nil {
		cmd.SilenceUsage = true
		err = cmd.Execute()
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "influxd:", err)
		os.Exit(1)
	}
}
