-- Daily figures move from a row for each into bundles of four weeks, which are
-- read some ten times faster. All that is derived follows from the readings
-- and is derived anew.
DROP TABLE part;
DROP TABLE level_day;
DROP TABLE series;
DELETE FROM checkpoint;
DELETE FROM touched;

-- open: the figures of the newest day that has any, which change with every
-- round; the days before it are in bundles. All else as before.
CREATE TABLE series (
  id         INTEGER PRIMARY KEY,
  device     TEXT NOT NULL,
  kind       TEXT NOT NULL,
  rules      TEXT NOT NULL,
  head_at    INTEGER NOT NULL,
  head_state BLOB NOT NULL,
  edition    INTEGER NOT NULL,
  open       BLOB NOT NULL,
  UNIQUE (device, kind)
);

-- place: number of the series and of the four weeks, so that those of one
-- series lie together in the order of time. body: see bundle.go.
CREATE TABLE bundle (
  place INTEGER PRIMARY KEY,
  body  BLOB NOT NULL
);
