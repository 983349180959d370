-- The register: which locks answer to which differ, who owns them, who may do what, and where each key is.

CREATE TABLE default_rules (
    version integer CONSTRAINT default_rules_pkey PRIMARY KEY
        CONSTRAINT default_rules_version CHECK (version >= 1),
    rules jsonb NOT NULL,
    made_by uuid NOT NULL CONSTRAINT default_rules_made_by REFERENCES actors,
    made_at timestamptz NOT NULL
);
CREATE TRIGGER default_rules_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON default_rules
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

CREATE TABLE registrations (
    id uuid CONSTRAINT registrations_pkey PRIMARY KEY,
    number text NOT NULL CONSTRAINT registrations_number CHECK (number ~ '^[0-9]{14}$' AND number::numeric % 97 = 1)
        CONSTRAINT registrations_number_once UNIQUE,
    section_id uuid NOT NULL CONSTRAINT registrations_section REFERENCES sections,
    owner_id uuid NOT NULL CONSTRAINT registrations_owner REFERENCES organisations,
    premises text NOT NULL CONSTRAINT registrations_premises CHECK (char_length(premises) BETWEEN 1 AND 500),
    rules_version integer NOT NULL,
    version integer NOT NULL CONSTRAINT registrations_version CHECK (version >= 1),
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    ended_at timestamptz
);
CREATE INDEX registrations_by_owner ON registrations (owner_id);
CREATE TRIGGER registrations_history AFTER INSERT OR UPDATE ON registrations
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE rule_versions (
    registration_id uuid NOT NULL CONSTRAINT rule_versions_registration REFERENCES registrations,
    version integer NOT NULL CONSTRAINT rule_versions_version CHECK (version >= 1),
    rules jsonb NOT NULL,
    made_by uuid NOT NULL CONSTRAINT rule_versions_made_by REFERENCES actors,
    made_at timestamptz NOT NULL,
    CONSTRAINT rule_versions_pkey PRIMARY KEY (registration_id, version)
);
CREATE TRIGGER rule_versions_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON rule_versions
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
ALTER TABLE registrations ADD CONSTRAINT registrations_rules
    FOREIGN KEY (id, rules_version) REFERENCES rule_versions (registration_id, version)
    DEFERRABLE INITIALLY DEFERRED;
ALTER TABLE changes ADD CONSTRAINT changes_registration FOREIGN KEY (registration_id) REFERENCES registrations;

CREATE TABLE locks (
    id uuid CONSTRAINT locks_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT locks_registration REFERENCES registrations,
    label text NOT NULL CONSTRAINT locks_label CHECK (char_length(label) BETWEEN 1 AND 100),
    kind text NOT NULL CONSTRAINT locks_kind
        CHECK (kind IN ('mortice_deadlock', 'mortice_sashlock', 'cylinder', 'padlock', 'other')),
    hand text CONSTRAINT locks_hand CHECK (hand IN ('left', 'right')),
    standard text CONSTRAINT locks_standard CHECK (char_length(standard) BETWEEN 1 AND 100),
    escape_route boolean NOT NULL,
    room_class text CONSTRAINT locks_room_class CHECK (room_class ~ '^[a-z][a-z0-9_]{0,39}$'),
    version integer NOT NULL CONSTRAINT locks_version CHECK (version >= 1),
    changed_at timestamptz NOT NULL,
    CONSTRAINT locks_label_once UNIQUE (registration_id, label),
    CONSTRAINT locks_id_registration UNIQUE (id, registration_id)
);
CREATE TRIGGER locks_history AFTER INSERT OR UPDATE ON locks
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE differs (
    id uuid CONSTRAINT differs_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT differs_registration REFERENCES registrations,
    section_id uuid NOT NULL CONSTRAINT differs_section REFERENCES sections,
    number text NOT NULL CONSTRAINT differs_number CHECK (number ~ '^[A-Z0-9][A-Z0-9-]{0,19}$'),
    level text NOT NULL CONSTRAINT differs_level CHECK (level IN ('lock', 'suite', 'building', 'everything')),
    changed_at timestamptz NOT NULL,
    CONSTRAINT differs_number_once UNIQUE (section_id, number),
    CONSTRAINT differs_id_registration UNIQUE (id, registration_id)
);
CREATE INDEX differs_by_registration ON differs (registration_id);
CREATE TRIGGER differs_history AFTER INSERT OR UPDATE ON differs
    FOR EACH ROW EXECUTE FUNCTION keep_history();

