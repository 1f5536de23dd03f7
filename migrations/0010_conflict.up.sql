-- Sessions that came with the id of a stored one and other content: whole documents, as those of 0001.
CREATE TABLE ponderal.session_conflict (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);
-- Those of a session.
CREATE INDEX session_conflict_by_session ON ponderal.session_conflict (clinic_id, (body::jsonb ->> 'session_id'));

ALTER TABLE ponderal.session_conflict ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.session_conflict FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.session_conflict
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.session_conflict
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.session_conflict
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();

GRANT SELECT, INSERT ON ponderal.session_conflict TO ponderal_service;
