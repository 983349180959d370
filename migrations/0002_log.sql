-- Evidence log: the entries, and what the sequencer makes of those that wait.

CREATE TABLE log_entries (
    id uuid CONSTRAINT log_entries_pkey PRIMARY KEY,
    kind text NOT NULL CONSTRAINT log_entries_kind CHECK (kind IN ('decision', 'change')),
    registration_id uuid,
    body bytea NOT NULL CONSTRAINT log_entries_body_length CHECK (octet_length(body) BETWEEN 1 AND 65535),
    recorded_at timestamptz NOT NULL
);
CREATE INDEX log_entries_by_registration ON log_entries (registration_id);
COMMENT ON TABLE log_entries IS 'One row an entry of the log.';
COMMENT ON COLUMN log_entries.registration_id IS
    'As the body says; it need not be in the register: a restored backup may have lost it.';
COMMENT ON COLUMN log_entries.body IS 'The bytes that are hashed, exactly as they were written.';
CREATE TRIGGER log_entries_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON log_entries
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

-- The database itself queues each entry: none can be written without its pending row.
CREATE FUNCTION queue_entry() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    INSERT INTO log_pending (entry_id) VALUES (NEW.id);
    RETURN NULL;
END
$$;

CREATE TABLE log_pending (
    position bigint GENERATED ALWAYS AS IDENTITY CONSTRAINT log_pending_pkey PRIMARY KEY,
    entry_id uuid NOT NULL CONSTRAINT log_pending_entry_once UNIQUE
        CONSTRAINT log_pending_entry REFERENCES log_entries
);
COMMENT ON TABLE log_pending IS
    'Entries without an index. The sequencer takes the lowest positions away and gives out dense indexes.';
COMMENT ON COLUMN log_pending.position IS 'Not an index: a lower one may be committed later.';
CREATE TRIGGER log_entries_queued AFTER INSERT ON log_entries
    FOR EACH ROW EXECUTE FUNCTION queue_entry();

CREATE TABLE disclosures (
    entry_id uuid NOT NULL CONSTRAINT disclosures_entry REFERENCES log_entries,
    name text NOT NULL,
    disclosure text NOT NULL,
    about uuid,
    CONSTRAINT disclosures_pkey PRIMARY KEY (entry_id, name)
);
COMMENT ON TABLE disclosures IS
    'What an entry commits to. Deleting a row erases the datum and leaves the entry as it is.';
COMMENT ON COLUMN disclosures.name IS 'The field of the entry.';
COMMENT ON COLUMN disclosures.disclosure IS 'Salt, name and value in the disclosure form of SD-JWT (RFC 9901).';
COMMENT ON COLUMN disclosures.about IS 'Whom or what it is about, where its value is an id.';
CREATE INDEX disclosures_by_about ON disclosures (about) WHERE about IS NOT NULL;

CREATE TABLE erased_disclosures (
    entry_id uuid NOT NULL CONSTRAINT erased_disclosures_entry REFERENCES log_entries,
    commitment text NOT NULL,
    CONSTRAINT erased_disclosures_pkey PRIMARY KEY (entry_id, commitment)
);
COMMENT ON TABLE erased_disclosures IS
    'Commitments whose disclosures went with a person. Each erasure says in its entry how many they were.';
CREATE TRIGGER erased_disclosures_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON erased_disclosures
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

CREATE FUNCTION refuse_shrinking() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.size < OLD.size THEN
        RAISE EXCEPTION '% never shrinks', TG_TABLE_NAME
            USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = TG_NAME;
    END IF;
    RETURN NEW;
END
$$;

CREATE TABLE logs (
    number smallint CONSTRAINT logs_pkey PRIMARY KEY CONSTRAINT logs_number CHECK (number > 0),
    origin text NOT NULL CONSTRAINT logs_origin_once UNIQUE,
    size bigint NOT NULL CONSTRAINT logs_size CHECK (size >= 0),
    root bytea NOT NULL CONSTRAINT logs_root CHECK (octet_length(root) = 32),
    note text NOT NULL,
    closed boolean NOT NULL
);
COMMENT ON TABLE logs IS
    'One row a log. One is open; a log that was closed stays, so that its receipts can still be made.';
COMMENT ON COLUMN logs.origin IS 'The name in its checkpoints.';
COMMENT ON COLUMN logs.root IS 'The hash of the tree of this size (RFC 9162).';
COMMENT ON COLUMN logs.note IS 'The signed checkpoint of this size and root.';
CREATE UNIQUE INDEX logs_one_open ON logs (closed) WHERE NOT closed;
CREATE TRIGGER logs_only_grow BEFORE UPDATE ON logs FOR EACH ROW EXECUTE FUNCTION refuse_shrinking();

