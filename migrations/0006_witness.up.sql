-- What independent witnesses said of the clinics' logs (C2SP tlog-cosignature): lines of a signed note, each verified with the witness's key
-- before it is stored. A cosignature is a statement about the log and so cannot be an entry in it; like a checkpoint it names the newest entry
-- that it covers. witness is the witness's verifier key, NAME+HASH+BASE64, so that a row is verified without anything else; whether that
-- witness is believed is for whoever reads to say.
CREATE TABLE ponderal.cosignature (
    clinic_id    uuid NOT NULL,
    size         bigint NOT NULL CHECK (size > 0),
    witness      text NOT NULL CHECK (length(witness) BETWEEN 1 AND 256),
    entry_number bigint NOT NULL CHECK (entry_number = size - 1),
    line         text NOT NULL CHECK (length(line) BETWEEN 1 AND 1024),
    PRIMARY KEY (clinic_id, size, witness),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number),
    FOREIGN KEY (clinic_id, size) REFERENCES ponderal.checkpoint (clinic_id, size)
);
-- The newest size that a witness has cosigned.
CREATE INDEX cosignature_by_witness ON ponderal.cosignature (clinic_id, witness, size);

ALTER TABLE ponderal.cosignature ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.cosignature FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.cosignature
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.cosignature
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.cosignature
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();

GRANT SELECT, INSERT ON ponderal.cosignature TO ponderal_service;
