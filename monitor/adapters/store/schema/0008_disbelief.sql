-- Spans in which a probe is not believed, as conditions began and ended: what is summed up leaves them out.
CREATE TABLE disbelief (
    id       INTEGER PRIMARY KEY,
    probe    TEXT NOT NULL,
    kind     TEXT NOT NULL,
    from_at  INTEGER NOT NULL,           -- when the fault began, which is before it was found
    to_at    INTEGER,                    -- exclusive; NULL: it lasts; from_at: it was a false one
    recorded INTEGER NOT NULL,
    ended    INTEGER                     -- when its end was recorded
);
CREATE INDEX disbelief_open ON disbelief (probe, kind) WHERE to_at IS NULL;
-- What was found before there was this table is not believed from then on.
INSERT INTO disbelief(probe, kind, from_at, recorded)
    SELECT subject, kind, json_extract(body, '$.since_ms'), json_extract(body, '$.since_ms') FROM condition
    WHERE kind IN ('probe-stuck', 'probe-unit', 'probe-out') AND json_extract(body, '$.phase') IN ('raised', 'falling')
      AND json_extract(body, '$.since_ms') IS NOT NULL;