-- A lock answers to a differ from one instant until another; a master differ is one to which many do.
CREATE TABLE answers (
    id uuid CONSTRAINT answers_pkey PRIMARY KEY,
    registration_id uuid NOT NULL,
    lock_id uuid NOT NULL,
    differ_id uuid NOT NULL,
    since timestamptz NOT NULL,
    until timestamptz,
    changed_at timestamptz NOT NULL,
    CONSTRAINT answers_lock FOREIGN KEY (lock_id, registration_id) REFERENCES locks (id, registration_id),
    CONSTRAINT answers_differ FOREIGN KEY (differ_id, registration_id) REFERENCES differs (id, registration_id),
    CONSTRAINT answers_stretch CHECK (until IS NULL OR until > since),
    CONSTRAINT answers_one_at_a_time EXCLUDE USING gist
        (id_pair(lock_id, differ_id) WITH =, tstzrange(since, until) WITH &&)
);
CREATE INDEX answers_by_differ ON answers (differ_id);
CREATE INDEX answers_by_lock ON answers (lock_id);
CREATE TRIGGER answers_history AFTER INSERT OR UPDATE ON answers
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE authorities (
    id uuid CONSTRAINT authorities_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT authorities_registration REFERENCES registrations,
    class text NOT NULL CONSTRAINT authorities_class CHECK (class IN ('owner', 'signatory', 'keyholder', 'agent')),
    person_id uuid CONSTRAINT authorities_person REFERENCES people,
    organisation_id uuid CONSTRAINT authorities_organisation REFERENCES organisations,
    post text CONSTRAINT authorities_post_name CHECK (post ~ '^[a-z][a-z0-9_]{0,39}$'),
    standing text CONSTRAINT authorities_standing CHECK (standing ~ '^[a-z][a-z0-9_]{0,39}$'),
    every_differ boolean NOT NULL,
    may_order boolean NOT NULL,
    may_approve boolean NOT NULL,
    may_pass_on boolean NOT NULL,
    occupier boolean NOT NULL,
    most_per_request integer CONSTRAINT authorities_most_per_request CHECK (most_per_request >= 1),
    most_keys integer CONSTRAINT authorities_most_keys CHECK (most_keys >= 1),
    first_day date NOT NULL,
    last_day date,
    given_under uuid,
    given_by uuid NOT NULL CONSTRAINT authorities_given_by REFERENCES actors,
    given_at timestamptz NOT NULL,
    revoked_at timestamptz,
    -- The day on which the person left the premises: an occupier who has left keeps no key to them.
    left_on date,
    changed_at timestamptz NOT NULL,
    CONSTRAINT authorities_left_is_revoked CHECK (left_on IS NULL OR revoked_at IS NOT NULL),
    CONSTRAINT authorities_one_holder CHECK (num_nonnulls(person_id, organisation_id) = 1),
    CONSTRAINT authorities_organisation_is_agent CHECK (organisation_id IS NULL OR class = 'agent'),
    CONSTRAINT authorities_occupier_is_person CHECK (NOT occupier OR person_id IS NOT NULL),
    CONSTRAINT authorities_days CHECK (last_day IS NULL OR last_day >= first_day),
    CONSTRAINT authorities_id_registration UNIQUE (id, registration_id),
    CONSTRAINT authorities_given_under FOREIGN KEY (given_under, registration_id)
        REFERENCES authorities (id, registration_id)
);
CREATE INDEX authorities_by_registration ON authorities (registration_id);
CREATE INDEX authorities_by_person ON authorities (person_id) WHERE person_id IS NOT NULL;
CREATE INDEX authorities_by_organisation ON authorities (organisation_id) WHERE organisation_id IS NOT NULL;
CREATE INDEX authorities_by_giver ON authorities (given_under) WHERE given_under IS NOT NULL;
CREATE TRIGGER authorities_history AFTER INSERT OR UPDATE ON authorities
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE authority_differs (
    authority_id uuid NOT NULL,
    differ_id uuid NOT NULL,
    registration_id uuid NOT NULL,
    CONSTRAINT authority_differs_pkey PRIMARY KEY (authority_id, differ_id),
    CONSTRAINT authority_differs_authority FOREIGN KEY (authority_id, registration_id)
        REFERENCES authorities (id, registration_id),
    CONSTRAINT authority_differs_differ FOREIGN KEY (differ_id, registration_id)
        REFERENCES differs (id, registration_id)
);

