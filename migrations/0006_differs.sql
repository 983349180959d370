-- Differs: which combinations a section has, which are taken, and which lock answers to which.

CREATE TABLE differs (
    id uuid CONSTRAINT differs_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT differs_registration REFERENCES registrations,
    section_id uuid NOT NULL CONSTRAINT differs_section REFERENCES sections,
    number text NOT NULL CONSTRAINT differs_number CHECK (number ~ '^[A-Z0-9][A-Z0-9-]{0,19}$'),
    level text NOT NULL CONSTRAINT differs_level CHECK (level IN ('lock', 'suite', 'building', 'everything')),
    state text NOT NULL CONSTRAINT differs_state
        CHECK (state IN ('reserved', 'given_out', 'dead', 'released')),
    allotted_at timestamptz,
    changed_at timestamptz NOT NULL,
    CONSTRAINT differs_number_once UNIQUE (section_id, number),
    CONSTRAINT differs_id_registration UNIQUE (id, registration_id),
    CONSTRAINT differs_id_section UNIQUE (id, section_id)
);
COMMENT ON TABLE differs IS 'Differs: combinations of lever heights, named by a number that reveals nothing of them.';
COMMENT ON COLUMN differs.level IS 'What it opens: one lock, a suite, a building, everything.';
COMMENT ON COLUMN differs.state IS
    'Reserved: nobody orders keys of it. Dead: no lock answers to it any more. Released: never cut, and free again.';
COMMENT ON COLUMN differs.allotted_at IS 'When the register drew it; absent where it was recorded from elsewhere.';
CREATE INDEX differs_by_registration ON differs (registration_id);
CREATE TRIGGER differs_history AFTER INSERT OR UPDATE ON differs
    FOR EACH ROW EXECUTE FUNCTION keep_history();
CREATE INDEX differs_by_allotment ON differs (section_id, allotted_at) WHERE allotted_at IS NOT NULL;

CREATE TABLE differ_spaces (
    section_id uuid CONSTRAINT differ_spaces_pkey PRIMARY KEY
        CONSTRAINT differ_spaces_section REFERENCES sections,
    taken bigint NOT NULL CONSTRAINT differ_spaces_taken CHECK (taken >= 0)
);
COMMENT ON TABLE differ_spaces IS
    'How many combinations of a section are taken. Its row is taken for update while one is given out.';

CREATE TABLE bittings (
    differ_id uuid CONSTRAINT bittings_pkey PRIMARY KEY,
    section_id uuid NOT NULL,
    data_key_id uuid NOT NULL CONSTRAINT bittings_data_key REFERENCES data_keys,
    sealed bytea NOT NULL CONSTRAINT bittings_sealed CHECK (octet_length(sealed) BETWEEN 42 AND 56),
    fingerprint bytea NOT NULL CONSTRAINT bittings_fingerprint CHECK (octet_length(fingerprint) = 32),
    CONSTRAINT bittings_differ FOREIGN KEY (differ_id, section_id) REFERENCES differs (id, section_id),
    CONSTRAINT bittings_once UNIQUE (section_id, fingerprint)
);
COMMENT ON TABLE bittings IS 'The lever heights of a differ, encrypted.';
COMMENT ON COLUMN bittings.sealed IS 'Nonce (24), as many bytes as there are levers, and tag (16).';
COMMENT ON COLUMN bittings.fingerprint IS 'Keyed: it tells that a combination is taken, and not which one it is.';

CREATE TABLE answers (
    id uuid CONSTRAINT answers_pkey PRIMARY KEY,
    registration_id uuid NOT NULL,
    lock_id uuid NOT NULL,
    differ_id uuid NOT NULL,
    differ_registration_id uuid NOT NULL,
    site_registration_id uuid GENERATED ALWAYS AS
        (CASE WHEN differ_registration_id <> registration_id THEN differ_registration_id END) STORED,
    since timestamptz NOT NULL,
    until timestamptz,
    changed_at timestamptz NOT NULL,
    CONSTRAINT answers_lock FOREIGN KEY (lock_id, registration_id) REFERENCES locks (id, registration_id),
    CONSTRAINT answers_differ FOREIGN KEY (differ_id, differ_registration_id)
        REFERENCES differs (id, registration_id),
    CONSTRAINT answers_stretch CHECK (until IS NULL OR until > since),
    CONSTRAINT answers_one_at_a_time EXCLUDE USING gist
        (id_pair(lock_id, differ_id) WITH =, tstzrange(since, until) WITH &&)
);
COMMENT ON TABLE answers IS
    'A lock answers to a differ from one instant until another; a master differ is one to which many do.';
COMMENT ON COLUMN answers.differ_registration_id IS
    'Another one than the lock''s where the differ is that of a site, and the lock in one of its plots.';
COMMENT ON COLUMN answers.site_registration_id IS 'The site, where the differ belongs to one.';
CREATE INDEX answers_by_differ ON answers (differ_id);
CREATE INDEX answers_by_lock ON answers (lock_id);
CREATE INDEX answers_by_registration ON answers (registration_id);
CREATE TRIGGER answers_history AFTER INSERT OR UPDATE ON answers
    FOR EACH ROW EXECUTE FUNCTION keep_history();

GRANT SELECT, INSERT, UPDATE ON differs, differ_spaces, answers TO wardbook_service;
GRANT SELECT, INSERT, UPDATE, DELETE ON bittings TO wardbook_service;
