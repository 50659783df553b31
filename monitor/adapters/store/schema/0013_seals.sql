-- Sums of rows, so that bits which flip by themselves are found: of each 256 rows of a table one, made once an hour
-- (monitor/adapters/store/seals.py). Whatever is written on purpose takes the sum away until it is made again.
CREATE TABLE seal (
    part  TEXT    NOT NULL,            -- a table, and of the sums of hours also box and model
    block INTEGER NOT NULL,            -- which 256 of them
    sum   BLOB    NOT NULL,
    PRIMARY KEY (part, block)
) WITHOUT ROWID;
CREATE TRIGGER seal_probe_insert AFTER INSERT ON probe BEGIN DELETE FROM seal WHERE part='probe' AND block=new.id/256; END;
CREATE TRIGGER seal_probe_update AFTER UPDATE ON probe BEGIN DELETE FROM seal WHERE part='probe' AND block=old.id/256; END;
CREATE TRIGGER seal_probe_delete AFTER DELETE ON probe BEGIN DELETE FROM seal WHERE part='probe' AND block=old.id/256; END;
CREATE TRIGGER seal_event_insert AFTER INSERT ON event BEGIN DELETE FROM seal WHERE part='event' AND block=new.id/256; END;
CREATE TRIGGER seal_event_update AFTER UPDATE ON event BEGIN DELETE FROM seal WHERE part='event' AND block=old.id/256; END;
CREATE TRIGGER seal_event_delete AFTER DELETE ON event BEGIN DELETE FROM seal WHERE part='event' AND block=old.id/256; END;
CREATE TRIGGER seal_correction_insert AFTER INSERT ON correction BEGIN DELETE FROM seal WHERE part='correction' AND block=new.id/256; END;
CREATE TRIGGER seal_correction_update AFTER UPDATE ON correction BEGIN DELETE FROM seal WHERE part='correction' AND block=old.id/256; END;
CREATE TRIGGER seal_correction_delete AFTER DELETE ON correction BEGIN DELETE FROM seal WHERE part='correction' AND block=old.id/256; END;
CREATE TRIGGER seal_disbelief_insert AFTER INSERT ON disbelief BEGIN DELETE FROM seal WHERE part='disbelief' AND block=new.id/256; END;
CREATE TRIGGER seal_disbelief_update AFTER UPDATE ON disbelief BEGIN DELETE FROM seal WHERE part='disbelief' AND block=old.id/256; END;
CREATE TRIGGER seal_disbelief_delete AFTER DELETE ON disbelief BEGIN DELETE FROM seal WHERE part='disbelief' AND block=old.id/256; END;
CREATE TRIGGER seal_wrong_clock_insert AFTER INSERT ON wrong_clock BEGIN DELETE FROM seal WHERE part='wrong_clock' AND block=new.id/256; END;
CREATE TRIGGER seal_wrong_clock_update AFTER UPDATE ON wrong_clock BEGIN DELETE FROM seal WHERE part='wrong_clock' AND block=old.id/256; END;
CREATE TRIGGER seal_wrong_clock_delete AFTER DELETE ON wrong_clock BEGIN DELETE FROM seal WHERE part='wrong_clock' AND block=old.id/256; END;
CREATE TRIGGER seal_notice_insert AFTER INSERT ON notice BEGIN DELETE FROM seal WHERE part='notice' AND block=new.id/256; END;
CREATE TRIGGER seal_notice_update AFTER UPDATE ON notice BEGIN DELETE FROM seal WHERE part='notice' AND block=old.id/256; END;
CREATE TRIGGER seal_notice_delete AFTER DELETE ON notice BEGIN DELETE FROM seal WHERE part='notice' AND block=old.id/256; END;
CREATE TRIGGER seal_answer_insert AFTER INSERT ON answer BEGIN DELETE FROM seal WHERE part='answer' AND block=new.notice/256; END;
CREATE TRIGGER seal_answer_update AFTER UPDATE ON answer BEGIN DELETE FROM seal WHERE part='answer' AND block=old.notice/256; END;
CREATE TRIGGER seal_answer_delete AFTER DELETE ON answer BEGIN DELETE FROM seal WHERE part='answer' AND block=old.notice/256; END;
CREATE TRIGGER seal_outbox_insert AFTER INSERT ON outbox BEGIN DELETE FROM seal WHERE part='outbox' AND block=new.id/256; END;
CREATE TRIGGER seal_outbox_update AFTER UPDATE ON outbox BEGIN DELETE FROM seal WHERE part='outbox' AND block=old.id/256; END;
CREATE TRIGGER seal_outbox_delete AFTER DELETE ON outbox BEGIN DELETE FROM seal WHERE part='outbox' AND block=old.id/256; END;
CREATE TRIGGER seal_history_insert AFTER INSERT ON history BEGIN DELETE FROM seal WHERE part='history' AND block=new.id/256; END;
CREATE TRIGGER seal_history_update AFTER UPDATE ON history BEGIN DELETE FROM seal WHERE part='history' AND block=old.id/256; END;
CREATE TRIGGER seal_history_delete AFTER DELETE ON history BEGIN DELETE FROM seal WHERE part='history' AND block=old.id/256; END;
CREATE TRIGGER seal_condition_insert AFTER INSERT ON condition BEGIN DELETE FROM seal WHERE part='condition'; END;
CREATE TRIGGER seal_condition_update AFTER UPDATE ON condition BEGIN DELETE FROM seal WHERE part='condition'; END;
CREATE TRIGGER seal_condition_delete AFTER DELETE ON condition BEGIN DELETE FROM seal WHERE part='condition'; END;
