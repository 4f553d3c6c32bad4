-- The facts of each alarm, as JSON: they are read whole at start, never
-- searched. The label is derived, so it is not stored here.
CREATE TABLE alarm (
	type    TEXT NOT NULL,
	subject TEXT NOT NULL,
	facts   TEXT NOT NULL,
	PRIMARY KEY (type, subject)
) WITHOUT ROWID;

-- One row per occurrence; row is what people read, renewed while it is open.
-- Times are Unix milliseconds, UTC.
CREATE TABLE occurrence (
	id       TEXT PRIMARY KEY,
	type     TEXT NOT NULL,
	subject  TEXT NOT NULL,
	point    TEXT NOT NULL,
	began    INTEGER NOT NULL,
	ended    INTEGER,
	listed   INTEGER NOT NULL, -- 1 while it belongs in the alarm list
	row      TEXT NOT NULL
) WITHOUT ROWID;
CREATE INDEX occurrence_listed ON occurrence (listed, began);
CREATE INDEX occurrence_began ON occurrence (began);
CREATE INDEX occurrence_point ON occurrence (point, began);

CREATE TABLE transition (
	seq        INTEGER PRIMARY KEY AUTOINCREMENT,
	at         INTEGER NOT NULL,
	occurrence TEXT NOT NULL,
	body       TEXT NOT NULL
);
CREATE INDEX transition_occurrence ON transition (occurrence, seq);

CREATE TABLE logbook (
	seq    INTEGER PRIMARY KEY AUTOINCREMENT,
	at     INTEGER NOT NULL,
	actor  TEXT NOT NULL,
	action TEXT NOT NULL,
	object TEXT NOT NULL,
	before TEXT NOT NULL,
	after  TEXT NOT NULL,
	reason TEXT NOT NULL,
	ref    TEXT UNIQUE -- what the entry is about, where it must stand once only
);
CREATE INDEX logbook_object ON logbook (object, seq);

-- What happened stays as it was written.
CREATE TRIGGER transition_stays BEFORE UPDATE ON transition BEGIN SELECT RAISE(ABORT, 'transitions are only added'); END;
CREATE TRIGGER transition_kept BEFORE DELETE ON transition BEGIN SELECT RAISE(ABORT, 'transitions are only added'); END;
CREATE TRIGGER logbook_stays BEFORE UPDATE ON logbook BEGIN SELECT RAISE(ABORT, 'the logbook is only added to'); END;
CREATE TRIGGER logbook_kept BEFORE DELETE ON logbook BEGIN SELECT RAISE(ABORT, 'the logbook is only added to'); END;