-- Somebody may collect for somebody else: written, and known to the register.
CREATE TABLE mandates (
    id uuid CONSTRAINT mandates_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT mandates_registration REFERENCES registrations,
    recipient_id uuid NOT NULL CONSTRAINT mandates_recipient REFERENCES people,
    collector_id uuid NOT NULL CONSTRAINT mandates_collector REFERENCES people,
    first_day date NOT NULL,
    last_day date NOT NULL,
    revoked_at timestamptz,
    changed_at timestamptz NOT NULL,
    CONSTRAINT mandates_two_people CHECK (recipient_id <> collector_id),
    CONSTRAINT mandates_days CHECK (last_day >= first_day)
);
CREATE INDEX mandates_by_registration ON mandates (registration_id);
CREATE TRIGGER mandates_history AFTER INSERT OR UPDATE ON mandates
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE cards (
    id uuid CONSTRAINT cards_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT cards_registration REFERENCES registrations,
    person_id uuid NOT NULL CONSTRAINT cards_person REFERENCES people,
    number text NOT NULL CONSTRAINT cards_number CHECK (number ~ '^[0-9]{14}$' AND number::numeric % 97 = 1)
        CONSTRAINT cards_number_once UNIQUE,
    state text NOT NULL CONSTRAINT cards_state CHECK (state IN ('valid', 'suspended', 'revoked')),
    expires_on date NOT NULL,
    pin_hash text CONSTRAINT cards_pin_argon2id CHECK (pin_hash LIKE '$argon2id$%'),
    pin_failures integer NOT NULL CONSTRAINT cards_pin_failures CHECK (pin_failures >= 0),
    pin_blocked_until timestamptz,
    changed_at timestamptz NOT NULL
);
CREATE UNIQUE INDEX cards_one_current ON cards (registration_id, person_id) WHERE state <> 'revoked';
CREATE TRIGGER cards_history AFTER INSERT OR UPDATE ON cards
    FOR EACH ROW EXECUTE FUNCTION keep_history('pin_hash');

CREATE TABLE holds (
    id uuid CONSTRAINT holds_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT holds_registration REFERENCES registrations,
    kind text NOT NULL CONSTRAINT holds_kind CHECK (kind IN ('loss', 'theft', 'dispute', 'court_order')),
    -- A court order may name the one person who is barred; any other hold stops everybody.
    barred_person_id uuid CONSTRAINT holds_barred_person REFERENCES people,
    court text CONSTRAINT holds_court CHECK (char_length(court) BETWEEN 1 AND 200),
    ordered_on date,
    ends_on date,
    placed_at timestamptz NOT NULL,
    placed_by uuid NOT NULL CONSTRAINT holds_placed_by REFERENCES actors,
    lifted_at timestamptz,
    lifted_by uuid CONSTRAINT holds_lifted_by REFERENCES actors,
    changed_at timestamptz NOT NULL,
    CONSTRAINT holds_court_named CHECK ((kind = 'court_order') = (court IS NOT NULL)),
    CONSTRAINT holds_barred_by_court CHECK (barred_person_id IS NULL OR kind = 'court_order'),
    CONSTRAINT holds_lifted CHECK ((lifted_at IS NULL) = (lifted_by IS NULL)),
    CONSTRAINT holds_lifted_after CHECK (lifted_at >= placed_at)
);
CREATE INDEX holds_in_force ON holds (registration_id) WHERE lifted_at IS NULL;
CREATE TRIGGER holds_history AFTER INSERT OR UPDATE ON holds
    FOR EACH ROW EXECUTE FUNCTION keep_history();
