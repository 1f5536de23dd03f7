-- Takes erasure back. What was erased stays so: the older form has no word for it, and gets an empty content and a salt of zeroes, which no
-- audit check takes for what was logged. The role stays when another database of the cluster still uses it.
DROP FUNCTION ponderal.erase_client(uuid, uuid, text, text, text, timestamptz, bytea);
DROP FUNCTION ponderal.write_erasure(uuid, text, text, timestamptz, bytea, bigint[], text[]);
DROP FUNCTION ponderal.refuse_words(text[], timestamptz, bytea);
DROP FUNCTION ponderal.refuse_erasure(uuid, timestamptz);
DROP FUNCTION ponderal.remains_of(uuid, bigint[]);
DROP FUNCTION ponderal.feed_rows_of(bigint[]);
DROP FUNCTION ponderal.rows_of_client(uuid);
DROP FUNCTION ponderal.further_rows_of(text, text[], text[], text[]);
DROP FUNCTION ponderal.record_tables();
DROP FUNCTION ponderal.moment(timestamptz);
DROP FUNCTION ponderal.tree_append(bigint, bytea, bytea);
CREATE OR REPLACE FUNCTION ponderal.refuse_change() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    RAISE EXCEPTION 'table % is append-only: % refused', TG_TABLE_NAME, TG_OP USING ERRCODE = 'integrity_constraint_violation';
END
$$;
DROP FUNCTION ponderal.is_erasure(text, jsonb, jsonb);
DROP TABLE ponderal.legal_hold;

DROP TRIGGER born_whole ON ponderal.audit_entry;
DROP FUNCTION ponderal.refuse_empty_entry();
DROP INDEX ponderal.audit_erasure;
ALTER TABLE ponderal.audit_entry DROP CONSTRAINT audit_entry_whole_or_erased;
ALTER TABLE ponderal.audit_entry NO FORCE ROW LEVEL SECURITY;
ALTER TABLE ponderal.audit_entry DISABLE TRIGGER append_only;
UPDATE ponderal.audit_entry SET content = '', salt = decode(repeat('00', 32), 'hex') WHERE content IS NULL;
ALTER TABLE ponderal.audit_entry ENABLE TRIGGER append_only;
ALTER TABLE ponderal.audit_entry FORCE ROW LEVEL SECURITY;
ALTER TABLE ponderal.audit_entry ALTER COLUMN content SET NOT NULL;
ALTER TABLE ponderal.audit_entry ALTER COLUMN salt SET NOT NULL;

GRANT EXECUTE ON FUNCTION ponderal.current_clinic(), ponderal.current_payer(), ponderal.current_token(), ponderal.reads_network(),
    ponderal.refuse_change(), ponderal.only_forward() TO PUBLIC;
REVOKE EXECUTE ON FUNCTION ponderal.current_clinic(), ponderal.current_payer(), ponderal.current_token(), ponderal.reads_network()
    FROM ponderal_service;
REVOKE USAGE ON SCHEMA ponderal FROM ponderal_eraser;
DO $$
BEGIN
    DROP ROLE ponderal_eraser;
EXCEPTION
    WHEN dependent_objects_still_exist OR insufficient_privilege OR undefined_object OR object_in_use THEN NULL;
END
$$;
