-- Keys that a phone gives to what it tells, so that what is sent twice is entered once.
CREATE TABLE entry_key (
    key      TEXT    PRIMARY KEY,
    said     TEXT    NOT NULL,           -- digest of what was told with it
    first    INTEGER NOT NULL,           -- the entries that it made, by their numbers
    last     INTEGER NOT NULL,
    recorded INTEGER NOT NULL            -- ms since 1970 UTC
) WITHOUT ROWID;
CREATE INDEX entry_key_recorded ON entry_key(recorded);
