-- Rekeys: what they cost, and how they are carried out lock by lock.

CREATE TABLE price_lists (
    section_id uuid NOT NULL CONSTRAINT price_lists_section REFERENCES sections,
    version integer NOT NULL CONSTRAINT price_lists_version CHECK (version >= 1),
    prices jsonb NOT NULL,
    made_by uuid NOT NULL CONSTRAINT price_lists_made_by REFERENCES actors,
    made_at timestamptz NOT NULL,
    CONSTRAINT price_lists_pkey PRIMARY KEY (section_id, version)
);
COMMENT ON TABLE price_lists IS 'What the supplier asks for, each section by itself. The newest version counts.';
COMMENT ON COLUMN price_lists.prices IS 'In the smallest unit of one currency.';
CREATE TRIGGER price_lists_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON price_lists
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

CREATE TABLE rekeys (
    id uuid CONSTRAINT rekeys_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT rekeys_registration REFERENCES registrations,
    loss_id uuid CONSTRAINT rekeys_loss REFERENCES losses,
    reason text NOT NULL CONSTRAINT rekeys_reason CHECK (char_length(reason) BETWEEN 1 AND 500),
    state text NOT NULL CONSTRAINT rekeys_state CHECK (state IN ('under_way', 'done', 'stopped')),
    plan jsonb NOT NULL,
    begun_by uuid NOT NULL CONSTRAINT rekeys_begun_by REFERENCES actors,
    begun_at timestamptz NOT NULL,
    ended_at timestamptz,
    changed_at timestamptz NOT NULL,
    CONSTRAINT rekeys_ended CHECK ((state = 'under_way') = (ended_at IS NULL)),
    CONSTRAINT rekeys_id_registration UNIQUE (id, registration_id)
);
COMMENT ON TABLE rekeys IS 'Levers of locks are changed, after a loss or for another reason.';
COMMENT ON COLUMN rekeys.plan IS 'As it was when it was begun, with its cost.';
CREATE INDEX rekeys_by_registration ON rekeys (registration_id, id);
CREATE TRIGGER rekeys_history AFTER INSERT OR UPDATE ON rekeys FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE rekey_differs (
    rekey_id uuid NOT NULL,
    registration_id uuid NOT NULL,
    old_differ_id uuid NOT NULL,
    new_differ_id uuid NOT NULL CONSTRAINT rekey_differs_new_once UNIQUE,
    CONSTRAINT rekey_differs_pkey PRIMARY KEY (rekey_id, old_differ_id),
    CONSTRAINT rekey_differs_rekey FOREIGN KEY (rekey_id, registration_id) REFERENCES rekeys (id, registration_id),
    CONSTRAINT rekey_differs_old FOREIGN KEY (old_differ_id, registration_id)
        REFERENCES differs (id, registration_id),
    CONSTRAINT rekey_differs_new FOREIGN KEY (new_differ_id, registration_id)
        REFERENCES differs (id, registration_id),
    CONSTRAINT rekey_differs_two CHECK (old_differ_id <> new_differ_id)
);
COMMENT ON TABLE rekey_differs IS 'Which differ takes the place of which.';

CREATE TABLE rekey_locks (
    id uuid CONSTRAINT rekey_locks_pkey PRIMARY KEY,
    rekey_id uuid NOT NULL,
    registration_id uuid NOT NULL,
    lock_id uuid NOT NULL,
    keys_for uuid,
    fitted_at timestamptz,
    fitted_by uuid CONSTRAINT rekey_locks_fitted_by REFERENCES people,
    lever_pack_id uuid CONSTRAINT rekey_locks_pack REFERENCES lever_packs,
    old_keys_collected integer CONSTRAINT rekey_locks_old_keys CHECK (old_keys_collected >= 0),
    changed_at timestamptz NOT NULL,
    CONSTRAINT rekey_locks_once UNIQUE (rekey_id, lock_id),
    CONSTRAINT rekey_locks_rekey FOREIGN KEY (rekey_id, registration_id) REFERENCES rekeys (id, registration_id),
    CONSTRAINT rekey_locks_lock FOREIGN KEY (lock_id, registration_id) REFERENCES locks (id, registration_id),
    CONSTRAINT rekey_locks_keys_for FOREIGN KEY (keys_for, registration_id)
        REFERENCES differs (id, registration_id),
    CONSTRAINT rekey_locks_fitted CHECK (
        num_nonnulls(fitted_at, fitted_by, lever_pack_id, old_keys_collected) IN (0, 4))
);
COMMENT ON TABLE rekey_locks IS 'The locks of a rekey, each with what was done to it.';
COMMENT ON COLUMN rekey_locks.keys_for IS
    'The differ that the keys of its pack are cut to; absent: levers without keys.';
COMMENT ON COLUMN rekey_locks.old_keys_collected IS 'How many keys of the old differ were taken back at the door.';
CREATE INDEX rekey_locks_by_registration ON rekey_locks (registration_id);
CREATE TRIGGER rekey_locks_history AFTER INSERT OR UPDATE ON rekey_locks
    FOR EACH ROW EXECUTE FUNCTION keep_history();

GRANT SELECT, INSERT ON price_lists, rekey_differs TO wardbook_service;
GRANT SELECT, INSERT, UPDATE ON rekeys, rekey_locks TO wardbook_service;
