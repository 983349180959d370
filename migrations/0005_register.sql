-- Register: key sections, registrations with their rules, and locks.

CREATE TABLE sections (
    id uuid CONSTRAINT sections_pkey PRIMARY KEY,
    name text NOT NULL CONSTRAINT sections_name CHECK (char_length(name) BETWEEN 1 AND 200)
        CONSTRAINT sections_name_once UNIQUE,
    protection text NOT NULL CONSTRAINT sections_protection
        CHECK (protection IN ('registered_design', 'patent', 'agreement')),
    territory text CONSTRAINT sections_territory CHECK (char_length(territory) BETWEEN 1 AND 200),
    filed_on date,
    next_renewal_on date,
    last_expiry_on date,
    geometry jsonb,
    version integer NOT NULL CONSTRAINT sections_version CHECK (version >= 1),
    changed_at timestamptz NOT NULL,
    CONSTRAINT sections_protection_dates CHECK (
        protection = 'agreement'
        OR (territory IS NOT NULL AND filed_on IS NOT NULL AND last_expiry_on IS NOT NULL)),
    CONSTRAINT sections_dates_in_order CHECK (
        filed_on < last_expiry_on AND next_renewal_on > filed_on AND next_renewal_on <= last_expiry_on)
);
COMMENT ON TABLE sections IS
    'Key sections: the profile of a restricted key, how it is protected, and which differs it can have.';
COMMENT ON COLUMN sections.territory IS 'Where the protection holds.';
COMMENT ON COLUMN sections.last_expiry_on IS 'When it ends for good.';
COMMENT ON COLUMN sections.geometry IS
    'Levers, heights and rules of a combination; absent where the register draws no differs.';
CREATE TRIGGER sections_history AFTER INSERT OR UPDATE ON sections
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE default_rules (
    version integer CONSTRAINT default_rules_pkey PRIMARY KEY
        CONSTRAINT default_rules_version CHECK (version >= 1),
    rules jsonb NOT NULL,
    made_by uuid NOT NULL CONSTRAINT default_rules_made_by REFERENCES actors,
    made_at timestamptz NOT NULL
);
COMMENT ON TABLE default_rules IS 'The rules that a new registration begins with. The newest counts.';
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
    next_audit_on date,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    owner_since timestamptz,
    ended_at timestamptz
);
COMMENT ON TABLE registrations IS
    'The record that locks and differs belong to an owner at some premises. Every act on it takes its row first.';
COMMENT ON COLUMN registrations.owner_since IS
    'Since when it is its owner''s, where it was another''s before: what happened before is not theirs to read.';
COMMENT ON COLUMN registrations.number IS
    'Fourteen digits, the last two of them check digits (ISO/IEC 7064, MOD 97-10).';
COMMENT ON COLUMN registrations.rules_version IS 'Which of rule_versions is in force.';
COMMENT ON COLUMN registrations.version IS 'For If-Match.';
COMMENT ON COLUMN registrations.next_audit_on IS
    'When keys are audited by themselves; absent where the rules ask for none.';
CREATE INDEX registrations_by_owner ON registrations (owner_id);
CREATE TRIGGER registrations_history AFTER INSERT OR UPDATE ON registrations
    FOR EACH ROW EXECUTE FUNCTION keep_history();
CREATE INDEX registrations_to_audit ON registrations (next_audit_on)
    WHERE next_audit_on IS NOT NULL AND ended_at IS NULL;

CREATE TABLE rule_versions (
    registration_id uuid NOT NULL CONSTRAINT rule_versions_registration REFERENCES registrations,
    version integer NOT NULL CONSTRAINT rule_versions_version CHECK (version >= 1),
    rules jsonb NOT NULL,
    made_by uuid NOT NULL CONSTRAINT rule_versions_made_by REFERENCES actors,
    made_at timestamptz NOT NULL,
    CONSTRAINT rule_versions_pkey PRIMARY KEY (registration_id, version)
);
COMMENT ON TABLE rule_versions IS
    'Every set of rules that a registration had. Each decision names the one that it was taken under.';
CREATE TRIGGER rule_versions_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON rule_versions
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

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
COMMENT ON TABLE locks IS 'Locks in doors.';
COMMENT ON COLUMN locks.standard IS 'What the lock is certified to, as its maker says.';
COMMENT ON COLUMN locks.escape_route IS 'The door is on an escape route.';
COMMENT ON COLUMN locks.room_class IS 'What kind of room it is, in the words of the rules.';
CREATE TRIGGER locks_history AFTER INSERT OR UPDATE ON locks
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE changes (
    id uuid CONSTRAINT changes_pkey PRIMARY KEY,
    kind text NOT NULL,
    registration_id uuid CONSTRAINT changes_registration REFERENCES registrations,
    subject_id uuid NOT NULL,
    by_actor uuid NOT NULL CONSTRAINT changes_actor REFERENCES actors,
    at timestamptz NOT NULL,
    entry_id uuid NOT NULL CONSTRAINT changes_entry REFERENCES log_entries DEFERRABLE INITIALLY DEFERRED
        CONSTRAINT changes_entry_once UNIQUE
);
COMMENT ON TABLE changes IS 'Each change of rights or of the register: one row, one entry.';
COMMENT ON COLUMN changes.subject_id IS 'What was changed: the id of a row of the table that the kind is about.';
CREATE INDEX changes_by_registration ON changes (registration_id, at);
CREATE TRIGGER changes_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON changes
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

ALTER TABLE registrations ADD CONSTRAINT registrations_rules
    FOREIGN KEY (id, rules_version) REFERENCES rule_versions (registration_id, version)
    DEFERRABLE INITIALLY DEFERRED;

GRANT SELECT, INSERT, UPDATE ON sections, registrations, locks TO wardbook_service;
GRANT SELECT, INSERT ON default_rules, rule_versions, changes TO wardbook_service;
