// Package influxtest only passes on dwindle/collector/influx/influxtest, which
// the tests of cmd can import too. Use that one.
package influxtest

import "dwindle/collector/influx/influxtest"

// Server is a running InfluxDB 2.
type Server = influxtest.Server

// The functions of the package that this passes on.
var (
	Main  = influxtest.Main
	Start = influxtest.Start
	Own   = influxtest.Own
)