CREATE TABLE log_published (
    log smallint CONSTRAINT log_published_pkey PRIMARY KEY CONSTRAINT log_published_log REFERENCES logs,
    size bigint NOT NULL CONSTRAINT log_published_size CHECK (size >= 0),
    note text NOT NULL
);
COMMENT ON TABLE log_published IS
    'What is served: the newest checkpoint that is archived outside, with the cosignatures that came in time.';
COMMENT ON COLUMN log_published.note IS 'The checkpoint with its signatures.';
CREATE TRIGGER log_published_only_grows BEFORE UPDATE ON log_published
    FOR EACH ROW EXECUTE FUNCTION refuse_shrinking();

-- An entry leaves the queue with its index, and in no other way.
CREATE FUNCTION refuse_losing_entries() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM gone LEFT JOIN log_leaves USING (entry_id) WHERE log_leaves.entry_id IS NULL) THEN
        RAISE EXCEPTION 'an entry has no index yet'
            USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'log_pending_none_lost';
    END IF;
    RETURN NULL;
END
$$;

CREATE TABLE log_leaves (
    log smallint NOT NULL CONSTRAINT log_leaves_log REFERENCES logs,
    index bigint NOT NULL CONSTRAINT log_leaves_index CHECK (index >= 0),
    entry_id uuid NOT NULL CONSTRAINT log_leaves_entry REFERENCES log_entries
        CONSTRAINT log_leaves_entry_once UNIQUE,
    CONSTRAINT log_leaves_pkey PRIMARY KEY (log, index)
);
COMMENT ON TABLE log_leaves IS 'Which entry has which index.';
CREATE TRIGGER log_leaves_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON log_leaves
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
CREATE TRIGGER log_pending_none_lost AFTER DELETE ON log_pending
    REFERENCING OLD TABLE AS gone FOR EACH STATEMENT EXECUTE FUNCTION refuse_losing_entries();

CREATE FUNCTION refuse_other_hashes() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF substring(NEW.hashes FROM 1 FOR octet_length(OLD.hashes)) <> OLD.hashes THEN
        RAISE EXCEPTION 'hashes are added to a tile and never changed'
            USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'log_tiles_only_grow';
    END IF;
    RETURN NEW;
END
$$;

CREATE TABLE log_tiles (
    log smallint NOT NULL CONSTRAINT log_tiles_log REFERENCES logs,
    level smallint NOT NULL CONSTRAINT log_tiles_level CHECK (level BETWEEN 0 AND 63),
    index bigint NOT NULL CONSTRAINT log_tiles_index CHECK (index >= 0),
    hashes bytea NOT NULL
        CONSTRAINT log_tiles_hashes CHECK (octet_length(hashes) BETWEEN 32 AND 8192
                                           AND octet_length(hashes) % 32 = 0),
    CONSTRAINT log_tiles_pkey PRIMARY KEY (log, level, index)
);
COMMENT ON TABLE log_tiles IS 'The hashes of the tree, 256 in a row; the last row of a level fills up.';
COMMENT ON COLUMN log_tiles.level IS '0 is next to the entries; each level above hashes 256 of the one below.';
COMMENT ON COLUMN log_tiles.hashes IS '32 bytes each, in order.';
CREATE TRIGGER log_tiles_only_grow BEFORE UPDATE ON log_tiles
    FOR EACH ROW EXECUTE FUNCTION refuse_other_hashes();

CREATE TABLE log_recovered (
    entry_id uuid CONSTRAINT log_recovered_pkey PRIMARY KEY
        CONSTRAINT log_recovered_entry REFERENCES log_entries
);
COMMENT ON TABLE log_recovered IS
    'Entries that came back from a mirror after a restored backup had lost them, and whose rows did not.';

-- Read and added to, never changed.
GRANT SELECT, INSERT ON log_entries, erased_disclosures, logs, log_leaves TO wardbook_service;
GRANT SELECT, DELETE ON log_pending TO wardbook_service;
-- Deleting a disclosure is how a person's data is erased.
GRANT SELECT, INSERT, DELETE ON disclosures TO wardbook_service;
GRANT SELECT, INSERT, UPDATE ON log_published, log_tiles TO wardbook_service;
GRANT SELECT ON log_recovered TO wardbook_service;
GRANT UPDATE (size, root, note) ON logs TO wardbook_service;
