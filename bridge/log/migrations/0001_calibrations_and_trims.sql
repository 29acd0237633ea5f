-- Calibrations, their steps and positions, trims, withdrawals, notes and events.
--
-- Times are Unix times in nanoseconds (_ns) or seconds from the start of the source (_s). NULL in a level means that
-- it was not measured. Every table only grows: a change is a new row, and the triggers refuse everything else, also
-- INSERT OR REPLACE, which would delete without firing a delete trigger.

CREATE TABLE migrations (
    version     INTEGER PRIMARY KEY,
    name        TEXT    NOT NULL,
    applied_ns  INTEGER NOT NULL
);

CREATE TABLE calibrations (
    number      INTEGER PRIMARY KEY,
    id          TEXT    NOT NULL UNIQUE,          -- 20261125-1: local date of the start, running number
    machine     TEXT    NOT NULL,
    config      TEXT    NOT NULL,                 -- the text of the config used
    program     TEXT    NOT NULL,                 -- name and version of the program
    started_ns  INTEGER NOT NULL
);
CREATE INDEX calibrations_machine ON calibrations (machine);

CREATE TABLE resumptions (
    entry       INTEGER PRIMARY KEY,
    calibration TEXT    NOT NULL REFERENCES calibrations (id),
    config      TEXT    NOT NULL,
    program     TEXT    NOT NULL,
    resumed_ns  INTEGER NOT NULL
);
CREATE INDEX resumptions_calibration ON resumptions (calibration);

CREATE TABLE endings (
    calibration TEXT    PRIMARY KEY NOT NULL REFERENCES calibrations (id),
    reason      TEXT    NOT NULL,                 -- 'finished', or why another calibration took its place
    ended_ns    INTEGER NOT NULL
);

CREATE TABLE step_lists (
    calibration TEXT    NOT NULL REFERENCES calibrations (id),
    revision    INTEGER NOT NULL CHECK (revision >= 1),
    written_ns  INTEGER NOT NULL,
    PRIMARY KEY (calibration, revision)
);

CREATE TABLE steps (
    calibration  TEXT    NOT NULL,
    revision     INTEGER NOT NULL,
    number       INTEGER NOT NULL CHECK (number >= 1),
    adjustment   TEXT    NOT NULL,
    tone_hz      REAL    NOT NULL,
    speed_ips    REAL    NOT NULL,
    target_vu    REAL    NOT NULL,
    tolerance_db REAL    NOT NULL,
    target_terms_db TEXT NOT NULL,                -- JSON object: name of the term to dB
    PRIMARY KEY (calibration, revision, number),
    FOREIGN KEY (calibration, revision) REFERENCES step_lists (calibration, revision)
);

CREATE TABLE positions (
    entry       INTEGER PRIMARY KEY,
    calibration TEXT    NOT NULL REFERENCES calibrations (id),
    step        INTEGER NOT NULL CHECK (step >= 0),
    bank        INTEGER NOT NULL CHECK (bank >= 1),
    at_ns       INTEGER NOT NULL
);
CREATE INDEX positions_calibration ON positions (calibration);

CREATE TABLE trims (
    entry        INTEGER PRIMARY KEY,
    id           TEXT    NOT NULL UNIQUE,         -- 20261125-1.17: calibration, running number
    calibration  TEXT    NOT NULL REFERENCES calibrations (id),
    sequence     INTEGER NOT NULL CHECK (sequence >= 1),
    machine      TEXT    NOT NULL,
    track        INTEGER NOT NULL CHECK (track >= 1),
    path         TEXT    NOT NULL,
    adjustment   TEXT    NOT NULL,
    tone_hz      REAL    NOT NULL,
    speed_ips    REAL    NOT NULL,
    target_vu    REAL    NOT NULL,
    as_found_db  REAL,
    as_left_db   REAL,
    spread_db    REAL,
    tolerance_db REAL    NOT NULL,
    started_s    REAL    NOT NULL,
    settled_s    REAL    NOT NULL,
    started_ns   INTEGER NOT NULL,
    settled_ns   INTEGER NOT NULL,
    origin       TEXT    NOT NULL CHECK (origin IN ('automatic', 'by hand')),
    committed_ns INTEGER NOT NULL,
    UNIQUE (calibration, sequence)
);
CREATE INDEX trims_settled ON trims (settled_ns);

