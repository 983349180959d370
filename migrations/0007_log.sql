-- The evidence log: what the sequencer makes of the entries that wait.

-- One row a log. One is open; a log that was closed stays, so that its receipts can still be made.
CREATE TABLE logs (
    number smallint CONSTRAINT logs_pkey PRIMARY KEY CONSTRAINT logs_number CHECK (number > 0),
    origin text NOT NULL CONSTRAINT logs_origin_once UNIQUE,
    size bigint NOT NULL CONSTRAINT logs_size CHECK (size >= 0),
    root bytea NOT NULL CONSTRAINT logs_root CHECK (octet_length(root) = 32),
    -- The signed checkpoint of this size and root.
    note text NOT NULL,
    closed boolean NOT NULL
);
CREATE UNIQUE INDEX logs_one_open ON logs (closed) WHERE NOT closed;

-- The newest checkpoint that was archived outside this database, with the cosignatures that came in
-- time: what is served.
CREATE TABLE log_published (
    log smallint CONSTRAINT log_published_pkey PRIMARY KEY CONSTRAINT log_published_log REFERENCES logs,
    size bigint NOT NULL CONSTRAINT log_published_size CHECK (size >= 0),
    note text NOT NULL
);

CREATE FUNCTION refuse_shrinking() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.size < OLD.size THEN
        RAISE EXCEPTION '% never shrinks', TG_TABLE_NAME
            USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = TG_NAME;
    END IF;
    RETURN NEW;
END
$$;
CREATE TRIGGER logs_only_grow BEFORE UPDATE ON logs FOR EACH ROW EXECUTE FUNCTION refuse_shrinking();
CREATE TRIGGER log_published_only_grows BEFORE UPDATE ON log_published
    FOR EACH ROW EXECUTE FUNCTION refuse_shrinking();

-- Which entry has which index.
CREATE TABLE log_leaves (
    log smallint NOT NULL CONSTRAINT log_leaves_log REFERENCES logs,
    index bigint NOT NULL CONSTRAINT log_leaves_index CHECK (index >= 0),
    entry_id uuid NOT NULL CONSTRAINT log_leaves_entry REFERENCES log_entries
        CONSTRAINT log_leaves_entry_once UNIQUE,
    CONSTRAINT log_leaves_pkey PRIMARY KEY (log, index)
);
CREATE TRIGGER log_leaves_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON log_leaves
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

-- The hashes of the tree, 256 in a row; the last row of a level fills up.
CREATE TABLE log_tiles (
    log smallint NOT NULL CONSTRAINT log_tiles_log REFERENCES logs,
    level smallint NOT NULL CONSTRAINT log_tiles_level CHECK (level BETWEEN 0 AND 63),
    index bigint NOT NULL CONSTRAINT log_tiles_index CHECK (index >= 0),
    hashes bytea NOT NULL
        CONSTRAINT log_tiles_hashes CHECK (octet_length(hashes) BETWEEN 32 AND 8192
                                           AND octet_length(hashes) % 32 = 0),
    CONSTRAINT log_tiles_pkey PRIMARY KEY (log, level, index)
);
CREATE FUNCTION refuse_other_hashes() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF substring(NEW.hashes FROM 1 FOR octet_length(OLD.hashes)) <> OLD.hashes THEN
        RAISE EXCEPTION 'hashes are added to a tile and never changed'
            USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'log_tiles_only_grow';
    END IF;
    RETURN NEW;
END
$$;
CREATE TRIGGER log_tiles_only_grow BEFORE UPDATE ON log_tiles
    FOR EACH ROW EXECUTE FUNCTION refuse_other_hashes();

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
CREATE TRIGGER log_pending_none_lost AFTER DELETE ON log_pending
    REFERENCING OLD TABLE AS gone FOR EACH STATEMENT EXECUTE FUNCTION refuse_losing_entries();

-- Entries that came back from a mirror after a restored backup had lost them, and whose rows did not.
CREATE TABLE log_recovered (
    entry_id uuid CONSTRAINT log_recovered_pkey PRIMARY KEY
        CONSTRAINT log_recovered_entry REFERENCES log_entries
);

GRANT SELECT, INSERT ON logs, log_leaves TO wardbook_service;
GRANT UPDATE (size, root, note) ON logs TO wardbook_service;
GRANT SELECT, INSERT, UPDATE ON log_published, log_tiles TO wardbook_service;
GRANT SELECT, DELETE ON log_pending TO wardbook_service;
GRANT SELECT ON log_recovered TO wardbook_service;

-- Auditors read the entries of the log.
ALTER TABLE organisations DROP CONSTRAINT organisations_kind;
ALTER TABLE organisations ADD CONSTRAINT organisations_kind
    CHECK (kind IN ('supplier', 'dealer', 'owner', 'agent', 'builder', 'auditor'));
