-- What follows the loss of a key: a hold on its differ, a decision, and a rekey carried out lock by lock.

ALTER TABLE losses
    ADD COLUMN happened_on date,
    ADD COLUMN place text CONSTRAINT losses_place CHECK (char_length(place) BETWEEN 1 AND 200),
    ADD COLUMN decision text CONSTRAINT losses_decision CHECK (decision IN ('keep', 'rekey')),
    ADD COLUMN decision_reason text
        CONSTRAINT losses_decision_reason CHECK (char_length(decision_reason) BETWEEN 1 AND 500),
    ADD COLUMN decided_by uuid CONSTRAINT losses_decided_by REFERENCES people,
    ADD COLUMN decided_at timestamptz,
    ADD CONSTRAINT losses_decided CHECK (
        num_nonnulls(decision, decision_reason, decided_by, decided_at) IN (0, 4));

-- A hold on one differ stops copies of that one alone.
ALTER TABLE holds
    ADD COLUMN differ_id uuid,
    ADD COLUMN loss_id uuid CONSTRAINT holds_loss REFERENCES losses,
    ADD CONSTRAINT holds_differ FOREIGN KEY (differ_id, registration_id) REFERENCES differs (id, registration_id),
    ADD CONSTRAINT holds_differ_and_person CHECK (differ_id IS NULL OR barred_person_id IS NULL),
    ADD CONSTRAINT holds_loss_of_differ CHECK (loss_id IS NULL OR differ_id IS NOT NULL);

-- What the supplier asks for, each section by itself.
CREATE TABLE price_lists (
    section_id uuid NOT NULL CONSTRAINT price_lists_section REFERENCES sections,
    version integer NOT NULL CONSTRAINT price_lists_version CHECK (version >= 1),
    prices jsonb NOT NULL,
    made_by uuid NOT NULL CONSTRAINT price_lists_made_by REFERENCES actors,
    made_at timestamptz NOT NULL,
    CONSTRAINT price_lists_pkey PRIMARY KEY (section_id, version)
);
CREATE TRIGGER price_lists_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON price_lists
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

CREATE TABLE rekeys (
    id uuid CONSTRAINT rekeys_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT rekeys_registration REFERENCES registrations,
    loss_id uuid CONSTRAINT rekeys_loss REFERENCES losses,
    reason text NOT NULL CONSTRAINT rekeys_reason CHECK (char_length(reason) BETWEEN 1 AND 500),
    state text NOT NULL CONSTRAINT rekeys_state CHECK (state IN ('under_way', 'done', 'stopped')),
    -- The plan as it was when it was begun, with its cost.
    plan jsonb NOT NULL,
    begun_by uuid NOT NULL CONSTRAINT rekeys_begun_by REFERENCES actors,
    begun_at timestamptz NOT NULL,
    ended_at timestamptz,
    changed_at timestamptz NOT NULL,
    CONSTRAINT rekeys_ended CHECK ((state = 'under_way') = (ended_at IS NULL)),
    CONSTRAINT rekeys_id_registration UNIQUE (id, registration_id)
);
CREATE INDEX rekeys_by_registration ON rekeys (registration_id, id);
CREATE TRIGGER rekeys_history AFTER INSERT OR UPDATE ON rekeys FOR EACH ROW EXECUTE FUNCTION keep_history();

-- Which differ takes the place of which.
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

CREATE TABLE rekey_locks (
    id uuid CONSTRAINT rekey_locks_pkey PRIMARY KEY,
    rekey_id uuid NOT NULL,
    registration_id uuid NOT NULL,
    lock_id uuid NOT NULL,
    -- The differ that the keys of its pack are cut to; levers without keys, when absent.
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
CREATE TRIGGER rekey_locks_history AFTER INSERT OR UPDATE ON rekey_locks
    FOR EACH ROW EXECUTE FUNCTION keep_history();

-- What a person is told, and sees when they ask.
CREATE TABLE notices (
    id uuid CONSTRAINT notices_pkey PRIMARY KEY,
    person_id uuid NOT NULL CONSTRAINT notices_person REFERENCES people,
    kind text NOT NULL CONSTRAINT notices_kind CHECK (kind IN ('key_dead', 'rekey_begun', 'audit_opened')),
    registration_id uuid NOT NULL CONSTRAINT notices_registration REFERENCES registrations,
    subject_id uuid NOT NULL,
    made_at timestamptz NOT NULL,
    read_at timestamptz CONSTRAINT notices_read_after CHECK (read_at >= made_at)
);
CREATE INDEX notices_by_person ON notices (person_id, id);

-- An answering ends by a plan, and a differ may have its locks in the plots of a site.
ALTER TABLE answers
    ADD COLUMN differ_registration_id uuid NOT NULL,
    DROP CONSTRAINT answers_differ,
    ADD CONSTRAINT answers_differ FOREIGN KEY (differ_id, differ_registration_id)
        REFERENCES differs (id, registration_id);

GRANT SELECT, INSERT ON price_lists, rekey_differs TO wardbook_service;
GRANT SELECT, INSERT, UPDATE ON rekeys, rekey_locks TO wardbook_service;
GRANT SELECT, INSERT, DELETE ON notices TO wardbook_service;
GRANT UPDATE (read_at) ON notices TO wardbook_service;