CREATE TABLE withdrawals (
    trim         TEXT    PRIMARY KEY NOT NULL REFERENCES trims (id),
    reason       TEXT    NOT NULL,
    by_whom      TEXT    NOT NULL,
    withdrawn_ns INTEGER NOT NULL
);

CREATE TABLE notes (
    entry       INTEGER PRIMARY KEY,
    calibration TEXT    NOT NULL REFERENCES calibrations (id),
    text        TEXT    NOT NULL,
    at_ns       INTEGER NOT NULL
);

CREATE TABLE events (
    entry       INTEGER PRIMARY KEY,
    calibration TEXT    NOT NULL REFERENCES calibrations (id),
    kind        TEXT    NOT NULL,
    message     TEXT    NOT NULL,
    details     TEXT    NOT NULL,                 -- JSON object
    at_ns       INTEGER NOT NULL
);
CREATE INDEX events_calibration ON events (calibration);

CREATE TRIGGER migrations_kept BEFORE UPDATE ON migrations BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER migrations_stay BEFORE DELETE ON migrations BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER migrations_once BEFORE INSERT ON migrations
    WHEN EXISTS (SELECT 1 FROM migrations WHERE version = NEW.version)
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;

CREATE TRIGGER calibrations_kept BEFORE UPDATE ON calibrations BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER calibrations_stay BEFORE DELETE ON calibrations BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER calibrations_once BEFORE INSERT ON calibrations
    WHEN EXISTS (SELECT 1 FROM calibrations WHERE id = NEW.id OR number = NEW.number)
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;

CREATE TRIGGER resumptions_kept BEFORE UPDATE ON resumptions BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER resumptions_stay BEFORE DELETE ON resumptions BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER resumptions_once BEFORE INSERT ON resumptions
    WHEN EXISTS (SELECT 1 FROM resumptions WHERE entry = NEW.entry)
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;

CREATE TRIGGER endings_kept BEFORE UPDATE ON endings BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER endings_stay BEFORE DELETE ON endings BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER endings_once BEFORE INSERT ON endings
    WHEN EXISTS (SELECT 1 FROM endings WHERE calibration = NEW.calibration)
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;

CREATE TRIGGER step_lists_kept BEFORE UPDATE ON step_lists BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER step_lists_stay BEFORE DELETE ON step_lists BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER step_lists_once BEFORE INSERT ON step_lists
    WHEN EXISTS (SELECT 1 FROM step_lists WHERE calibration = NEW.calibration AND revision = NEW.revision)
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;

CREATE TRIGGER steps_kept BEFORE UPDATE ON steps BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER steps_stay BEFORE DELETE ON steps BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER steps_once BEFORE INSERT ON steps
    WHEN EXISTS (SELECT 1 FROM steps
                 WHERE calibration = NEW.calibration AND revision = NEW.revision AND number = NEW.number)
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;

CREATE TRIGGER positions_kept BEFORE UPDATE ON positions BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER positions_stay BEFORE DELETE ON positions BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER positions_once BEFORE INSERT ON positions
    WHEN EXISTS (SELECT 1 FROM positions WHERE entry = NEW.entry)
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;

CREATE TRIGGER trims_kept BEFORE UPDATE ON trims BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER trims_stay BEFORE DELETE ON trims BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER trims_once BEFORE INSERT ON trims
    WHEN EXISTS (SELECT 1 FROM trims WHERE id = NEW.id OR entry = NEW.entry
                 OR (calibration = NEW.calibration AND sequence = NEW.sequence))
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;

CREATE TRIGGER withdrawals_kept BEFORE UPDATE ON withdrawals BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER withdrawals_stay BEFORE DELETE ON withdrawals BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER withdrawals_once BEFORE INSERT ON withdrawals
    WHEN EXISTS (SELECT 1 FROM withdrawals WHERE trim = NEW.trim)
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;

CREATE TRIGGER notes_kept BEFORE UPDATE ON notes BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER notes_stay BEFORE DELETE ON notes BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER notes_once BEFORE INSERT ON notes
    WHEN EXISTS (SELECT 1 FROM notes WHERE entry = NEW.entry)
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;

CREATE TRIGGER events_kept BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER events_stay BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER events_once BEFORE INSERT ON events
    WHEN EXISTS (SELECT 1 FROM events WHERE entry = NEW.entry)
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
