-- Job book, version 1: panels as they came in, and what was done to them, one entry a piece of work.
-- Every row carries a seal: the SHA-256 of its other columns.

CREATE TABLE panels (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    -- The name in small letters, blanks made one: what makes it unique.
    key TEXT NOT NULL UNIQUE,
    -- Its mirrored twin.
    twin INTEGER REFERENCES panels (id),
    seal TEXT NOT NULL
) STRICT;

CREATE TABLE versions (
    id INTEGER PRIMARY KEY,
    panel INTEGER NOT NULL REFERENCES panels (id),
    -- UTC, RFC 3339.
    entered_at TEXT NOT NULL,
    -- Name of the file, and panel.toml byte for byte.
    file TEXT NOT NULL,
    bytes BLOB NOT NULL,
    seal TEXT NOT NULL
) STRICT;

CREATE INDEX versions_of_panel ON versions (panel, id);

CREATE TABLE entries (
    -- 1, 2, 3 … without a gap.
    number INTEGER PRIMARY KEY,
    panel INTEGER NOT NULL REFERENCES panels (id),
    -- The panel's newest version when this was entered.
    version INTEGER NOT NULL REFERENCES versions (id),
    kind TEXT NOT NULL,
    -- Day of the work, YYYY-MM-DD.
    date TEXT NOT NULL,
    -- UTC, RFC 3339.
    entered_at TEXT NOT NULL,
    who TEXT,
    hours REAL,
    -- Celsius.
    skin_c REAL,
    supports TEXT,
    note TEXT,
    -- JSON: what belongs to the kind.
    facts TEXT NOT NULL,
    -- Number of the entry that this one strikes.
    strikes INTEGER REFERENCES entries (number),
    seal TEXT NOT NULL
) STRICT;

CREATE INDEX entries_of_panel ON entries (panel, number);

CREATE TABLE files (
    id INTEGER PRIMARY KEY,
    entry INTEGER NOT NULL REFERENCES entries (number),
    role TEXT NOT NULL CHECK (role IN ('readings', 'photo', 'targets')),
    -- Name without its folder, and the file byte for byte.
    name TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    bytes BLOB NOT NULL,
    seal TEXT NOT NULL
) STRICT;

CREATE INDEX files_of_entry ON files (entry, id);

-- Nothing entered is ever changed; a correction is an entry of its own.
CREATE TRIGGER versions_stay BEFORE UPDATE ON versions
BEGIN SELECT RAISE(ABORT, 'a panel''s versions are never changed'); END;
CREATE TRIGGER versions_are_kept BEFORE DELETE ON versions
BEGIN SELECT RAISE(ABORT, 'a panel''s versions are never taken out'); END;
CREATE TRIGGER entries_stay BEFORE UPDATE ON entries
BEGIN SELECT RAISE(ABORT, 'entries are never changed'); END;
CREATE TRIGGER entries_are_kept BEFORE DELETE ON entries
BEGIN SELECT RAISE(ABORT, 'entries are never taken out'); END;
CREATE TRIGGER files_stay BEFORE UPDATE ON files
BEGIN SELECT RAISE(ABORT, 'files are never changed'); END;
CREATE TRIGGER files_are_kept BEFORE DELETE ON files
BEGIN SELECT RAISE(ABORT, 'files are never taken out'); END;
