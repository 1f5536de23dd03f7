-- Webhooks to payers, and the job queue for work that must be done once whichever replica does it.

-- Where a payer's events are sent, with the secrets that sign them, sealed: whole documents in the network's own records, as those of 0001.
CREATE TABLE ponderal.webhook (
    clinic_id    uuid NOT NULL,
    id           uuid NOT NULL,
    revision     integer NOT NULL CHECK (revision > 0),
    entry_number bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (clinic_id, id, revision),
    FOREIGN KEY (clinic_id, entry_number) REFERENCES ponderal.audit_entry (clinic_id, number)
);
CREATE INDEX webhook_by_payer ON ponderal.webhook (clinic_id, (body::jsonb ->> 'payer_id')) WHERE revision = 1;

ALTER TABLE ponderal.webhook ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.webhook FORCE ROW LEVEL SECURITY;
CREATE POLICY own_clinic ON ponderal.webhook
    USING (clinic_id = ponderal.current_clinic()) WITH CHECK (clinic_id = ponderal.current_clinic());
-- For has_webhook below, which runs as the owner.
CREATE POLICY by_function ON ponderal.webhook FOR SELECT TO CURRENT_USER USING (true);

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE ON ponderal.webhook
    FOR EACH ROW EXECUTE FUNCTION ponderal.refuse_change();
CREATE TRIGGER no_truncate BEFORE TRUNCATE ON ponderal.webhook
    FOR EACH STATEMENT EXECUTE FUNCTION ponderal.refuse_change();

GRANT SELECT, INSERT ON ponderal.webhook TO ponderal_service;

-- Whether a payer is to be told of new items of its feed. A clinic's transaction learns no more than that of the network's records.
CREATE FUNCTION ponderal.has_webhook(p_payer uuid) RETURNS boolean
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = ''
    AS $$
    SELECT EXISTS (SELECT 1 FROM ponderal.webhook f WHERE f.clinic_id = '00000000-0000-0000-0000-000000000000' AND f.revision = 1
        AND f.body::jsonb ->> 'payer_id' = p_payer::text
        AND NOT coalesce((SELECT (w.body::jsonb ->> 'revoked')::boolean FROM ponderal.webhook w
            WHERE w.clinic_id = f.clinic_id AND w.id = f.id ORDER BY w.revision DESC LIMIT 1), false))
    $$;
REVOKE ALL ON FUNCTION ponderal.has_webhook(uuid) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION ponderal.has_webhook(uuid) TO ponderal_service;

-- The tables of riverqueue/river at version 8 of its main line of migrations, in a schema of their own; a test makes the same with its own migrations and
-- compares. They are no records: a job names by id what is to be done, nobody's data is in them, no entry of the audit log stands behind a row, and the
-- queue changes and removes its rows. Every replica works on all of them, so that no clinic's policy can hold here.
CREATE SCHEMA ponderal_queue;

CREATE TYPE ponderal_queue.river_job_state AS ENUM
    ('available', 'cancelled', 'completed', 'discarded', 'pending', 'retryable', 'running', 'scheduled');

CREATE TABLE ponderal_queue.river_job (
    id            bigserial PRIMARY KEY,
    state         ponderal_queue.river_job_state NOT NULL DEFAULT 'available',
    attempt       smallint NOT NULL DEFAULT 0,
    max_attempts  smallint NOT NULL DEFAULT 25,
    attempted_at  timestamptz,
    created_at    timestamptz NOT NULL DEFAULT now(),
    finalized_at  timestamptz,
    scheduled_at  timestamptz NOT NULL DEFAULT now(),
    priority      smallint NOT NULL DEFAULT 1,
    args          jsonb NOT NULL,
    attempted_by  text[],
    errors        jsonb[],
    kind          text NOT NULL,
    metadata      jsonb NOT NULL DEFAULT '{}',
    queue         text NOT NULL DEFAULT 'default',
    tags          varchar(255)[] NOT NULL DEFAULT '{}',
    unique_key    bytea,
    unique_states bit(8),
    CONSTRAINT finalized_or_finalized_at_null CHECK (
        (finalized_at IS NULL AND state NOT IN ('cancelled', 'completed', 'discarded')) OR
        (finalized_at IS NOT NULL AND state IN ('cancelled', 'completed', 'discarded'))),
    CONSTRAINT max_attempts_is_positive CHECK (max_attempts > 0),
    CONSTRAINT priority_in_range CHECK (priority >= 1 AND priority <= 4),
    CONSTRAINT queue_length CHECK (char_length(queue) > 0 AND char_length(queue) < 128),
    CONSTRAINT kind_length CHECK (char_length(kind) > 0 AND char_length(kind) < 128)
);

