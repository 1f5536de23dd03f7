-- Signing in: identities of people and of payers' systems, their passwords and second factors, what was used up, and tokens that overlap.
--
-- Tables of whole documents, as those of 0001. What is good once stands in spent_proof, whose key says what it was and of whom: a second
-- row under the same key is refused by the key itself, whichever replica brings it.

CREATE TABLE ponderal.identity (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

-- id is the identity's, here and in the next two.
CREATE TABLE ponderal.password (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.second_factor (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.setup_code (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.spent_proof (
    clinic_id    uuid NOT NULL,
    id           text NOT NULL,
    revision     integer NOT NULL CHECK (revision = 1),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);
-- An ID token is good once in the whole network, since its subject may be bound in several clinics.
CREATE UNIQUE INDEX spent_id_token ON ponderal.spent_proof (id) WHERE id LIKE 'id-token/%';

-- An identity is looked up by what proves it: a login, an issuer with a subject, or a certificate. What proves it never changes.
CREATE INDEX identity_by_login ON ponderal.identity (clinic_id, (body::jsonb ->> 'login')) WHERE revision = 1;
CREATE INDEX identity_by_subject ON ponderal.identity (clinic_id, (body::jsonb ->> 'issuer'), (body::jsonb ->> 'subject')) WHERE revision = 1;
CREATE INDEX identity_by_certificate ON ponderal.identity (clinic_id, (body::jsonb ->> 'certificate_sha256')) WHERE revision = 1;
CREATE INDEX identity_by_member ON ponderal.identity (clinic_id, (body::jsonb ->> 'member_id')) WHERE revision = 1;

-- The tokens of an identity end together.
CREATE INDEX token_by_identity ON ponderal.token (clinic_id, (body::jsonb ->> 'identity_id')) WHERE body::jsonb ? 'identity_id';

-- A token that was succeeded ends at a moment to come, and may be revoked before it: two revisions of one revocation.
DROP INDEX ponderal.token_revocation_by_id;
CREATE UNIQUE INDEX token_revocation_by_id ON ponderal.token_revocation (id, revision);

ALTER TABLE ponderal.identity ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.identity FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.identity
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.password ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.password FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.password
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.second_factor ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.second_factor FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.second_factor
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.setup_code ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.setup_code FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.setup_code
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.spent_proof ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.spent_proof FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.spent_proof
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.identity
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.identity
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.password
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.password
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.second_factor
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.second_factor
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.setup_code
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.setup_code
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.spent_proof
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.spent_proof
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();

GRANT SELECT, INSERT ON ponderal.identity, ponderal.password, ponderal.second_factor, ponderal.setup_code, ponderal.spent_proof TO ponderal_service;
