-- What a forecast has made of the whole days of a series up to one of them,
-- instead of all of them again. mark: what else it rests on, such as which days
-- were holidays. Given up when a day at or before its own changes. Derived, so
-- it can be dropped.
CREATE TABLE digest (
  series INTEGER PRIMARY KEY,
  day    INTEGER NOT NULL,
  mark   INTEGER NOT NULL,
  body   BLOB    NOT NULL
);
