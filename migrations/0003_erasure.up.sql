-- Erasure on lawful demand, retention and legal hold.
--
-- One role may erase one client of one clinic, by one function, and can do nothing else. The function writes its audit entry first: which
-- entries lose content and salt, and a digest of what is left of each. The tree keeps its hashes, so that it proves as before.

-- An entry has content and salt, or has lost both.
ALTER TABLE ponderal.audit_entry ALTER COLUMN content DROP NOT NULL;
ALTER TABLE ponderal.audit_entry ALTER COLUMN salt DROP NOT NULL;
ALTER TABLE ponderal.audit_entry ADD CONSTRAINT audit_entry_whole_or_erased CHECK ((content IS NULL) = (salt IS NULL));
CREATE INDEX audit_erasure ON ponderal.audit_entry (clinic_id, number) WHERE action = 'client.erase';

CREATE FUNCTION ponderal.refuse_empty_entry() RETURNS trigger
    LANGUAGE plpgsql SET search_path = ''
    AS $$
BEGIN
    RAISE EXCEPTION 'an audit entry begins with content and salt' USING ERRCODE = 'not_null_violation';
END
$$;
CREATE TRIGGER born_whole BEFORE INSERT ON ponderal.audit_entry
    FOR EACH ROW WHEN (NEW.content IS NULL OR NEW.salt IS NULL) EXECUTE FUNCTION ponderal.refuse_empty_entry();

-- Legal holds: on a client, or on the whole clinic. What is under one is not erased.
CREATE TABLE ponderal.legal_hold (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);
ALTER TABLE ponderal.legal_hold ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.legal_hold FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.legal_hold
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.legal_hold
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.legal_hold
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
GRANT SELECT, INSERT ON ponderal.legal_hold TO ponderal_service;

-- Whether a change to a row is the erasure that an entry of this very transaction tells of, and nothing more. The setting alone allows nothing:
-- the entry must have been written by this transaction (xmin), must be an erasure, and must name the entry that wrote the row.
CREATE FUNCTION ponderal.is_erasure(p_table text, p_was jsonb, p_becomes jsonb) RETURNS boolean
    LANGUAGE plpgsql STABLE SET search_path = ''
    AS $$
DECLARE
    told bigint := nullif(current_setting('ponderal.erasing', true), '')::bigint;
    wrote bigint;
BEGIN
    IF told IS NULL THEN
        RETURN false;
    END IF;
    IF p_table = 'audit_entry' THEN
        IF p_becomes ->> 'content' IS NOT NULL OR p_becomes ->> 'salt' IS NOT NULL
            OR p_was - '{content,salt}'::text[] <> p_becomes - '{content,salt}'::text[] THEN
            RETURN false;
        END IF;
        wrote := p_was ->> 'number';
    ELSE
        IF p_becomes ->> 'body' IS DISTINCT FROM '{}' OR p_was - 'body' <> p_becomes - 'body' THEN
            RETURN false;
        END IF;
        wrote := p_was ->> 'entry_number';
    END IF;
    RETURN EXISTS (SELECT FROM ponderal.audit_entry e
        WHERE e.clinic_id = (p_was ->> 'clinic_id')::uuid AND e.number = told AND e.action = 'client.erase'
            AND e.xmin = pg_current_xact_id_if_assigned()::xid
            AND e.content::jsonb -> 'erased' @> to_jsonb(wrote));
END
$$;

CREATE OR REPLACE FUNCTION ponderal.refuse_change() RETURNS trigger
    LANGUAGE plpgsql SET search_path = ''
    AS $$
BEGIN
    IF TG_OP = 'UPDATE' AND TG_LEVEL = 'ROW' THEN
        IF ponderal.is_erasure(TG_TABLE_NAME, to_jsonb(OLD), to_jsonb(NEW)) THEN
            RETURN NEW;
        END IF;
    END IF;
    RAISE EXCEPTION 'table % is append-only: % refused', TG_TABLE_NAME, TG_OP USING ERRCODE = 'integrity_constraint_violation';
