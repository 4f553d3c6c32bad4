-- Calibrations as they were learned: what was in force on a past day must stay
-- known, or forecasts of that day would come out otherwise. learned: civil day
-- up to which the past was looked at; stored: ms since 1970; body: JSON.
CREATE TABLE calibration (
  version TEXT PRIMARY KEY,
  learned INTEGER NOT NULL,
  stored  INTEGER NOT NULL,
  body    BLOB NOT NULL
);
CREATE INDEX calibration_learned ON calibration (learned, stored);
