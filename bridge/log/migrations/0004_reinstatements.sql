-- A trim that was withdrawn may be reinstated, and withdrawn once more: withdrawals get a number of their own, and each
-- may be answered by one reinstatement. A trim is withdrawn while one of its withdrawals has none.

ALTER TABLE withdrawals RENAME TO withdrawals_once_a_trim;

CREATE TABLE withdrawals (
    entry        INTEGER PRIMARY KEY,
    trim         TEXT    NOT NULL REFERENCES trims (id),
    reason       TEXT    NOT NULL,
    by_whom      TEXT    NOT NULL,
    withdrawn_ns INTEGER NOT NULL
);
CREATE INDEX withdrawals_trim ON withdrawals (trim);

CREATE TABLE reinstatements (
    withdrawal    INTEGER PRIMARY KEY REFERENCES withdrawals (entry),
    by_whom       TEXT    NOT NULL,
    reinstated_ns INTEGER NOT NULL
);

INSERT INTO withdrawals (trim, reason, by_whom, withdrawn_ns)
    SELECT trim, reason, by_whom, withdrawn_ns FROM withdrawals_once_a_trim ORDER BY withdrawn_ns, trim;

DROP TABLE withdrawals_once_a_trim;               -- with its triggers

CREATE TRIGGER withdrawals_kept BEFORE UPDATE ON withdrawals BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER withdrawals_stay BEFORE DELETE ON withdrawals BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER withdrawals_once BEFORE INSERT ON withdrawals
    WHEN EXISTS (SELECT 1 FROM withdrawals
                 WHERE entry = NEW.entry
                    OR (trim = NEW.trim AND entry NOT IN (SELECT withdrawal FROM reinstatements)))
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;

CREATE TRIGGER reinstatements_kept BEFORE UPDATE ON reinstatements BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER reinstatements_stay BEFORE DELETE ON reinstatements BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
CREATE TRIGGER reinstatements_once BEFORE INSERT ON reinstatements
    WHEN EXISTS (SELECT 1 FROM reinstatements WHERE withdrawal = NEW.withdrawal)
    BEGIN SELECT RAISE(ABORT, 'the log only grows'); END;
