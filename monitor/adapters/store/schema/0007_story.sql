-- The whole of what a notice has to say, where its text had no room for all of it.
ALTER TABLE notice ADD COLUMN story TEXT NOT NULL DEFAULT '';
