-- Checkpoints under one number, as bundles are: with the small pages that spare
-- flash, a key of two columns sent each state to a page of its own. place:
-- number of the series and of the day, see checkpoint.go.
ALTER TABLE checkpoint RENAME TO checkpoint_old;
CREATE TABLE checkpoint (
  place INTEGER PRIMARY KEY,
  state BLOB NOT NULL
);
INSERT INTO checkpoint SELECT (series << 32) | (day + 2147483648), state FROM checkpoint_old ORDER BY series, day;
DROP TABLE checkpoint_old;
