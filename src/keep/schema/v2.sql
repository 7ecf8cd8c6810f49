-- Job book, version 2: what a survey found, so that nothing need be fitted again to follow a panel over its cycles.

CREATE TABLE results (
    entry INTEGER PRIMARY KEY REFERENCES entries (number),
    -- Version of the program that found it.
    program TEXT NOT NULL,
    -- JSON: limits, heights, bands, amounts, regions, verdict.
    summary TEXT NOT NULL,
    -- The nodes: spacing in mm, and how many along x and y; all NULL where a photo alone was entered.
    step_mm REAL,
    nx INTEGER,
    ny INTEGER,
    -- mm at the nodes, little-endian 32-bit floats, x running fastest; NaN off the panel.
    deviation BLOB,
    fairness BLOB,
    sd BLOB,
    height BLOB,
    seal TEXT NOT NULL
) STRICT;
