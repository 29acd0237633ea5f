-- A log as version 1 wrote it, with one unfinished and one finished calibration. Written as SQL, not by the program:
-- the schema is the shell's own dump, so that a later change to the migration file does not change this.
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
PRAGMA application_id = 1953655149;
PRAGMA user_version = 1;
INSERT INTO migrations VALUES (1, 'calibrations_and_trims', 1795000000000000000);
INSERT INTO calibrations VALUES (1, '20261118-1', 'Quay loft two-inch (invented)', '# old', 'trimbridge 0.0.9', 1794992400000000000);
INSERT INTO endings VALUES ('20261118-1', 'finished', 1794996000000000000);
INSERT INTO calibrations VALUES (2, '20261125-1', 'Quay loft two-inch (invented)', '# newer', 'trimbridge 0.0.9', 1795597200000000000);
INSERT INTO step_lists VALUES ('20261125-1', 1, 1795597200000000000);
INSERT INTO steps VALUES ('20261125-1', 1, 1, 'repro level', 1000.0, 15.0, -2.14, 0.1, '{"fluxivity":-2.14,"user":0.0}');
INSERT INTO steps VALUES ('20261125-1', 1, 2, 'repro high', 10000.0, 15.0, -2.14, 0.25, '{"fluxivity":-2.14}');
INSERT INTO positions VALUES (1, '20261125-1', 1, 1, 1795597200000000000);
INSERT INTO positions VALUES (2, '20261125-1', 2, 3, 1795597300000000000);
INSERT INTO trims VALUES (1, '20261118-1.1', '20261118-1', 1, 'Quay loft two-inch (invented)', 8, 'repro', 'repro low', 100.0, 15.0, -1.32, -1.5, 0.125, NULL, 0.5, 60.0, 61.5, 1794992460000000000, 1794992461500000000, 'automatic', 1794992461600000000);
INSERT INTO trims VALUES (2, '20261125-1.1', '20261125-1', 1, 'Quay loft two-inch (invented)', 3, 'repro', 'repro level', 1000.0, 15.0, -2.14, -0.5, 0.0625, 0.03125, 0.1, 12.5, 19.25, 1795597212500000000, 1795597219250000000, 'by hand', 1795597219300000000);
INSERT INTO trims VALUES (3, '20261125-1.2', '20261125-1', 2, 'Quay loft two-inch (invented)', 4, 'repro', 'repro level', 1000.0, 15.0, -2.14, 0.25, 0.25, 0.03125, 0.1, 20.5, 22.25, 1795597220500000000, 1795597222250000000, 'by hand', 1795597222300000000);
INSERT INTO withdrawals VALUES ('20261125-1.2', 'wrong track', 'tablet', 1795597230000000000);
INSERT INTO notes VALUES (1, '20261125-1', 'capstan squeaks', 1795597231000000000);
INSERT INTO events VALUES (1, '20261125-1', 'source lost', 'no samples for 0.5 s', '{"seconds":0.5}', 1795597232000000000);
