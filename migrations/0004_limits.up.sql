-- Limits that hold across replicas: token buckets of calls, and attempts to sign in.
--
-- Both tables are about callers of whom no clinic is known yet, so that they are keyed by a hash instead of a clinic: of an address, of a holder of
-- credentials, of a login. Nothing in them is a record: they say how often, not what, and no entry of the audit log stands behind a row. They are
-- unlogged, because a crash (or the promotion of a standby), which empties them, may start every count anew, and calls must not wait for a disk.
--
-- Nobody has any right on them, not even to read; the functions below are the one way, and row-level security lets their owner alone through.

-- A token bucket. One token is as many units as its span has microseconds, so that a bucket of n tokens a span gains n units a
-- microsecond: whole numbers, nothing rounded. at only goes forward.
CREATE UNLOGGED TABLE ponderal.allowance (
    key   bytea PRIMARY KEY CHECK (length(key) = 32),
    units bigint NOT NULL CHECK (units >= 0),
    at    timestamptz NOT NULL,
    -- When it is full again, so that a row which is not there says the same.
    full_at timestamptz NOT NULL
) WITH (fillfactor = 50);
CREATE INDEX allowance_full ON ponderal.allowance (full_at);

-- Attempts at one login from one address that are not known to have succeeded. told is how many of the locks were made known.
CREATE UNLOGGED TABLE ponderal.sign_in_attempt (
    key          bytea PRIMARY KEY CHECK (length(key) = 32),
    count        integer NOT NULL CHECK (count > 0),
    locks        integer NOT NULL CHECK (locks >= 0),
    told         integer NOT NULL CHECK (told BETWEEN 0 AND locks),
    locked_until timestamptz NOT NULL,
    -- When it is forgotten: a window after the last attempt, or after the lock that it brought.
    forget_at    timestamptz NOT NULL
) WITH (fillfactor = 50);
CREATE INDEX sign_in_attempt_forget ON ponderal.sign_in_attempt (forget_at);

ALTER TABLE ponderal.allowance ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.allowance FORCE ROW LEVEL SECURITY;
CREATE POLICY by_function ON ponderal.allowance TO CURRENT_USER USING (true) WITH CHECK (true);
ALTER TABLE ponderal.sign_in_attempt ENABLE ROW LEVEL SECURITY;
ALTER TABLE ponderal.sign_in_attempt FORCE ROW LEVEL SECURITY;
CREATE POLICY by_function ON ponderal.sign_in_attempt TO CURRENT_USER USING (true) WITH CHECK (true);

-- Takes up to p_want tokens from a bucket of p_capacity that gains p_calls a span, and says how many are left and, where none was there, in how many
-- microseconds one will be. A negative p_want gives tokens back. p_at is the present; NULL stands for this server's own clock, which is the
-- same for every replica. A clock that was set back refills nothing.
CREATE FUNCTION ponderal.take(p_key bytea, p_at timestamptz, p_want integer, p_capacity integer, p_calls integer, p_span_us bigint,
        OUT granted integer, OUT remaining integer, OUT wait_us bigint)
    LANGUAGE plpgsql VOLATILE SECURITY DEFINER SET search_path = ''
    AS $$
DECLARE
    v_at   timestamptz := coalesce(p_at, clock_timestamp());
    v_full bigint := p_capacity * p_span_us;
    v_row  ponderal.allowance;
BEGIN
    IF p_capacity < 1 OR p_calls < 1 OR p_span_us < 1 OR p_want > p_capacity THEN
        RAISE EXCEPTION 'a limit of nothing, or more than the bucket holds' USING ERRCODE = 'numeric_value_out_of_range';
    END IF;
    LOOP
        SELECT * INTO v_row FROM ponderal.allowance a WHERE a.key = p_key FOR UPDATE;
        EXIT WHEN FOUND;
        INSERT INTO ponderal.allowance (key, units, at, full_at) VALUES (p_key, v_full, v_at, v_at) ON CONFLICT DO NOTHING;
        -- For each new row up to two go that say nothing any more, so that there are never many of those.
        DELETE FROM ponderal.allowance d WHERE d.key IN
            (SELECT o.key FROM ponderal.allowance o WHERE o.full_at < v_at AND o.key <> p_key ORDER BY o.full_at LIMIT 2 FOR UPDATE SKIP LOCKED);
    END LOOP;
    IF v_at > v_row.at THEN
        -- More than a whole span fills it from nothing, whatever it holds.
        v_row.units := least(v_full, v_row.units + p_calls *
            least((extract(epoch FROM v_at - v_row.at) * 1000000)::bigint, p_span_us + 1));
        v_row.at := v_at;
    END IF;
    v_row.units := least(v_row.units, v_full);
    granted := least(p_want, v_row.units / p_span_us);
    v_row.units := least(v_full, v_row.units - granted * p_span_us);
    remaining := v_row.units / p_span_us;
    wait_us := CASE WHEN granted < 1 AND p_want > 0 THEN (p_span_us - v_row.units + p_calls - 1) / p_calls ELSE 0 END;
    UPDATE ponderal.allowance a SET units = v_row.units, at = v_row.at,
            full_at = v_row.at + ((v_full - v_row.units) / p_calls + 1) * interval '1 microsecond'
        WHERE a.key = p_key;
END
$$;