END
$$;

-- The tree of p_size entries with the right edge p_edge, and one leaf more: the hashes that the new entry keeps, and the new edge.
-- RFC 6962, 2.1: an inner node is SHA-256(0x01, left, right).
CREATE FUNCTION ponderal.tree_append(p_size bigint, p_edge bytea, p_leaf bytea, OUT nodes bytea, OUT edge bytea)
    LANGUAGE plpgsql IMMUTABLE STRICT SET search_path = ''
    AS $$
DECLARE
    node bytea := p_leaf;
    rest bigint := p_size;
BEGIN
    nodes := p_leaf;
    edge := p_edge;
    WHILE rest % 2 = 1 LOOP
        node := sha256('\x01'::bytea || substring(edge FROM length(edge) - 31) || node);
        nodes := nodes || node;
        edge := substring(edge FROM 1 FOR length(edge) - 32);
        rest := rest / 2;
    END LOOP;
    edge := edge || node;
END
$$;

-- A moment as records spell it: RFC 3339 in UTC, with a fraction only where there is one.
CREATE FUNCTION ponderal.moment(p_at timestamptz) RETURNS text
    LANGUAGE sql STABLE STRICT SET search_path = ''
    AS $$
    SELECT to_char(p_at AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS')
        || coalesce('.' || nullif(rtrim(to_char(p_at AT TIME ZONE 'UTC', 'US'), '0'), ''), '') || 'Z'
    $$;

-- The tables of records: those whose rows have a body and name the entry that wrote them.
CREATE FUNCTION ponderal.record_tables() RETURNS SETOF name
    LANGUAGE sql STABLE SET search_path = ''
    AS $$
    SELECT c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
        JOIN pg_attribute b ON b.attrelid = c.oid AND b.attname = 'body' AND NOT b.attisdropped
        JOIN pg_attribute e ON e.attrelid = c.oid AND e.attname = 'entry_number' AND NOT e.attisdropped
        WHERE n.nspname = 'ponderal' AND c.relkind IN ('r', 'p') ORDER BY 1
    $$;

-- The rows about a client in tables that came with later steps: documents that name the client, or a referral, session or result of theirs, by a member of that
-- name (a session that came with another's id: by its own referral too). So a new table of such documents is erased from the day it is there. Legal
-- holds stay: they are about the clinic's duties.
CREATE FUNCTION ponderal.further_rows_of(p_client text, p_referrals text[], p_sessions text[], p_results text[])
    RETURNS TABLE (kind text, id text, entry bigint, line text)
    LANGUAGE plpgsql STABLE SET search_path = ''
    AS $$
DECLARE
    name text;
BEGIN
    FOR name IN SELECT t FROM ponderal.record_tables() t WHERE t NOT IN ('client', 'referral', 'release', 'session', 'trial', 'finding', 'result', 'feed_item',
        'legal_hold', 'clinic', 'payer', 'member', 'token', 'token_revocation', 'kit', 'protocol', 'job_profile')
    LOOP
        RETURN QUERY EXECUTE format($q$SELECT %1$L::text, d.id::text, d.entry_number, format('%%s %%s revision %%s', %1$L, d.id, d.revision)
            FROM ponderal.%1$I d, LATERAL (SELECT d.body::jsonb AS b OFFSET 0) x WHERE d.clinic_id = ponderal.current_clinic()
                AND (x.b ->> 'client_id' = $1 OR x.b ->> 'referral_id' = ANY ($2) OR x.b #>> '{incoming,referral_id}' = ANY ($2)
                    OR x.b ->> 'session_id' = ANY ($3) OR x.b ->> 'result_id' = ANY ($4))$q$, name)
            USING p_client, p_referrals, p_sessions, p_results;
    END LOOP;
END
$$;

-- Every row of the bound clinic that is a client's: the client, its referrals, their releases, sessions, trials, findings and results, what later steps
-- know of these, and results that were signed about the client while a referral wrongly named it. Of a referral or release that named several clients in
-- turn the newest revision says whose it is; older revisions that name this one are its own too. line says what of the row stays after erasure.
CREATE FUNCTION ponderal.rows_of_client(p_client uuid) RETURNS TABLE (kind text, id text, entry bigint, line text)
    LANGUAGE sql STABLE SET search_path = ''
    AS $$
    WITH c AS (SELECT ponderal.current_clinic() AS clinic),
    referral AS (SELECT r.id, r.revision, r.entry_number, r.body::jsonb ->> 'client_id' AS of_client,
            first_value(r.body::jsonb ->> 'client_id') OVER (PARTITION BY r.id ORDER BY r.revision DESC) AS newest
        FROM ponderal.referral r, c WHERE r.clinic_id = c.clinic),
    own_referral AS (SELECT DISTINCT r.id FROM referral r WHERE r.newest = p_client::text),
    release AS (SELECT r.id, r.revision, r.entry_number, r.body::jsonb ->> 'referral_id' AS of_referral,
            first_value(r.body::jsonb ->> 'referral_id') OVER (PARTITION BY r.id ORDER BY r.revision DESC) AS newest
        FROM ponderal.release r, c WHERE r.clinic_id = c.clinic),
    session AS (SELECT s.* FROM ponderal.session s, c WHERE s.clinic_id = c.clinic AND s.referral_id IN (SELECT o.id FROM own_referral o)),
    own_session AS (SELECT DISTINCT s.id FROM session s),
    result AS (SELECT r.* FROM c, ponderal.result r JOIN ponderal.audit_entry e ON e.clinic_id = r.clinic_id AND e.number = r.entry_number
        WHERE r.clinic_id = c.clinic AND (r.session_id IN (SELECT o.id FROM own_session o) OR 'client:' || p_client::text = ANY (e.subjects)))
    SELECT 'client', k.id::text, k.entry_number, format('client %s revision %s', k.id, k.revision)
        FROM ponderal.client k, c WHERE k.clinic_id = c.clinic AND k.id = p_client
    UNION ALL SELECT 'referral', r.id::text, r.entry_number, format('referral %s revision %s', r.id, r.revision)
        FROM referral r WHERE p_client::text IN (r.of_client, r.newest)
    UNION ALL SELECT 'release', r.id::text, r.entry_number, format('release %s revision %s', r.id, r.revision)
        FROM release r WHERE EXISTS (SELECT FROM own_referral o WHERE o.id::text IN (r.of_referral, r.newest))
    UNION ALL SELECT 'session', s.id::text, s.entry_number, format('session %s revision %s referral %s', s.id, s.revision, s.referral_id)
        FROM session s
    UNION ALL SELECT 'trial', t.session_id::text, t.entry_number,
            format('trial %s/%s/%s revision %s', t.session_id, t.series_number, t.trial_number, t.revision)
        FROM c, own_session o JOIN ponderal.trial t ON t.session_id = o.id WHERE t.clinic_id = c.clinic
    UNION ALL SELECT 'finding', f.id::text, f.entry_number, format('finding %s revision %s', f.id, f.revision)
        FROM c, own_session o JOIN ponderal.finding f ON f.id = o.id WHERE f.clinic_id = c.clinic
    UNION ALL SELECT 'result', r.id::text, r.entry_number,
            format('result %s session %s revision %s supersedes %s', r.id, r.session_id, r.session_revision, coalesce(r.supersedes::text, '-'))
        FROM result r
    UNION ALL SELECT s.kind, s.id, s.entry, s.line FROM ponderal.further_rows_of(p_client::text, ARRAY(SELECT o.id::text FROM own_referral o),
            ARRAY(SELECT o.id::text FROM own_session o), ARRAY(SELECT r.id::text FROM result r)) s
    $$;

-- What items of feeds some entries wrote: they hold ids only, but their content is proved by the same entry and goes with it.
CREATE FUNCTION ponderal.feed_rows_of(p_entries bigint[]) RETURNS TABLE (kind text, id text, entry bigint, line text)
    LANGUAGE sql STABLE SET search_path = ''
    AS $$
    SELECT 'feed_item', f.result_id::text, f.entry_number, format('feed_item %s of payer %s result %s', f.number, f.payer_id, f.result_id)
        FROM ponderal.feed_item f WHERE f.clinic_id = ponderal.current_clinic() AND f.entry_number = ANY (p_entries)
    $$;

-- For each of some entries the digest of what stays: when, which action, of which subjects, and the keys of the rows that it wrote. SHA-256 over
-- the lines, sorted by their bytes and joined by line feeds; base64url without padding.
CREATE FUNCTION ponderal.remains_of(p_client uuid, p_entries bigint[]) RETURNS TABLE (number bigint, digest text)
    LANGUAGE sql STABLE SET search_path = ''
    AS $$
    SELECT l.entry, rtrim(translate(encode(sha256(convert_to(string_agg(l.line, E'\n' ORDER BY l.line COLLATE "C"), 'UTF8')), 'base64'), '+/', '-_'), '=')
        FROM (SELECT r.entry, r.line FROM ponderal.rows_of_client(p_client) r
            UNION ALL SELECT f.entry, f.line FROM ponderal.feed_rows_of(p_entries) f
            UNION ALL SELECT e.number, format('entry %s at %s action %s subjects %s', e.number, ponderal.moment(e.at), e.action, array_to_string(e.subjects, ' '))
                FROM ponderal.audit_entry e WHERE e.clinic_id = ponderal.current_clinic() AND e.number = ANY (p_entries)) l
        WHERE l.entry = ANY (p_entries) GROUP BY l.entry
    $$;

-- Raises what stands against erasing a client of the bound clinic, if anything does.
CREATE FUNCTION ponderal.refuse_erasure(p_client uuid, p_at timestamptz) RETURNS void
    LANGUAGE plpgsql STABLE SET search_path = ''
    AS $$
DECLARE
    hold uuid;
    days integer;
    last timestamptz;
BEGIN
    IF NOT EXISTS (SELECT FROM ponderal.client k WHERE k.clinic_id = ponderal.current_clinic() AND k.id = p_client) THEN
        RAISE EXCEPTION 'the clinic has no such client' USING ERRCODE = 'PE001';
    END IF;
    IF NOT EXISTS (SELECT FROM ponderal.client k WHERE k.clinic_id = ponderal.current_clinic() AND k.id = p_client AND k.body <> '{}') THEN
        RAISE EXCEPTION 'the client was erased before' USING ERRCODE = 'PE002';
    END IF;
    SELECT n.id INTO hold FROM (SELECT DISTINCT ON (h.id) h.id, h.body::jsonb AS body FROM ponderal.legal_hold h
            WHERE h.clinic_id = ponderal.current_clinic() ORDER BY h.id, h.revision DESC) n
        WHERE NOT coalesce((n.body ->> 'lifted')::boolean, false) AND coalesce(n.body ->> 'client_id', '') IN ('', p_client::text)
        ORDER BY n.id LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'legal hold % is on the client or on the whole clinic', hold USING ERRCODE = 'PE003', DETAIL = hold::text;
    END IF;
    SELECT (c.body::jsonb ->> 'retention_days')::integer INTO days FROM ponderal.clinic c
        WHERE c.clinic_id = ponderal.current_clinic() AND c.id = ponderal.current_clinic() ORDER BY c.revision DESC LIMIT 1;
    -- A client without a session: from the newest record of the client.
    SELECT coalesce(
            (SELECT max((s.body::jsonb ->> 'ended_at')::timestamptz) FROM ponderal.session s
                WHERE s.clinic_id = ponderal.current_clinic() AND s.id IN (SELECT r.id::uuid FROM ponderal.rows_of_client(p_client) r WHERE r.kind = 'session')),
            (SELECT max(e.at) FROM ponderal.audit_entry e
                WHERE e.clinic_id = ponderal.current_clinic() AND e.number IN (SELECT r.entry FROM ponderal.rows_of_client(p_client) r)))
        INTO last;
    last := last + make_interval(hours => 24 * coalesce(days, 0));
    IF coalesce(days, 0) > 0 AND p_at < last THEN
        RAISE EXCEPTION 'the clinic keeps records for % days, until %', days, ponderal.moment(last) USING ERRCODE = 'PE004', DETAIL = ponderal.moment(last);
    END IF;
END
$$;

-- Raises what is wrong with the words and the moment that an erasure is to be recorded with.
CREATE FUNCTION ponderal.refuse_words(p_words text[], p_at timestamptz, p_salt bytea) RETURNS void
    LANGUAGE plpgsql VOLATILE SET search_path = ''
    AS $$
DECLARE
    word text;
BEGIN
    FOREACH word IN ARRAY p_words LOOP
        -- One line, and nothing that turns text round.
        IF word IS NULL OR length(btrim(word)) < 3 OR length(word) > 500
            OR word ~ '[\u0001-\u001f\u007f-\u009f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]' THEN
            RAISE EXCEPTION 'demand, who asked and operator are each one line of 3 to 500 characters' USING ERRCODE = 'PE005';
        END IF;
    END LOOP;
    -- A retention period runs out by this server's clock, not by what a caller says.
    IF p_at IS NULL OR abs(extract(epoch FROM p_at - clock_timestamp())) > 300 THEN
        RAISE EXCEPTION 'the moment is not now by the clock of the database' USING ERRCODE = 'PE006';
    END IF;
    IF p_salt IS NULL OR length(p_salt) <> 32 THEN
        RAISE EXCEPTION 'the salt has 32 bytes' USING ERRCODE = 'PE005';
    END IF;
END
$$;

-- Writes the audit entry of an erasure as the next of the bound clinic's log: canonical JSON (RFC 8785). Returns its number.
CREATE FUNCTION ponderal.write_erasure(p_client uuid, p_reason text, p_operator text, p_at timestamptz, p_salt bytea, p_entries bigint[], p_subjects text[])
    RETURNS bigint
    LANGUAGE plpgsql VOLATILE SET search_path = ''
    AS $$
DECLARE
    head record;
    tree record;
    content text;
BEGIN
    SELECT h.size, h.edge INTO STRICT head FROM ponderal.lock_head() h;
    SELECT '{"action":"client.erase","actor":{"app":"ponderal erase","label":' || to_json(p_operator)::text
            || '},"at":' || to_json(ponderal.moment(p_at))::text || ',"clinic_id":' || to_json(ponderal.current_clinic())::text
            || ',"erased":[' || string_agg(r.number::text, ',' ORDER BY r.number) || '],"number":' || head.size
            || ',"reason":' || to_json(p_reason)::text || ',"remains":[' || string_agg(to_json(r.digest)::text, ',' ORDER BY r.number)
            || '],"subjects":[' || (SELECT string_agg(to_json(s.subject)::text, ',' ORDER BY s.i) FROM unnest(p_subjects) WITH ORDINALITY AS s (subject, i)) || ']}'
        INTO content FROM ponderal.remains_of(p_client, p_entries) r;
    SELECT t.nodes, t.edge INTO tree
        FROM ponderal.tree_append(head.size, head.edge, sha256('\x00'::bytea || p_salt || convert_to(content, 'UTF8'))) t;
    PERFORM ponderal.append_entries(head.size, ARRAY[p_at], ARRAY['client.erase'], p_subjects, ARRAY[cardinality(p_subjects)],
        ARRAY[content], ARRAY[p_salt], ARRAY[tree.nodes], tree.edge);
    RETURN head.size;
END
$$;

-- Erases one client of one clinic on lawful demand, and says what went ('erased', by kind, with the number of rows; kind 'audit_entry' are entries) and what payers
-- hold already ('held': by payer and result, disclosed so many times, first at). Errors: PE001 no such client, PE002 erased before, PE003 under legal hold (DETAIL: its id),
-- PE004 the retention period runs (DETAIL: until when), PE005 words or salt, PE006 moment, PE007 records shared with others. p_salt are 32 random bytes.
-- The caller decides by COMMIT or ROLLBACK.
CREATE FUNCTION ponderal.erase_client(p_clinic uuid, p_client uuid, p_demand text, p_asked_by text, p_operator text, p_at timestamptz, p_salt bytea)
    RETURNS TABLE (entry_number bigint, what text, kind text, count bigint, payer_id uuid, result_id uuid, first_at timestamptz)
    LANGUAGE plpgsql VOLATILE SECURITY DEFINER SET search_path = ''
    AS $$
#variable_conflict use_column
DECLARE
    entries bigint[];
    about text[];
    told bigint;
    own jsonb;
    name text;
    rows bigint;
BEGIN
    PERFORM ponderal.refuse_words(ARRAY[p_demand, p_asked_by, p_operator], p_at, p_salt);
    PERFORM set_config('ponderal.clinic_id', p_clinic::text, true);
    PERFORM FROM ponderal.lock_head();
    IF NOT FOUND THEN
        RAISE EXCEPTION 'there is no such clinic' USING ERRCODE = 'PE001';
    END IF;
    PERFORM ponderal.refuse_erasure(p_client, p_at);

    SELECT array_agg(DISTINCT r.entry ORDER BY r.entry) INTO entries FROM ponderal.rows_of_client(p_client) r
        JOIN ponderal.audit_entry e ON e.clinic_id = p_clinic AND e.number = r.entry WHERE e.content IS NOT NULL;
    SELECT ARRAY['client:' || p_client] || array_agg(DISTINCT s.subject ORDER BY s.subject) INTO about FROM (
        SELECT (r.kind || ':' || r.id) COLLATE "C" AS subject FROM ponderal.rows_of_client(p_client) r
            WHERE r.kind NOT IN ('client', 'trial') AND r.entry = ANY (entries)) s WHERE s.subject IS NOT NULL;

    SELECT jsonb_object_agg(n.kind, n.rows) INTO own FROM (SELECT r.kind, count(*) AS rows FROM ponderal.rows_of_client(p_client) r
        WHERE r.entry = ANY (entries) GROUP BY r.kind) n;

    -- An entry that also wrote something that is not known to be this client's is nobody's to erase.
    FOR name IN SELECT t FROM ponderal.record_tables() t WHERE t <> 'feed_item'
    LOOP
        EXECUTE format('SELECT count(*) FROM ponderal.%I t WHERE t.clinic_id = $1 AND t.entry_number = ANY ($2)', name) INTO rows USING p_clinic, entries;
        IF rows <> coalesce((own ->> name)::bigint, 0) THEN
            RAISE EXCEPTION 'entries of this client also wrote rows of table % that are not known to be the client''s', name USING ERRCODE = 'PE007';
        END IF;
    END LOOP;

    told := ponderal.write_erasure(p_client, p_demand || '; asked by ' || p_asked_by, p_operator, p_at, p_salt, entries, about);
    RETURN QUERY SELECT told, 'erased'::text, r.kind, count(*), NULL::uuid, NULL::uuid, NULL::timestamptz
        FROM (SELECT r.kind, r.entry FROM ponderal.rows_of_client(p_client) r UNION ALL SELECT f.kind, f.entry FROM ponderal.feed_rows_of(entries) f) r
        WHERE r.entry = ANY (entries) GROUP BY r.kind ORDER BY r.kind;
    RETURN QUERY SELECT told, 'erased'::text, 'audit_entry'::text, cardinality(entries)::bigint, NULL::uuid, NULL::uuid, NULL::timestamptz;
    RETURN QUERY SELECT told, 'held'::text, 'result'::text, count(*), substr(p.subject, 7)::uuid, substr(s.subject, 8)::uuid, min(e.at)
        FROM ponderal.audit_entry e, unnest(e.subjects) s (subject), unnest(e.subjects) p (subject)
        WHERE e.clinic_id = p_clinic AND e.action = 'result.disclose' AND s.subject = ANY (about) AND s.subject LIKE 'result:%' AND p.subject LIKE 'payer:%'
        GROUP BY p.subject, s.subject ORDER BY min(e.at), 5, 6;

    PERFORM set_config('ponderal.erasing', told::text, true);
    FOR name IN SELECT t FROM ponderal.record_tables() t LOOP
        EXECUTE format($q$UPDATE ponderal.%I t SET body = '{}' WHERE t.clinic_id = $1 AND t.entry_number = ANY ($2)$q$, name) USING p_clinic, entries;
    END LOOP;
    UPDATE ponderal.audit_entry e SET content = NULL, salt = NULL WHERE e.clinic_id = p_clinic AND e.number = ANY (entries);
    PERFORM set_config('ponderal.erasing', '', true);
END
$$;

-- The role that may erase: it has this one function, and no right to any table. An operator's login is made a member of it. Roles
-- belong to the whole cluster, so another database may have made it.
DO $$
BEGIN
    CREATE ROLE ponderal_eraser NOLOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS NOREPLICATION;
EXCEPTION
    WHEN duplicate_object OR unique_violation THEN NULL;
END
$$;
GRANT USAGE ON SCHEMA ponderal TO ponderal_eraser;

-- What is for anybody to call is for the service alone from here on, and the parts of an erasure are for nobody.
DO $$
DECLARE
    f record;
BEGIN
    FOR f IN SELECT p.oid::regprocedure AS name, p.prorettype = 'trigger'::regtype AS fires FROM pg_proc p JOIN pg_namespace n ON n.oid = p.pronamespace
        WHERE n.nspname = 'ponderal' AND has_function_privilege('public', p.oid, 'EXECUTE')
            AND p.proname NOT IN ('is_erasure', 'tree_append', 'moment', 'record_tables', 'further_rows_of', 'rows_of_client', 'feed_rows_of',
                'remains_of', 'refuse_erasure', 'refuse_words', 'write_erasure', 'erase_client')
    LOOP
        EXECUTE format('REVOKE ALL ON FUNCTION %s FROM PUBLIC', f.name);
        IF NOT f.fires THEN
            EXECUTE format('GRANT EXECUTE ON FUNCTION %s TO ponderal_service', f.name);
        END IF;
    END LOOP;
END
$$;
REVOKE ALL ON FUNCTION ponderal.is_erasure(text, jsonb, jsonb), ponderal.tree_append(bigint, bytea, bytea), ponderal.moment(timestamptz),
    ponderal.record_tables(), ponderal.further_rows_of(text, text[], text[], text[]),
    ponderal.rows_of_client(uuid), ponderal.feed_rows_of(bigint[]), ponderal.remains_of(uuid, bigint[]), ponderal.refuse_erasure(uuid, timestamptz),
    ponderal.refuse_words(text[], timestamptz, bytea), ponderal.write_erasure(uuid, text, text, timestamptz, bytea, bigint[], text[]),
    ponderal.erase_client(uuid, uuid, text, text, text, timestamptz, bytea) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION ponderal.erase_client(uuid, uuid, text, text, text, timestamptz, bytea) TO ponderal_eraser;
