-- Notices that waited so long that their matter was over: told in one message, whose own row is named here. State 'folded'.
ALTER TABLE outbox ADD COLUMN folded INTEGER REFERENCES outbox(id);
