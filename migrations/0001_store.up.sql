-- The first shape of the store.
--
-- Every table is keyed by clinic first. Rows are only ever added: the service's role has SELECT and INSERT, and triggers refuse UPDATE,
-- DELETE and TRUNCATE even to the owner. Each row names the audit entry that wrote it. Row-level security is forced, and keyed by
-- transaction-local settings, so that a transaction that was not bound to a clinic sees and writes nothing.
--
-- The network keeps its own records (payers, network and payer tokens) in a log of its own under the nil UUID.

CREATE SCHEMA ponderal;

-- The role that the service logs in as; it owns nothing. Roles belong to the whole cluster, so another database may have made it.
DO $$
BEGIN
    CREATE ROLE ponderal_service NOLOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS NOREPLICATION;
EXCEPTION
    WHEN duplicate_object OR unique_violation THEN NULL;
END
$$;

GRANT USAGE ON SCHEMA ponderal TO ponderal_service;

-- The clinic that this transaction is bound to; NULL when it is bound to none.
CREATE FUNCTION ponderal.current_clinic() RETURNS uuid
    LANGUAGE sql STABLE PARALLEL SAFE
    AS $$ SELECT nullif(current_setting('ponderal.clinic_id', true), '')::uuid $$;

-- The payer whose feed this transaction reads; NULL when it reads none.
CREATE FUNCTION ponderal.current_payer() RETURNS uuid
    LANGUAGE sql STABLE PARALLEL SAFE
    AS $$ SELECT nullif(current_setting('ponderal.payer_id', true), '')::uuid $$;

-- The token that is being checked, before any clinic is known; NULL otherwise.
CREATE FUNCTION ponderal.current_token() RETURNS uuid
    LANGUAGE sql STABLE PARALLEL SAFE
    AS $$ SELECT nullif(current_setting('ponderal.token_id', true), '')::uuid $$;

-- True in a transaction that lists the clinics of the network.
CREATE FUNCTION ponderal.reads_network() RETURNS boolean
    LANGUAGE sql STABLE PARALLEL SAFE
    AS $$ SELECT coalesce(current_setting('ponderal.network', true), '') = 'on' $$;

CREATE FUNCTION ponderal.refuse_change() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    RAISE EXCEPTION 'table % is append-only: % refused', TG_TABLE_NAME, TG_OP USING ERRCODE = 'integrity_constraint_violation';
END
$$;

-- The audit log: one a clinic. content is the entry in canonical JSON; the Merkle leaf is over salt and content; nodes are the leaf hash
-- and the hashes of the subtrees that this entry completed, 32 bytes each. at, action and subjects repeat what content says, for filters;
-- the audit check compares them.
CREATE TABLE ponderal.audit_entry (
    clinic_id uuid NOT NULL,
    number    bigint NOT NULL CHECK (number >= 0),
    at        timestamptz NOT NULL,
    action    text NOT NULL,
    subjects  text[] NOT NULL,
    content   text NOT NULL,
    salt      bytea NOT NULL CHECK (length(salt) = 32),
    nodes     bytea NOT NULL CHECK (length(nodes) > 0 AND length(nodes) % 32 = 0),
    PRIMARY KEY (clinic_id, number)
);
-- An entry of a pushed session is some 4 kB of digests that no compression shortens: keep it in the row.
ALTER TABLE ponderal.audit_entry ALTER COLUMN content SET STORAGE EXTERNAL;
ALTER TABLE ponderal.audit_entry SET (toast_tuple_target = 8160);

-- The disclosures of results, by subject, without an index that every entry would have to pay for.
CREATE INDEX audit_disclosure ON ponderal.audit_entry (clinic_id, number) WHERE action = 'result.disclose';

-- The head of each log: how many entries, and the right edge of the tree (hashes of the full subtrees, largest first). The one
-- row that changes; only append_entries changes it, and only forward.
CREATE TABLE ponderal.audit_head (
    clinic_id uuid PRIMARY KEY,
    size      bigint NOT NULL CHECK (size >= 0),
    edge      bytea NOT NULL CHECK (length(edge) % 32 = 0)
) WITH (fillfactor = 20);

