-- A way that is used only while the notice is unanswered and its matter still true.
ALTER TABLE outbox ADD COLUMN if_open INTEGER NOT NULL DEFAULT 0;
