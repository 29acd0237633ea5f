-- How well the level that a trim left is known, and what kind of act the trim was. NULL in trims of older programs.

ALTER TABLE trims ADD COLUMN standard_error_db REAL;  -- of as_left_db; NULL where it is not known
ALTER TABLE trims ADD COLUMN kind TEXT CHECK (kind IN ('trim', 'undone', 'verified', 'by hand'));
