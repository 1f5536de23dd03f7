-- Entries by time. The numbers of a log follow its clocks nearly, not exactly (replicas have clocks of their own), so a period cannot be found by number
-- alone. Number and action stand in the index too (the action, because row-level security asks for it), so that the first and last number of a period are read from
-- it without a look at the entries. One small item for each entry, at the right edge of its log's part.
CREATE INDEX audit_entry_at ON ponderal.audit_entry (clinic_id, at) INCLUDE (number, action);
