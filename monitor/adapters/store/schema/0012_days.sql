-- Chunks of a day beside those of an hour, in a table whose pages fill: rows go to its end, one after the other.
ALTER TABLE chunk RENAME TO hour_chunk;  -- those of before: read where they stand, converted little by little
CREATE TABLE chunk (
    id     INTEGER PRIMARY KEY,
    probe  INTEGER NOT NULL,
    hour   INTEGER NOT NULL,             -- the first, hours since 1970 UTC
    hours  INTEGER NOT NULL,             -- 1, or 24 for a day; those of a probe do not overlap
    n      INTEGER NOT NULL,
    n_good INTEGER NOT NULL,             -- usable
    total  REAL,                         -- of the usable ones
    head   BLOB,                         -- of a day: the same of each hour
    blob   BLOB NOT NULL
);
CREATE UNIQUE INDEX chunk_place ON chunk (probe, hour);
CREATE VIEW kept AS
    SELECT probe, hour, hours, n, n_good, total, head, blob FROM chunk
    UNION ALL SELECT probe, hour, 1, n, n_good, total, NULL, blob FROM hour_chunk;
-- Chunks whose bytes were found damaged, as they were found: out of the way of what comes since.
CREATE TABLE damaged_chunk (
    id    INTEGER PRIMARY KEY,
    probe INTEGER NOT NULL,
    hour  INTEGER NOT NULL,
    hours INTEGER NOT NULL,
    n     INTEGER NOT NULL,
    why   TEXT NOT NULL,
    blob  BLOB NOT NULL
);
-- What waits to be folded: a commit's readings and packets in one row. ('journal' and 'inbox' hold those of before.)
CREATE TABLE batch (
    seq    INTEGER PRIMARY KEY,          -- the place of its last reading in the order of storing
    n      INTEGER NOT NULL,             -- readings
    single INTEGER NOT NULL,             -- 1: of one commit, to be put together with others
    blob   BLOB NOT NULL
);
-- Packets of what was folded, some thousands a row, in the order of storing.
CREATE TABLE mark (
    id   INTEGER PRIMARY KEY,
    n    INTEGER NOT NULL,
    blob BLOB NOT NULL
);