-- Signed heads. A checkpoint of size n covers the entries 0 to n-1.
CREATE TABLE ponderal.checkpoint (
    clinic_id    uuid NOT NULL,
    size         bigint NOT NULL CHECK (size > 0),
    entry_number bigint NOT NULL CHECK (entry_number = size - 1),
    note         text NOT NULL,
    PRIMARY KEY (clinic_id, size),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.clinic (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.payer (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.member (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.token (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.token_revocation (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.client (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.referral (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.job_profile (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.release (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.kit (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

CREATE TABLE ponderal.protocol (
    clinic_id    uuid NOT NULL,
    id           text NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

-- The releases of a referral are looked up whenever a payer reads.
CREATE INDEX release_by_referral ON ponderal.release (clinic_id, (body::jsonb ->> 'referral_id'));

-- A token is looked up by its id before its clinic is known, and its id is one of its kind in the whole network.
CREATE UNIQUE INDEX token_by_id ON ponderal.token (id);
CREATE UNIQUE INDEX token_revocation_by_id ON ponderal.token_revocation (id);

-- A session without its trials: header, screening and series. The trials of a revision are, for each place, the newest row up to that
-- revision.
CREATE TABLE ponderal.session (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    referral_id  uuid NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);
-- The order of writing, which is the order of pulling.
CREATE UNIQUE INDEX session_by_entry ON ponderal.session (clinic_id, entry_number, id);
CREATE INDEX session_by_referral ON ponderal.session (clinic_id, referral_id);

CREATE TABLE ponderal.trial (
    clinic_id     uuid NOT NULL,
    session_id    uuid NOT NULL,
    series_number smallint NOT NULL CHECK (series_number > 0),
    trial_number  smallint NOT NULL CHECK (trial_number > 0),
    revision      integer NOT NULL CHECK (revision > 0),
    entry_number  bigint NOT NULL,
    body          text NOT NULL,
    PRIMARY KEY (clinic_id, session_id, series_number, trial_number, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);

-- What the engine computed for a revision of a session; id is the session's.
CREATE TABLE ponderal.finding (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);
CREATE UNIQUE INDEX finding_by_entry ON ponderal.finding (clinic_id, entry_number, id);

-- A signed result: body is the JWS; path is the inclusion path of its entry in the tree of size entry_number + 1, whose checkpoint was
-- stored in the same transaction. The other columns repeat what the JWS says; the audit check compares them.
CREATE TABLE ponderal.result (
    clinic_id        uuid NOT NULL,
    id               uuid NOT NULL,
    revision         integer NOT NULL CHECK (revision = 1),
    entry_number     bigint NOT NULL,
    session_id       uuid NOT NULL,
    session_revision integer NOT NULL CHECK (session_revision > 0),
    supersedes       uuid,
    body             text NOT NULL,
    path             bytea NOT NULL CHECK (length(path) % 32 = 0),
    PRIMARY KEY (clinic_id, id),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number),
    FOREIGN KEY (clinic_id, supersedes) REFERENCES ponderal.result (clinic_id, id),
    FOREIGN KEY (clinic_id, session_id, session_revision) REFERENCES ponderal.session (clinic_id, id, revision)
);
-- One first result a session, and one successor a result.
CREATE UNIQUE INDEX result_first ON ponderal.result (clinic_id, session_id) WHERE supersedes IS NULL;
CREATE UNIQUE INDEX result_successor ON ponderal.result (clinic_id, supersedes);
CREATE UNIQUE INDEX result_by_entry ON ponderal.result (clinic_id, entry_number);
CREATE INDEX result_by_session ON ponderal.result (clinic_id, session_id);

-- What each payer may pull, in the order of release; number is gap-free per payer. id is the result's.
CREATE TABLE ponderal.feed_item (
    payer_id     uuid NOT NULL,
    number       bigint NOT NULL CHECK (number > 0),
    clinic_id    uuid NOT NULL,
    result_id    uuid NOT NULL,
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (payer_id, number),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number),
    FOREIGN KEY (clinic_id, result_id) REFERENCES ponderal.result (clinic_id, id)
);
CREATE UNIQUE INDEX feed_item_once ON ponderal.feed_item (payer_id, result_id, clinic_id);
CREATE INDEX feed_item_by_clinic ON ponderal.feed_item (clinic_id, result_id);

-- How many items a payer's feed has; only next_feed_number changes it, and only forward.
CREATE TABLE ponderal.feed_head (
    payer_id uuid PRIMARY KEY,
    size     bigint NOT NULL CHECK (size >= 0)
) WITH (fillfactor = 20);

-- Isolation: a row is seen and written only by a transaction bound to its clinic; the exceptions follow.

ALTER TABLE ponderal.audit_entry ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.audit_entry FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.audit_entry
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.audit_head ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.audit_head FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.audit_head
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.clinic ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.clinic FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.clinic
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.payer ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.payer FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.payer
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.member ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.member FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.member
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.token ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.token FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.token
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.token_revocation ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.token_revocation FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.token_revocation
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.client ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.client FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.client
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.referral ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.referral FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.referral
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.job_profile ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.job_profile FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.job_profile
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.release ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.release FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.release
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.kit ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.kit FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.kit
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.protocol ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.protocol FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.protocol
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.session ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.session FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.session
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.trial ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.trial FORCE ROW LEVEL SECURITY;
-- Trials come by the hundred: as a subquery, the setting is read once a statement instead of once a row.
CREATE POLICY own_clinic ON ponderal.trial
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = (SELECT ponderal.current_clinic()));
ALTER TABLE ponderal.finding ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.finding FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.finding
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.result ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.result FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.result
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.checkpoint ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.checkpoint FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.checkpoint
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
ALTER TABLE ponderal.feed_item ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.feed_item FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.feed_item
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());

-- Exception: a credential is looked up by the id that was presented, before its clinic is known.
CREATE POLICY presented_token ON ponderal.token FOR SELECT USING (id = ponderal.current_token());
CREATE POLICY presented_token ON ponderal.token_revocation FOR SELECT USING (id = ponderal.current_token());
-- Exception: a payer's feed spans clinics; its items hold ids only.
CREATE POLICY own_feed ON ponderal.feed_item FOR SELECT USING (payer_id = ponderal.current_payer());
-- Exception: the list of clinics, and the payers that every clinic may name in a referral.
CREATE POLICY network_list ON ponderal.clinic FOR SELECT USING (ponderal.reads_network());
CREATE POLICY network_list ON ponderal.payer FOR SELECT USING (ponderal.reads_network());
-- With it go the entries that wrote these, for their time, and the list of logs; neither holds more than ids and hashes.
CREATE POLICY network_list ON ponderal.audit_entry FOR SELECT USING (ponderal.reads_network() AND action IN ('clinic.put', 'payer.put'));
CREATE POLICY network_list ON ponderal.audit_head FOR SELECT USING (ponderal.reads_network());
ALTER TABLE ponderal.feed_head ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.feed_head FORCE ROW LEVEL SECURITY;
CREATE POLICY released ON ponderal.feed_head USING (ponderal.current_clinic() IS NOT NULL) WITH CHECK (ponderal.current_clinic() IS NOT NULL);

-- Append-only, for the owner too.

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.audit_entry
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.audit_entry
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.clinic
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.clinic
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.payer
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.payer
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.member
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.member
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.token
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.token
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.token_revocation
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.token_revocation
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.client
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.client
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.referral
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.referral
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.job_profile
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.job_profile
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.release
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.release
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.kit
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.kit
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.protocol
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.protocol
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.session
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.session
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.trial
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.trial
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.finding
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.finding
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.result
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.result
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.checkpoint
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.checkpoint
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.feed_item
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.feed_item
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();

CREATE FUNCTION ponderal.only_forward() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    IF TG_OP <> 'UPDATE' THEN
        RAISE EXCEPTION 'table % keeps heads: % refused', TG_TABLE_NAME, TG_OP USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    IF NEW.size <= OLD.size OR TG_ARGV[0] = 'by one' AND NEW.size <> OLD.size + 1 THEN
        RAISE EXCEPTION 'a head in % moves forward % only', TG_TABLE_NAME, TG_ARGV[0] USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END
$$;
CREATE TRIGGER only_forward BEFORE UPDATE OR DELETE ON ponderal.audit_head
    FOR EACH ROW EXECUTE FUNCTION ponderal.only_forward('by any number');
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.audit_head
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER only_forward BEFORE UPDATE OR DELETE ON ponderal.feed_head
    FOR EACH ROW EXECUTE FUNCTION ponderal.only_forward('by one');
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.feed_head
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();

-- The heads are moved by these functions only; the service's role has no UPDATE on any table.

-- Opens the log of the clinic that the transaction is bound to; a log that is open stays as it is.
CREATE FUNCTION ponderal.open_log() RETURNS void
    LANGUAGE sql SECURITY DEFINER SET search_path = ''
    AS $$ INSERT INTO ponderal.audit_head (clinic_id, size, edge) VALUES (ponderal.current_clinic(), 0, '') ON CONFLICT DO NOTHING $$;

-- Takes the head of the bound clinic's log until the transaction ends.
-- (plpgsql, because it keeps its plan from call to call.)
CREATE FUNCTION ponderal.lock_head(OUT size bigint, OUT edge bytea) RETURNS SETOF record
    LANGUAGE plpgsql VOLATILE SECURITY DEFINER SET search_path = '' ROWS 1
    AS $$
BEGIN
    RETURN QUERY SELECT h.size, h.edge FROM ponderal.audit_head h WHERE h.clinic_id = ponderal.current_clinic() FOR UPDATE;
END
$$;

-- Appends the next entries to the bound clinic's log, from p_first on, and moves the head past the last. The arrays hold one item an entry;
-- p_subjects holds the subjects of all, those of each entry up to its p_subjects_end.
CREATE FUNCTION ponderal.append_entries(p_first bigint, p_at timestamptz[], p_action text[], p_subjects text[], p_subjects_end integer[],
        p_content text[], p_salt bytea[], p_nodes bytea[], p_edge bytea)
    RETURNS void
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = ''
    AS $$
BEGIN
    UPDATE ponderal.audit_head SET size = p_first + cardinality(p_at), edge = p_edge
        WHERE clinic_id = ponderal.current_clinic() AND size = p_first;
    IF NOT FOUND THEN
        RAISE EXCEPTION 'entry % is not the next of the log', p_first USING ERRCODE = 'serialization_failure';
    END IF;
    INSERT INTO ponderal.audit_entry (clinic_id, number, at, action, subjects, content, salt, nodes)
        SELECT ponderal.current_clinic(), p_first + e.i - 1, e.at, e.action,
            p_subjects[coalesce(p_subjects_end[e.i - 1], 0) + 1 : p_subjects_end[e.i]], e.content, e.salt, e.nodes
        FROM unnest(p_at, p_action, p_content, p_salt, p_nodes) WITH ORDINALITY AS e (at, action, content, salt, nodes, i);
END
$$;

-- The next number of a payer's feed, taken until the transaction ends.
CREATE FUNCTION ponderal.next_feed_number(p_payer uuid) RETURNS bigint
    LANGUAGE sql VOLATILE SECURITY DEFINER SET search_path = ''
    AS $$
    INSERT INTO ponderal.feed_head AS h (payer_id, size) VALUES (p_payer, 1)
        ON CONFLICT (payer_id) DO UPDATE SET size = h.size + 1
        RETURNING size
    $$;

REVOKE ALL ON FUNCTION ponderal.open_log(), ponderal.lock_head(), ponderal.next_feed_number(uuid),
    ponderal.append_entries(bigint, timestamptz[], text[], text[], integer[], text[], bytea[], bytea[], bytea) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION ponderal.open_log(), ponderal.lock_head(), ponderal.next_feed_number(uuid),
    ponderal.append_entries(bigint, timestamptz[], text[], text[], integer[], text[], bytea[], bytea[], bytea) TO ponderal_service;

GRANT SELECT ON ponderal.audit_entry, ponderal.audit_head, ponderal.feed_head TO ponderal_service;
GRANT SELECT, INSERT ON ponderal.clinic,
    ponderal.payer,
    ponderal.member,
    ponderal.token,
    ponderal.token_revocation,
    ponderal.client,
    ponderal.referral,
    ponderal.job_profile,
    ponderal.release,
    ponderal.kit,
    ponderal.protocol,
    ponderal.session,
    ponderal.trial,
    ponderal.finding,
    ponderal.result,
    ponderal.checkpoint,
    ponderal.feed_item
    TO ponderal_service;

-- The service refuses to start on a schema that is not its build's, so it must see the version.
GRANT SELECT ON public.ponderal_schema_migrations TO ponderal_service;

-- The network's own log.
SELECT set_config('ponderal.clinic_id', '00000000-0000-0000-0000-000000000000', true);
SELECT ponderal.open_log();
SELECT set_config('ponderal.clinic_id', '', true);