-- Begins an attempt to sign in, counted as failed from here on: p_pair is a login at an address, p_login and p_address each alone. It answers for
-- how many microseconds it is refused, or 0. A refused attempt counts nowhere. From p_most attempts on, each locks the pair, twice as long as
-- the one before, p_first_us at first and p_longest_us at most; the wider limits are buckets of p_wide a window.
CREATE FUNCTION ponderal.begin_attempt(p_pair bytea, p_login bytea, p_address bytea, p_at timestamptz, p_most integer, p_wide integer,
        p_window_us bigint, p_first_us bigint, p_longest_us bigint)
    RETURNS bigint
    LANGUAGE plpgsql VOLATILE SECURITY DEFINER SET search_path = ''
    AS $$
DECLARE
    v_at   timestamptz := coalesce(p_at, clock_timestamp());
    v_row  ponderal.sign_in_attempt;
    v_take record;
BEGIN
    IF p_most < 1 OR p_wide < p_most THEN
        RAISE EXCEPTION 'a limit of nothing' USING ERRCODE = 'numeric_value_out_of_range';
    END IF;
    -- Attempts at the same pair stand in a row, also where there is no row yet to hold.
    PERFORM pg_advisory_xact_lock(('x' || encode(substr(p_pair, 1, 8), 'hex'))::bit(64)::bigint);
    SELECT * INTO v_row FROM ponderal.sign_in_attempt s WHERE s.key = p_pair FOR UPDATE;
    IF NOT FOUND OR v_row.forget_at <= v_at THEN
        v_row := (p_pair, 0, 0, 0, '-infinity', v_at)::ponderal.sign_in_attempt;
    ELSIF v_row.locked_until > v_at THEN
        RETURN ceil(extract(epoch FROM v_row.locked_until - v_at) * 1000000);
    END IF;
    SELECT * INTO v_take FROM ponderal.take(p_login, v_at, 1, p_wide, p_wide, p_window_us);
    IF v_take.granted < 1 THEN
        RETURN v_take.wait_us;
    END IF;
    SELECT * INTO v_take FROM ponderal.take(p_address, v_at, 1, p_wide, p_wide, p_window_us);
    IF v_take.granted < 1 THEN
        PERFORM ponderal.take(p_login, v_at, -1, p_wide, p_wide, p_window_us);
        RETURN v_take.wait_us;
    END IF;
    v_row.count := v_row.count + 1;
    v_row.forget_at := greatest(v_row.forget_at, v_at + p_window_us * interval '1 microsecond');
    IF v_row.count >= p_most THEN
        v_row.locks := v_row.locks + 1;
        v_row.locked_until := v_at + least(p_longest_us, p_first_us * 2::bigint ^ least(v_row.locks - 1, 20)) * interval '1 microsecond';
        v_row.forget_at := v_row.locked_until + p_window_us * interval '1 microsecond';
    END IF;
    INSERT INTO ponderal.sign_in_attempt AS s VALUES (v_row.key, v_row.count, v_row.locks, v_row.told, v_row.locked_until, v_row.forget_at)
        ON CONFLICT (key) DO UPDATE SET count = excluded.count, locks = excluded.locks, told = excluded.told,
            locked_until = excluded.locked_until, forget_at = excluded.forget_at;
    DELETE FROM ponderal.sign_in_attempt d WHERE d.key IN
        (SELECT o.key FROM ponderal.sign_in_attempt o WHERE o.forget_at < v_at AND o.key <> p_pair ORDER BY o.forget_at LIMIT 2 FOR UPDATE SKIP LOCKED);
    RETURN 0;
END
$$;

-- Ends an attempt that was begun. A success forgets the pair's attempts and gives back what it took of the wider limits. For a failure
-- it answers whether a lock came about that was not made known yet, once for each lock.
CREATE FUNCTION ponderal.end_attempt(p_pair bytea, p_login bytea, p_address bytea, p_at timestamptz, p_succeeded boolean, p_wide integer,
        p_window_us bigint)
    RETURNS boolean
    LANGUAGE plpgsql VOLATILE SECURITY DEFINER SET search_path = ''
    AS $$
BEGIN
    PERFORM pg_advisory_xact_lock(('x' || encode(substr(p_pair, 1, 8), 'hex'))::bit(64)::bigint);
    IF NOT p_succeeded THEN
        UPDATE ponderal.sign_in_attempt s SET told = s.locks WHERE s.key = p_pair AND s.told < s.locks;
        RETURN FOUND;
    END IF;
    DELETE FROM ponderal.sign_in_attempt s WHERE s.key = p_pair;
    PERFORM ponderal.take(p_login, p_at, -1, p_wide, p_wide, p_window_us);
    PERFORM ponderal.take(p_address, p_at, -1, p_wide, p_wide, p_window_us);
    RETURN false;
END
$$;

REVOKE ALL ON FUNCTION ponderal.take(bytea, timestamptz, integer, integer, integer, bigint),
    ponderal.begin_attempt(bytea, bytea, bytea, timestamptz, integer, integer, bigint, bigint, bigint),
    ponderal.end_attempt(bytea, bytea, bytea, timestamptz, boolean, integer, bigint) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION ponderal.take(bytea, timestamptz, integer, integer, integer, bigint),
    ponderal.begin_attempt(bytea, bytea, bytea, timestamptz, integer, integer, bigint, bigint, bigint),
    ponderal.end_attempt(bytea, bytea, bytea, timestamptz, boolean, integer, bigint) TO ponderal_service;
