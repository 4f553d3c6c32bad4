-- What of the results of civil days was handed to the outbox; day: days since 1970,
-- 0 where it is of none. May be emptied at any time: then all of it is handed on
-- again.
CREATE TABLE mark (
  measurement TEXT    NOT NULL,
  day         INTEGER NOT NULL,
  body        BLOB    NOT NULL,
  PRIMARY KEY (measurement, day)
) WITHOUT ROWID;
