-- Job book, version 3: every row written is a link of a chain, so that a row taken out is missed.

CREATE TABLE chain (
    -- 1, 2, 3 … without a gap.
    link INTEGER PRIMARY KEY,
    -- What was written: the table, its row, and the seal that the row got.
    place TEXT NOT NULL,
    row INTEGER NOT NULL,
    sealed TEXT NOT NULL,
    -- SHA-256 of the columns before and of the seal of the link before.
    seal TEXT NOT NULL
) STRICT;

CREATE TABLE head (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    -- How many links there are, and the seal of the last.
    links INTEGER NOT NULL,
    last TEXT NOT NULL,
    -- Name of the book that this file is a copy of, until something is entered into it.
    copy_of TEXT,
    seal TEXT NOT NULL
) STRICT;

CREATE TRIGGER chain_stays BEFORE UPDATE ON chain
BEGIN SELECT RAISE(ABORT, 'links are never changed'); END;
CREATE TRIGGER chain_is_kept BEFORE DELETE ON chain
BEGIN SELECT RAISE(ABORT, 'links are never taken out'); END;
CREATE TRIGGER results_stay BEFORE UPDATE ON results
BEGIN SELECT RAISE(ABORT, 'results are never changed'); END;
CREATE TRIGGER results_are_kept BEFORE DELETE ON results
BEGIN SELECT RAISE(ABORT, 'results are never taken out'); END;
CREATE TRIGGER panels_are_kept BEFORE DELETE ON panels
BEGIN SELECT RAISE(ABORT, 'panels are never taken out'); END;
