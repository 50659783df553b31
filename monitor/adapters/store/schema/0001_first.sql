-- What was measured. The journal is append-only; each hour it is folded into compressed chunks.
CREATE TABLE probe (
    id   INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
);
CREATE TABLE journal (
    seq      INTEGER PRIMARY KEY AUTOINCREMENT,
    probe    INTEGER NOT NULL,
    at       INTEGER NOT NULL,           -- measured, ms since 1970 UTC
    value    REAL    NOT NULL,           -- Celsius or per cent, as the probe said it
    received INTEGER NOT NULL,
    flag     INTEGER NOT NULL,
    timed    INTEGER NOT NULL,           -- 1: the payload carried the time
    test     TEXT    NOT NULL DEFAULT ''
);
CREATE TABLE chunk (
    probe  INTEGER NOT NULL,
    hour   INTEGER NOT NULL,             -- hours since 1970 UTC
    n      INTEGER NOT NULL,
    n_good INTEGER NOT NULL,
    low    REAL,                         -- of the usable readings
    high   REAL,
    total  REAL,
    blob   BLOB NOT NULL,
    PRIMARY KEY (probe, hour)
) WITHOUT ROWID;
CREATE TABLE dirty (
    probe INTEGER NOT NULL,
    hour  INTEGER NOT NULL,
    PRIMARY KEY (probe, hour)
) WITHOUT ROWID;
CREATE TABLE quarantine (
    seq      INTEGER PRIMARY KEY AUTOINCREMENT,
    received INTEGER NOT NULL,
    topic    TEXT NOT NULL,
    payload  BLOB NOT NULL,
    reason   TEXT NOT NULL,
    probe    TEXT NOT NULL DEFAULT ''
);
-- Which packet identifiers were stored, so that a message sent again after a crash is known.
CREATE TABLE inbox (
    mid     INTEGER PRIMARY KEY,
    ordinal INTEGER NOT NULL,
    digest  BLOB NOT NULL
);

-- Derived: development and degree-days per box, curve and hour. May be thrown away at any time.
CREATE TABLE part (
    box         TEXT NOT NULL,
    model       TEXT NOT NULL,
    hour        INTEGER NOT NULL,
    development REAL NOT NULL,
    degree_days REAL NOT NULL,
    heat        REAL NOT NULL,           -- integral of temperature over the covered time, C s
    covered_s   REAL NOT NULL,
    PRIMARY KEY (box, model, hour)
) WITHOUT ROWID;

-- What the keeper told.
CREATE TABLE event (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    kind     TEXT NOT NULL,
    clutch   TEXT NOT NULL,
    at       INTEGER NOT NULL,
    recorded INTEGER NOT NULL,
    body     TEXT NOT NULL
);

-- Conditions, their history, and what the keeper was told.
CREATE TABLE condition (
    kind    TEXT NOT NULL,
    subject TEXT NOT NULL,
    body    TEXT NOT NULL,
    PRIMARY KEY (kind, subject)
) WITHOUT ROWID;
CREATE TABLE history (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    at      INTEGER NOT NULL,
    kind    TEXT NOT NULL,
    subject TEXT NOT NULL,
    change  TEXT NOT NULL,
    reason  TEXT NOT NULL
);
CREATE TABLE notice (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    key      TEXT NOT NULL UNIQUE,
    at       INTEGER NOT NULL,
    kind     TEXT NOT NULL,
    subjects TEXT NOT NULL,
    change   TEXT NOT NULL,
    urgency  TEXT NOT NULL,
    title    TEXT NOT NULL,
    text     TEXT NOT NULL,
    answered INTEGER,
    answer   TEXT NOT NULL DEFAULT ''
);
CREATE TABLE outbox (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    notice     INTEGER NOT NULL REFERENCES notice(id),
    channel    TEXT NOT NULL,
    state      TEXT NOT NULL DEFAULT 'waiting',   -- waiting, leased, delivered, given-up
    attempts   INTEGER NOT NULL DEFAULT 0,
    not_before INTEGER NOT NULL DEFAULT 0,
    leased     INTEGER,
    delivered  INTEGER,
    error      TEXT NOT NULL DEFAULT '',
    UNIQUE (notice, channel)
);
CREATE INDEX outbox_open ON outbox (state) WHERE state IN ('waiting', 'leased');

-- Shipping to an outside database: a cursor over the journal, and hours that are behind it.
CREATE TABLE shipped (
    destination TEXT PRIMARY KEY,
    seq         INTEGER NOT NULL
);
CREATE TABLE ship_hour (
    destination TEXT NOT NULL,
    probe       INTEGER NOT NULL,
    hour        INTEGER NOT NULL,
    PRIMARY KEY (destination, probe, hour)
) WITHOUT ROWID;

-- Small facts of the service itself, one value a name.
CREATE TABLE fact (
    name  TEXT PRIMARY KEY,
    value TEXT NOT NULL
);

-- For which hours of a box and model the parts above were computed (absent rows inside mean: nothing measured).
CREATE TABLE span (
    box       TEXT NOT NULL,
    model     TEXT NOT NULL,
    from_hour INTEGER NOT NULL,
    to_hour   INTEGER NOT NULL,          -- exclusive
    PRIMARY KEY (box, model)
) WITHOUT ROWID;
