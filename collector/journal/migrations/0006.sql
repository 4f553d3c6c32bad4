-- Messages that were understood, as they came, so that a rule corrected later
-- can be run over them again: blocks of some hundred, packed (see raw.go), the
-- oldest dropped for room. first, last: receive times, ms since 1970.
CREATE TABLE raw (
  id       INTEGER PRIMARY KEY AUTOINCREMENT,
  first    INTEGER NOT NULL,
  last     INTEGER NOT NULL,
  messages INTEGER NOT NULL,
  body     BLOB    NOT NULL
);

-- Whether the broker replayed it: run again, it must be read as then.
ALTER TABLE kept ADD COLUMN retained INTEGER NOT NULL DEFAULT 0;
