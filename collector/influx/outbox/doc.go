// Package outbox writes what waits in the journal's outbox to InfluxDB 2, or to
// whatever takes its write protocol, and loses nothing that was not said.
//
// It uses the client library's blocking write call only, which says what became
// of a batch. One request is under way at a time, so that the order within a
// series is kept, while the next is being made ready. What is sent again changes
// nothing there, and the journal's outbox moves on only after an answer. In a
// stretch that has changed since it was sent, what was taken away is deleted
// first; then what now stands there is written, then an entry of the change feed.
//
// What is done about an answer:
//
//	answer                              reaction
//	204                                 the batch is written; the outbox moves on. Any other 2xx is no answer of a receiver of points
//	400 (a line cannot be read),        the bad points are found and kept aside with the server's words, all others are written: by what
//	413 (too large),                    the server names (lines, a field, how many it dropped), else by halves. 413 makes later batches
//	422 (type conflict, retention)      smaller. Refusals that follow each other are limited to 60 at once, then one a second. A point that
//	                                    is refused alone without a reason waits if the server then refuses what it took before, or where
//	                                    that is nothing, an entry of the change feed that nothing has changed
//	  of these, beyond retention        counted as such and not kept aside: it is in the journal, and was to end there
//	401, 403                            all waits, health is bad; again after a minute, with the token as its file then has it
//	404                                 the bucket or the organisation is missing: all waits, health is bad; again after a minute
//	429, 503                            all waits, as long as Retry-After says (seconds or date, up to 15 minutes) and a tenth more
//	other 5xx, cut connections,         all waits: 1 to 2 s, doubled with each failure in a row up to a minute, half of it random. If a
//	no answer in time                   server that was reached gives no answer in time twice, or ends the connection four times, the
//	                                    batch is halved, and later ones are smaller, down to 100 rows
//	  of these, 500 six times in a row  the batch is halved, too. A point over which alone the server fails, while it takes what it took
//	                                    before, is kept aside; otherwise it waits
//	redirections, other 4xx             the same, and health is bad: this is no receiver of points. Redirections are not followed
//	to a deletion: 400, 405, 422, 501,  it goes on; what was taken away here stays there, which is counted and said once
//	404 without InfluxDB's words
//
// While nothing is taken there is at most one request a second, and while the
// intake is pressed only a fourth of the time is taken. The entry in health is
// [Check]. Start with [New].
package outbox
