-- Corrections of probes, as dated events. Append-only: one is taken back by a further row that names it.
CREATE TABLE correction (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    probe       TEXT    NOT NULL,
    from_at     INTEGER NOT NULL,        -- holds from then on, ms since 1970 UTC
    to_at       INTEGER,                 -- until then the probe lay away from its box, to be compared
    offset_c    REAL    NOT NULL,        -- added to what the probe says
    uncertainty_c REAL  NOT NULL,        -- the probe's own
    common_c    REAL    NOT NULL,        -- common to all probes of the session
    how         TEXT    NOT NULL,
    session     TEXT    NOT NULL DEFAULT '',
    only_after  INTEGER NOT NULL DEFAULT 0,
    recorded    INTEGER NOT NULL,
    withdraws   INTEGER REFERENCES correction(id)
);
