-- Days whose single readings are to become rows of ten minutes, once they are old (monitor/adapters/store/thinning.py):
-- those chunks of the form "W2". An earlier version could not read a day that became rows, form "W3".
CREATE INDEX chunk_of_singles ON chunk (hour, probe) WHERE substr(blob, 1, 2)=X'5732';
-- Of those, the ones that stay as they are until a moment, however old, such as what came late.
CREATE TABLE single_day (
    probe INTEGER NOT NULL,
    hour  INTEGER NOT NULL,              -- the first of a chunk
    until INTEGER NOT NULL,              -- ms since 1970 UTC
    PRIMARY KEY (probe, hour)
) WITHOUT ROWID;
