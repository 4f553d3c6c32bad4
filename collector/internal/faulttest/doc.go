// Package faulttest holds tests of the collector under faults of networks and
// brokers: a real broker, the real intake and the real journal, and senders that
// keep account of what the broker has acknowledged to them. It has no code of
// its own. The faults are short unless the tests run with -long.
//
// What the promise is: a message that the broker has acknowledged reaches the
// journal, unless the broker itself loses it, and then no more is lost than
// deploy/mosquitto.conf says.
package faulttest
