// Package query reads back from InfluxDB 2 what was written there by
// dwindle/collector/influx/schema: readings, facts, the change feed, newest
// times, calibrations and the use of days.
//
// Every question is bounded: it has a beginning and an end, names the devices
// that it is about, and says how many rows may come; what is more comes page by
// page. Nothing is pasted into the text of a question but times, numbers and
// literals that [Quote] has made. (The server has parameters for Flux, but
// 2.8.0 as open source knows none: "undefined identifier params".)
//
// An answer is whole or an error. It must come as the CSV that was asked for,
// packed with a checksum at its end, and bear a mark that was made for this
// question; a cut connection, an error in the middle of an answer, and a server
// or proxy that says 200 and nothing else are errors. They name what was
// asked and the server's words, and never the token. Answers that may come
// right (429, 503, 5xx, cut connections) are asked for again, a few times.
//
// Start with [New].
package query
