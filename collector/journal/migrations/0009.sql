-- Readings before an instant, the beginning of a civil day and of a bundle,
-- are gone: from here on what was derived of them is the record. until: ms
-- since 1970; state: the fold's at that instant.
CREATE TABLE aged (
  device TEXT    NOT NULL,
  kind   TEXT    NOT NULL,
  until  INTEGER NOT NULL,
  day    INTEGER NOT NULL,
  state  BLOB    NOT NULL,
  PRIMARY KEY (device, kind)
) WITHOUT ROWID;
