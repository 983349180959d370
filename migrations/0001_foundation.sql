-- Foundation: the service role, what queries say in one word, the versions of rows, whoever acts.

-- Roles belong to the cluster, not to the database: several databases may be migrated at once.
DO $$
BEGIN
    CREATE ROLE wardbook_service NOLOGIN;
EXCEPTION
    WHEN duplicate_object OR unique_violation THEN NULL;
END
$$;

-- Ranges of plain values beside uuids in one exclusion constraint.
CREATE EXTENSION IF NOT EXISTS btree_gist;

-- What queries say in one word. The planner puts the expression in their place. Each has its twin in the
-- domain (Period::covers, KeyState::exists, is_missing and opens, RequestState::is_open), which a test compares.
CREATE FUNCTION in_force(first_day date, last_day date, revoked_at timestamptz, day date) RETURNS boolean
    LANGUAGE sql IMMUTABLE PARALLEL SAFE
    RETURN revoked_at IS NULL AND first_day <= day AND (last_day IS NULL OR last_day >= day);
CREATE FUNCTION key_exists(state text) RETURNS boolean LANGUAGE sql IMMUTABLE PARALLEL SAFE
    RETURN state IN ('in_store', 'with_person', 'returned');
CREATE FUNCTION key_is_missing(state text) RETURNS boolean LANGUAGE sql IMMUTABLE PARALLEL SAFE
    RETURN state IN ('lost', 'stolen');
CREATE FUNCTION key_opens(state text) RETURNS boolean LANGUAGE sql IMMUTABLE PARALLEL SAFE
    RETURN state IN ('in_store', 'with_person', 'returned', 'lost', 'stolen');
CREATE FUNCTION request_is_open(state text) RETURNS boolean LANGUAGE sql IMMUTABLE PARALLEL SAFE
    RETURN state IN ('waiting', 'authorised');

-- Two ids as one value, for exclusion constraints. The planner takes their GiST indexes to be cheaper than
-- the B-trees beside them, and reads hundreds of pages in a large table; over this value they answer no
-- look-up by one of the ids.
CREATE FUNCTION id_pair(uuid, uuid) RETURNS bytea LANGUAGE sql IMMUTABLE STRICT PARALLEL SAFE
    RETURN uuid_send($1) || uuid_send($2);

GRANT USAGE ON SCHEMA public TO wardbook_service;

-- Arguments of the trigger: columns that are not kept (secrets, and what is tried at a counter).
-- It runs as its owner: the service role itself has no right to write here.
CREATE FUNCTION keep_history() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    content jsonb := to_jsonb(NEW) - coalesce(TG_ARGV, '{}');
    place bigint;
BEGIN
    -- Nothing of what is kept has changed.
    IF TG_OP = 'UPDATE' AND content - 'changed_at' = to_jsonb(OLD) - coalesce(TG_ARGV, '{}') - 'changed_at' THEN
        RETURN NULL;
    END IF;
    INSERT INTO history (subject, subject_id, registration_id, at, content)
    VALUES (
        TG_TABLE_NAME,
        (content ->> 'id')::uuid,
        CASE WHEN TG_TABLE_NAME = 'registrations' THEN (content ->> 'id')::uuid
             ELSE (content ->> 'registration_id')::uuid END,
        NEW.changed_at,
        content
    ) RETURNING position INTO place;
    -- From where the act finds what it wrote, until its transaction ends.
    IF coalesce(current_setting('wardbook.first_version', true), '') = '' THEN
        PERFORM set_config('wardbook.first_version', place::text, true);
    END IF;
    RETURN NULL;
END
$$;

CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is evidence: rows are added and never changed', TG_TABLE_NAME
        USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = TG_TABLE_NAME || '_only_grows';
END
$$;

CREATE TABLE history (
    position bigint GENERATED ALWAYS AS IDENTITY CONSTRAINT history_pkey PRIMARY KEY,
    subject text NOT NULL,
    subject_id uuid NOT NULL,
    registration_id uuid,
    at timestamptz NOT NULL,
    content jsonb NOT NULL,
    act xid8 NOT NULL DEFAULT pg_current_xact_id()
);
COMMENT ON TABLE history IS
    'Every version of every row that can change, by trigger. As it stood at an instant: its newest until then.';
COMMENT ON COLUMN history.subject IS 'The table.';
COMMENT ON COLUMN history.subject_id IS 'The id of the row.';
COMMENT ON COLUMN history.registration_id IS
    'Whose history it is part of; absent where the row belongs to no registration.';
COMMENT ON COLUMN history.at IS 'When it was changed to this.';
COMMENT ON COLUMN history.act IS 'The transaction that wrote it.';
COMMENT ON COLUMN history.content IS 'The row, without columns that are secret.';
CREATE INDEX history_by_registration ON history (registration_id, subject, subject_id, at);
CREATE INDEX history_by_subject ON history (subject_id, at) WHERE registration_id IS NULL;

CREATE TABLE actors (
    id uuid CONSTRAINT actors_pkey PRIMARY KEY,
    kind text NOT NULL CONSTRAINT actors_kind CHECK (kind IN ('person', 'program', 'system')),
    CONSTRAINT actors_id_kind UNIQUE (id, kind)
);
COMMENT ON TABLE actors IS
    'Whoever can do something: the one thing that columns named after a deed point at (made_by, given_by).';

CREATE TABLE idempotency_keys (
    actor_id uuid NOT NULL CONSTRAINT idempotency_keys_actor REFERENCES actors,
    key text NOT NULL CONSTRAINT idempotency_keys_key CHECK (char_length(key) BETWEEN 1 AND 255),
    request_hash bytea NOT NULL CONSTRAINT idempotency_keys_hash CHECK (octet_length(request_hash) = 32),
    reply jsonb,
    created_at timestamptz NOT NULL,
    CONSTRAINT idempotency_keys_pkey PRIMARY KEY (actor_id, key)
);
COMMENT ON TABLE idempotency_keys IS
    'A request sent again: the caller, the key and the body of the first one, and what was replied.';
COMMENT ON COLUMN idempotency_keys.key IS 'What the caller sent as Idempotency-Key.';
COMMENT ON COLUMN idempotency_keys.request_hash IS 'SHA-256 of method, path and body, without secrets.';
COMMENT ON COLUMN idempotency_keys.reply IS 'Absent while the first attempt is under way.';
CREATE INDEX idempotency_keys_by_age ON idempotency_keys (created_at);

-- The service itself, for what happens by the passing of time.
INSERT INTO actors (id, kind) VALUES ('00000000-0000-0000-0000-000000000000', 'system');

-- The service says at its start which migrations are missing; the table is there when they are run by the
-- program.
DO $$
BEGIN
    IF to_regclass('_sqlx_migrations') IS NOT NULL THEN
        GRANT SELECT ON _sqlx_migrations TO wardbook_service;
    END IF;
END
$$;

GRANT SELECT ON history TO wardbook_service;
GRANT SELECT, INSERT ON actors TO wardbook_service;
-- Old replies are swept away.
GRANT SELECT, INSERT, UPDATE, DELETE ON idempotency_keys TO wardbook_service;
