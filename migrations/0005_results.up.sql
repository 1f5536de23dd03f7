-- Results that commit to their raw trials by digest.
--
-- enclosed is the canonical JSON of the single readings that the signed text of a result of format 2 does not hold; the signed text has the SHA-256
-- of salt and enclosed. So the entry's digest, which is over the signed text, covers both; the audit check compares them. Results from before
-- have their trials in the signed text, and neither column.
ALTER TABLE ponderal.result ADD COLUMN enclosed text;
ALTER TABLE ponderal.result ADD COLUMN enclosed_salt bytea CHECK (length(enclosed_salt) = 32);
ALTER TABLE ponderal.result ADD CONSTRAINT result_enclosed_with_salt CHECK ((enclosed IS NULL) = (enclosed_salt IS NULL));

-- When a result's signed text is erased, its raw trials go with it. The trigger that lets an erasure through fires first (triggers of one table
-- fire in the order of their names), and sees that nothing but the text changes.
CREATE FUNCTION ponderal.erase_enclosed() RETURNS trigger
    LANGUAGE plpgsql SET search_path = ''
    AS $$
BEGIN
    NEW.enclosed := NULL;
    NEW.enclosed_salt := NULL;
    RETURN NEW;
END
$$;
REVOKE ALL ON FUNCTION ponderal.erase_enclosed() FROM PUBLIC;
CREATE TRIGGER erase_enclosed BEFORE UPDATE ON ponderal.result
    FOR EACH ROW WHEN (NEW.body = '{}' AND OLD.body <> '{}') EXECUTE FUNCTION ponderal.erase_enclosed();
