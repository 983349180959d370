-- The service role, the history of rows, and the evidence.

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

-- Every version of every row that can change, written by trigger: a row as it stood at an instant
-- is its newest version at or before that instant.
CREATE TABLE history (
    position bigint GENERATED ALWAYS AS IDENTITY CONSTRAINT history_pkey PRIMARY KEY,
    subject text NOT NULL,
    subject_id uuid NOT NULL,
    registration_id uuid,
    at timestamptz NOT NULL,
    content jsonb NOT NULL
);
CREATE INDEX history_by_registration ON history (registration_id, subject, subject_id, at);
CREATE INDEX history_by_subject ON history (subject_id, at) WHERE registration_id IS NULL;

-- Arguments of the trigger: columns that must not be kept (secrets).
-- It runs as its owner: the service role itself has no right to write here.
CREATE FUNCTION keep_history() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    content jsonb := to_jsonb(NEW) - coalesce(TG_ARGV, '{}');
BEGIN
    INSERT INTO history (subject, subject_id, registration_id, at, content)
    VALUES (
        TG_TABLE_NAME,
        (content ->> 'id')::uuid,
        CASE WHEN TG_TABLE_NAME = 'registrations' THEN (content ->> 'id')::uuid
             ELSE (content ->> 'registration_id')::uuid END,
        NEW.changed_at,
        content
    );
    RETURN NULL;
END
$$;

CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is evidence: rows are added and never changed', TG_TABLE_NAME
        USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = TG_TABLE_NAME || '_only_grows';
END
$$;

-- One row an entry: the bytes that are hashed, exactly as they were written.
CREATE TABLE log_entries (
    id uuid CONSTRAINT log_entries_pkey PRIMARY KEY,
    kind text NOT NULL CONSTRAINT log_entries_kind CHECK (kind IN ('decision', 'change')),
    body bytea NOT NULL CONSTRAINT log_entries_body_length CHECK (octet_length(body) BETWEEN 1 AND 65535),
    recorded_at timestamptz NOT NULL
);

-- Entries that have no index in the log yet. The sequencer deletes the lowest positions and gives
-- out dense indexes; the position itself is not an index, and lower positions may commit later.
CREATE TABLE log_pending (
    position bigint GENERATED ALWAYS AS IDENTITY CONSTRAINT log_pending_pkey PRIMARY KEY,
    entry_id uuid NOT NULL CONSTRAINT log_pending_entry_once UNIQUE
        CONSTRAINT log_pending_entry REFERENCES log_entries
);

-- The database itself queues each entry: none can be written without its pending row.
CREATE FUNCTION queue_entry() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    INSERT INTO log_pending (entry_id) VALUES (NEW.id);
    RETURN NULL;
END
$$;
CREATE TRIGGER log_entries_queued AFTER INSERT ON log_entries
    FOR EACH ROW EXECUTE FUNCTION queue_entry();
CREATE TRIGGER log_entries_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON log_entries
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

-- What an entry commits to, in the SD-JWT disclosure form. Deleting a row erases the datum and
-- leaves the entry as it is.
CREATE TABLE disclosures (
    entry_id uuid NOT NULL CONSTRAINT disclosures_entry REFERENCES log_entries,
    name text NOT NULL,
    disclosure text NOT NULL,
    CONSTRAINT disclosures_pkey PRIMARY KEY (entry_id, name)
);
