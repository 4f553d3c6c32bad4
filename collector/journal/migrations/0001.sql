-- Names of what has a state of its own: unclean (the file is open for
-- writing), created.
CREATE TABLE meta (
  name  TEXT PRIMARY KEY,
  value TEXT NOT NULL
) WITHOUT ROWID;

-- Small numbers for channels keep a reading small.
CREATE TABLE channel (
  id       INTEGER PRIMARY KEY,
  device   TEXT NOT NULL,
  quantity TEXT NOT NULL,
  UNIQUE (device, quantity)
);

-- at: ms since 1970. value: INTEGER where exact, else REAL. lag: received - at
-- in ms. No secondary index: this table is nearly all of the file.
CREATE TABLE reading (
  channel INTEGER NOT NULL,
  at      INTEGER NOT NULL,
  value           NOT NULL,
  lag     INTEGER NOT NULL,
  flags   INTEGER NOT NULL,
  PRIMARY KEY (channel, at)
) WITHOUT ROWID;

-- Increments have an id of their own, so that two of one moment both count.
CREATE TABLE increment (
  channel INTEGER NOT NULL,
  id      TEXT    NOT NULL,
  at      INTEGER NOT NULL,
  value           NOT NULL,
  lag     INTEGER NOT NULL,
  flags   INTEGER NOT NULL,
  PRIMARY KEY (channel, id)
) WITHOUT ROWID;
CREATE INDEX increment_at ON increment (channel, at);

-- until: the last time the same state was reported again, so that a setting
-- repeated every minute is one row. content: what it says, without when.
-- person: 1 when a person entered it.
CREATE TABLE fact (
  id       TEXT PRIMARY KEY,
  kind     TEXT    NOT NULL,
  point    TEXT    NOT NULL,
  device   TEXT    NOT NULL,
  at       INTEGER NOT NULL,
  until    INTEGER NOT NULL,
  received INTEGER NOT NULL,
  person   INTEGER NOT NULL,
  content  BLOB    NOT NULL,
  body     TEXT    NOT NULL
) WITHOUT ROWID;
CREATE INDEX fact_at ON fact (at);
CREATE INDEX fact_device ON fact (device, kind, at);
CREATE INDEX fact_content ON fact (content, at);

-- Messages that could not be taken, and the losers of conflicts.
CREATE TABLE kept (
  id       INTEGER PRIMARY KEY AUTOINCREMENT,
  received INTEGER NOT NULL,
  device   TEXT    NOT NULL,
  reason   TEXT    NOT NULL,
  topic    TEXT    NOT NULL,
  payload  BLOB    NOT NULL,
  detail   TEXT    NOT NULL
);
CREATE INDEX kept_device ON kept (device, id);

CREATE TABLE unknown (
  device  TEXT PRIMARY KEY,
  count   INTEGER NOT NULL,
  first   INTEGER NOT NULL,
  last    INTEGER NOT NULL,
  topic   TEXT    NOT NULL,
  payload BLOB    NOT NULL
) WITHOUT ROWID;

CREATE TABLE counter (
  name TEXT PRIMARY KEY,
  n    INTEGER NOT NULL
) WITHOUT ROWID;

-- Derived from here on: can be dropped and rebuilt.

-- head_at: everything up to here is folded into the parts; head_state: the
-- fold's state there. rules: fingerprint of what the fold was told. edition:
-- changes whenever days that were complete are derived anew.
CREATE TABLE series (
  id         INTEGER PRIMARY KEY,
  device     TEXT NOT NULL,
  kind       TEXT NOT NULL,
  rules      TEXT NOT NULL,
  head_at    INTEGER NOT NULL,
  head_state BLOB NOT NULL,
  edition    INTEGER NOT NULL,
  UNIQUE (device, kind)
);

-- emitted: civil day of the reading that brought the amount; day: civil day
-- that the amount belongs to. Days count from 1970-01-01.
CREATE TABLE part (
  series   INTEGER NOT NULL,
  emitted  INTEGER NOT NULL,
  day      INTEGER NOT NULL,
  amount   REAL    NOT NULL,
  seen_ms  INTEGER NOT NULL,
  known_ms INTEGER NOT NULL,
  flags    INTEGER NOT NULL,
  PRIMARY KEY (series, emitted, day)
) WITHOUT ROWID;

-- The fold's state before the first reading of a civil day.
CREATE TABLE checkpoint (
  series INTEGER NOT NULL,
  day    INTEGER NOT NULL,
  state  BLOB    NOT NULL,
  PRIMARY KEY (series, day)
) WITHOUT ROWID;

-- The last level reading of each civil day.
CREATE TABLE level_day (
  series   INTEGER NOT NULL,
  day      INTEGER NOT NULL,
  quantity TEXT    NOT NULL,
  at       INTEGER NOT NULL,
  value            NOT NULL,
  flags    INTEGER NOT NULL,
  PRIMARY KEY (series, day, quantity)
) WITHOUT ROWID;

-- Committed readings that are not newer than all others of their series: what
-- was derived from that time on has to be done again.
CREATE TABLE touched (
  seq    INTEGER PRIMARY KEY AUTOINCREMENT,
  device TEXT    NOT NULL,
  kind   TEXT    NOT NULL,
  at     INTEGER NOT NULL
);
CREATE INDEX touched_series ON touched (device, kind, at);

-- Issued forecasts, kept as they were issued: one set per civil day.
CREATE TABLE forecast (
  date INTEGER PRIMARY KEY,
  at   INTEGER NOT NULL,
  body BLOB    NOT NULL
);
