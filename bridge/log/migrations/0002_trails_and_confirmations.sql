-- The way of a trim between as found and as left, and the preparations that a person has confirmed.

ALTER TABLE trims ADD COLUMN trail TEXT;          -- JSON: [[seconds from the start of the source, dB], ...], or NULL

CREATE TABLE confirmations (
    entry       INTEGER PRIMARY KEY,
    calibration TEXT    NOT NULL REFERENCES calibrations (id),
    item        TEXT    NOT NULL,
    by_whom     TEXT    NOT NULL,
    at_ns       INTEGER NOT NULL
);
CREATE INDEX confirmations_calibration ON confirmations (calibration);

CREATE TRIGGER confirmations_kept BEFORE UPDATE ON confirmations BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER confirmations_stay BEFORE DELETE ON confirmations BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER confirmations_once BEFORE INSERT ON confirmations
    WHEN EXISTS (SELECT 1 FROM confirmations WHERE entry = NEW.entry)
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
