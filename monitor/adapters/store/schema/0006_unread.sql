-- What could not be read is kept within bounds: of each probe and topic the first and the newest messages, and how many there were.
ALTER TABLE quarantine ADD COLUMN first INTEGER NOT NULL DEFAULT 0;   -- 1: among the first, which go last when room is made
CREATE INDEX quarantine_source ON quarantine (probe, topic, first, seq);
CREATE TABLE unread (
    probe      TEXT    NOT NULL,
    topic      TEXT    NOT NULL,
    first_at   INTEGER NOT NULL,         -- ms since 1970 UTC
    last_at    INTEGER NOT NULL,
    n          INTEGER NOT NULL,         -- messages, those that are no longer kept included
    kept       INTEGER NOT NULL,         -- what their rows in quarantine count for, in bytes
    kept_first INTEGER NOT NULL,         -- of that, the first ones
    reason     TEXT    NOT NULL,         -- of the newest
    PRIMARY KEY (probe, topic)
) WITHOUT ROWID;
-- How many came lately, so that it can be told without looking at any of them.
CREATE TABLE unread_lately (
    tens    INTEGER NOT NULL,            -- spans of ten seconds since 1970 UTC
    probe   TEXT    NOT NULL,
    n       INTEGER NOT NULL,
    last_at INTEGER NOT NULL,
    PRIMARY KEY (tens, probe)
) WITHOUT ROWID;
UPDATE quarantine SET first=1 WHERE seq IN (SELECT MIN(seq) FROM quarantine GROUP BY probe, topic);
INSERT INTO unread
    SELECT s.probe, s.topic, s.first_at, s.last_at, s.n, s.kept, s.kept_first, q.reason
    FROM (
        SELECT probe, topic, MIN(received) AS first_at, MAX(received) AS last_at, COUNT(*) AS n, MAX(seq) AS newest,
            SUM(LENGTH(payload) + LENGTH(reason) + 2 * LENGTH(topic) + 2 * LENGTH(probe) + 100) AS kept,
            SUM(first * (LENGTH(payload) + LENGTH(reason) + 2 * LENGTH(topic) + 2 * LENGTH(probe) + 100)) AS kept_first
        FROM quarantine GROUP BY probe, topic
    ) s JOIN quarantine q ON q.seq = s.newest;
INSERT INTO unread_lately
    SELECT received / 10000, probe, COUNT(*), MAX(received) FROM quarantine
    WHERE probe <> '' AND received > (SELECT MAX(received) FROM quarantine) - 3600000 GROUP BY received / 10000, probe;
-- The newest packet is looked up with every commit.
CREATE INDEX inbox_ordinal ON inbox (ordinal);
-- Which rows a digest stands for.
CREATE INDEX outbox_folded ON outbox (folded) WHERE folded IS NOT NULL;
