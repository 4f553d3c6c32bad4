-- What another server has been given of the journal, where one is named to
-- receive it: places in the tables above, never copies of them (see forward.go).
-- at: ms since 1970; all readings of the channel up to here have been taken.
CREATE TABLE forward (
  channel INTEGER PRIMARY KEY,
  at      INTEGER NOT NULL
);

-- Stretches of channels in which something came, changed or was taken away (gone)
-- after they had been read. first, last: ms, both included.
CREATE TABLE forward_late (
  seq     INTEGER PRIMARY KEY AUTOINCREMENT,
  channel INTEGER NOT NULL,
  first   INTEGER NOT NULL,
  last    INTEGER NOT NULL,
  gone    INTEGER NOT NULL
);

-- Facts that are new or have changed. was: the time, ms, at which the fact stood
-- before it was moved, else NULL.
CREATE TABLE forward_fact (
  seq INTEGER PRIMARY KEY AUTOINCREMENT,
  id  TEXT NOT NULL,
  was INTEGER
);

-- Lines that others want to have sent. kind: their measurement; place: digest of
-- the line's series and time, so that a newer line takes the place of an older.
CREATE TABLE forward_line (
  seq   INTEGER PRIMARY KEY AUTOINCREMENT,
  kind  TEXT    NOT NULL,
  place INTEGER NOT NULL,
  line  BLOB    NOT NULL
);
CREATE INDEX forward_line_place ON forward_line (place);

-- Lines that the receiver refused, with its words. channel and time, or fact,
-- name what the line was made of; resend: 1 when it is to be sent once more.
CREATE TABLE refused (
  id      INTEGER PRIMARY KEY AUTOINCREMENT,
  at      INTEGER NOT NULL,
  reason  TEXT    NOT NULL,
  status  INTEGER NOT NULL,
  words   TEXT    NOT NULL,
  kind    TEXT    NOT NULL,
  place   INTEGER NOT NULL,
  line    BLOB    NOT NULL,
  channel INTEGER,
  time    INTEGER,
  fact    TEXT,
  resend  INTEGER NOT NULL DEFAULT 0
);
CREATE INDEX refused_place ON refused (place);
