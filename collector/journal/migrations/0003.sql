-- What was counted in a stretch of time that is not a whole civil day, such as
-- the rest of the day on which a reservoir was changed: every pass asks for it
-- again, and to fold the day anew each time would cost it more than all the
-- whole days together. since, until: ms since 1970. seen, known: shares of the
-- stretch. Derived, so it can be dropped.
CREATE TABLE cut (
  series INTEGER NOT NULL,
  since  INTEGER NOT NULL,
  until  INTEGER NOT NULL,
  amount REAL    NOT NULL,
  seen   REAL    NOT NULL,
  known  REAL    NOT NULL,
  flags  INTEGER NOT NULL,
  PRIMARY KEY (series, since, until)
) WITHOUT ROWID;
