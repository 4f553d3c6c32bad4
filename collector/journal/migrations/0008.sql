-- What was noticed: suspicions about readings, and whatever else somebody may
-- have to look up later. about: the kind of message whose readings it follows
-- from, empty for others. until: NULL while it lasts. Those that follow from
-- readings are made anew with the daily figures.
CREATE TABLE notice (
  id       INTEGER PRIMARY KEY,
  kind     TEXT    NOT NULL,
  device   TEXT    NOT NULL,
  about    TEXT    NOT NULL,
  at       INTEGER NOT NULL,
  until    INTEGER,
  words    TEXT    NOT NULL,
  evidence TEXT    NOT NULL,
  data     TEXT    NOT NULL,
  UNIQUE (device, about, kind, at)
);
CREATE INDEX notice_open ON notice (until) WHERE until IS NULL;
