-- How a notice was answered: once, by a command, a link or a message. The notice itself holds when and by whom in words.
CREATE TABLE answer (
    notice  INTEGER PRIMARY KEY REFERENCES notice(id),
    at      INTEGER NOT NULL,            -- ms since 1970 UTC
    way     TEXT NOT NULL,               -- command, link, message or number
    channel TEXT NOT NULL DEFAULT '',    -- whose message carried the code that was used up
    by      TEXT NOT NULL DEFAULT ''     -- whoever gave a name
);
