-- Second signatures over results: whole documents, as those of 0001.
CREATE TABLE ponderal.countersignature (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision = 1),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);
-- Those of a result are looked up whenever it is shown.
CREATE INDEX countersignature_by_result ON ponderal.countersignature (clinic_id, (body::jsonb ->> 'result_id'));

ALTER TABLE ponderal.countersignature ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.countersignature FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.countersignature
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.countersignature
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.countersignature
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();

GRANT SELECT, INSERT ON ponderal.countersignature TO ponderal_service;
