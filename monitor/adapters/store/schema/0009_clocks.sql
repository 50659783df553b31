-- Clocks of probes that were wrong: what came between two moments carries times that were behind (less than 0: ahead).
CREATE TABLE wrong_clock (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    probe   TEXT    NOT NULL,
    from_at INTEGER NOT NULL,            -- by the time of arrival, ms since 1970 UTC
    to_at   INTEGER,                     -- NULL: it still is
    behind  INTEGER NOT NULL,            -- ms
    trusted INTEGER NOT NULL             -- 1: this computer's clock was, when it was found
);