CREATE FUNCTION ponderal_queue.river_job_state_in_bitmask(bitmask bit(8), state ponderal_queue.river_job_state) RETURNS boolean
    LANGUAGE sql IMMUTABLE
    AS $$
    SELECT CASE state
        WHEN 'available' THEN get_bit(bitmask, 7)
        WHEN 'cancelled' THEN get_bit(bitmask, 6)
        WHEN 'completed' THEN get_bit(bitmask, 5)
        WHEN 'discarded' THEN get_bit(bitmask, 4)
        WHEN 'pending'   THEN get_bit(bitmask, 3)
        WHEN 'retryable' THEN get_bit(bitmask, 2)
        WHEN 'running'   THEN get_bit(bitmask, 1)
        WHEN 'scheduled' THEN get_bit(bitmask, 0)
        ELSE 0
    END = 1;
$$;

CREATE INDEX river_job_kind ON ponderal_queue.river_job (kind);
CREATE INDEX river_job_state_and_finalized_at_index ON ponderal_queue.river_job (state, finalized_at) WHERE finalized_at IS NOT NULL;
CREATE INDEX river_job_prioritized_fetching_index ON ponderal_queue.river_job (state, queue, priority, scheduled_at, id);
CREATE INDEX river_job_args_index ON ponderal_queue.river_job USING gin (args);
CREATE INDEX river_job_metadata_index ON ponderal_queue.river_job USING gin (metadata);
CREATE UNIQUE INDEX river_job_unique_idx ON ponderal_queue.river_job (unique_key)
    WHERE unique_key IS NOT NULL AND unique_states IS NOT NULL AND ponderal_queue.river_job_state_in_bitmask(unique_states, state);

CREATE UNLOGGED TABLE ponderal_queue.river_leader (
    elected_at timestamptz NOT NULL,
    expires_at timestamptz NOT NULL,
    leader_id  text NOT NULL,
    name       text PRIMARY KEY DEFAULT 'default',
    CONSTRAINT name_length CHECK (name = 'default'),
    CONSTRAINT leader_id_length CHECK (char_length(leader_id) > 0 AND char_length(leader_id) < 128)
);

CREATE TABLE ponderal_queue.river_queue (
    name       text PRIMARY KEY NOT NULL,
    created_at timestamptz NOT NULL DEFAULT now(),
    metadata   jsonb NOT NULL DEFAULT '{}'::jsonb,
    paused_at  timestamptz,
    updated_at timestamptz NOT NULL DEFAULT CURRENT_TIMESTAMP
);

CREATE TABLE ponderal_queue.river_notification (
    id         bigserial PRIMARY KEY,
    created_at timestamptz NOT NULL DEFAULT now(),
    payload    text NOT NULL,
    topic      text NOT NULL,
    CONSTRAINT topic_length CHECK (length(topic) > 0 AND length(topic) < 128)
);
CREATE INDEX river_notification_created_at_idx ON ponderal_queue.river_notification (created_at);
CREATE INDEX river_notification_topic_id_idx ON ponderal_queue.river_notification (topic, id);

-- Ours: the events of a payer in the order of its feed, and those of one chain of results that have not ended, of which the first goes first.
CREATE INDEX webhook_job_by_feed ON ponderal_queue.river_job ((args ->> 'payer_id'), ((args ->> 'feed_number')::bigint)) WHERE kind = 'webhook';
CREATE INDEX webhook_job_open ON ponderal_queue.river_job ((args ->> 'payer_id'), (args ->> 'session_id'), ((args ->> 'feed_number')::bigint))
    WHERE kind = 'webhook' AND finalized_at IS NULL;

GRANT USAGE ON SCHEMA ponderal_queue TO ponderal_service;
GRANT SELECT, INSERT, UPDATE, DELETE ON ponderal_queue.river_job, ponderal_queue.river_leader, ponderal_queue.river_queue, ponderal_queue.river_notification
    TO ponderal_service;
GRANT USAGE ON SEQUENCE ponderal_queue.river_job_id_seq, ponderal_queue.river_notification_id_seq TO ponderal_service;
