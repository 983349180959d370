-- Rights: who may do what on a registration, who may collect, what nobody may copy.

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
    left_on date,
    confirmed_by uuid CONSTRAINT authorities_confirmed_by REFERENCES people,
    changed_at timestamptz NOT NULL,
    CONSTRAINT authorities_confirmed_by_another CHECK (confirmed_by <> given_by),
    CONSTRAINT authorities_left_is_revoked CHECK (left_on IS NULL OR revoked_at IS NOT NULL),
    CONSTRAINT authorities_one_holder CHECK (num_nonnulls(person_id, organisation_id) = 1),
    CONSTRAINT authorities_organisation_is_agent CHECK (organisation_id IS NULL OR class = 'agent'),
    CONSTRAINT authorities_occupier_is_person CHECK (NOT occupier OR person_id IS NOT NULL),
    CONSTRAINT authorities_days CHECK (last_day IS NULL OR last_day >= first_day),
    CONSTRAINT authorities_id_registration UNIQUE (id, registration_id),
    CONSTRAINT authorities_given_under FOREIGN KEY (given_under, registration_id)
        REFERENCES authorities (id, registration_id)
);
COMMENT ON TABLE authorities IS 'What somebody may do on one registration.';
COMMENT ON COLUMN authorities.post IS 'In which its holder acts, in the words of the rules.';
COMMENT ON COLUMN authorities.standing IS
    'What the person is to the owner, in the words of the rules: staff, contractor, student.';
COMMENT ON COLUMN authorities.every_differ IS 'Else those of authority_differs.';
COMMENT ON COLUMN authorities.occupier IS 'Lives there.';
COMMENT ON COLUMN authorities.most_per_request IS 'Keys in one request; absent: as the rules say.';
COMMENT ON COLUMN authorities.most_keys IS 'Keys of one differ that may be in existence; absent: as the rules say.';
COMMENT ON COLUMN authorities.given_under IS 'The authority that was passed on; absent: the supplier gave it.';
COMMENT ON COLUMN authorities.left_on IS
    'The day on which the person left the premises: an occupier who has left keeps no key to them.';
COMMENT ON COLUMN authorities.confirmed_by IS
    'The head of the organisation under whose authority it was given, who lets it outlast the seat of its giver.';
CREATE INDEX authorities_by_registration ON authorities (registration_id);
CREATE INDEX authorities_by_person ON authorities (person_id) WHERE person_id IS NOT NULL;
CREATE INDEX authorities_by_organisation ON authorities (organisation_id) WHERE organisation_id IS NOT NULL;
CREATE INDEX authorities_by_giver ON authorities (given_under) WHERE given_under IS NOT NULL;
CREATE INDEX authorities_given ON authorities (given_by) WHERE given_under IS NOT NULL AND revoked_at IS NULL;
CREATE TRIGGER authorities_history AFTER INSERT OR UPDATE ON authorities
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE authority_differs (
    id uuid DEFAULT gen_random_uuid() CONSTRAINT authority_differs_pkey PRIMARY KEY,
    authority_id uuid NOT NULL,
    differ_id uuid NOT NULL,
    registration_id uuid NOT NULL,
    changed_at timestamptz NOT NULL,
    CONSTRAINT authority_differs_once UNIQUE (authority_id, differ_id),
    CONSTRAINT authority_differs_authority FOREIGN KEY (authority_id, registration_id)
        REFERENCES authorities (id, registration_id),
    CONSTRAINT authority_differs_differ FOREIGN KEY (differ_id, registration_id)
        REFERENCES differs (id, registration_id)
);
COMMENT ON TABLE authority_differs IS 'Which differs an authority is for, where it is not for all.';
CREATE INDEX authority_differs_by_registration ON authority_differs (registration_id);
CREATE TRIGGER authority_differs_history AFTER INSERT ON authority_differs
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE authority_offers (
    id uuid CONSTRAINT authority_offers_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT authority_offers_registration REFERENCES registrations,
    person_id uuid NOT NULL CONSTRAINT authority_offers_person REFERENCES people,
    authority jsonb NOT NULL,
    offered_by uuid NOT NULL CONSTRAINT authority_offers_offered_by REFERENCES actors,
    open_until timestamptz NOT NULL,
    settled_at timestamptz,
    accepted boolean NOT NULL DEFAULT false,
    CONSTRAINT authority_offers_accepted CHECK (NOT accepted OR settled_at IS NOT NULL)
);
COMMENT ON TABLE authority_offers IS
    'Authorities that were given to somebody whom the giver does not know: they become authorities, with the same id, when the person accepts.';
COMMENT ON COLUMN authority_offers.authority IS 'As it will be, but for the instant from which it is.';
COMMENT ON COLUMN authority_offers.settled_at IS 'When it was accepted, declined or taken back.';
CREATE INDEX authority_offers_by_registration ON authority_offers (registration_id, id);
CREATE INDEX authority_offers_by_person ON authority_offers (person_id, id);
CREATE INDEX authority_offers_to_sweep ON authority_offers (open_until);

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
COMMENT ON TABLE mandates IS 'Somebody may collect for somebody else: written, and known to the register.';
CREATE INDEX mandates_by_registration ON mandates (registration_id);
CREATE TRIGGER mandates_history AFTER INSERT OR UPDATE ON mandates
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE holds (
    id uuid CONSTRAINT holds_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT holds_registration REFERENCES registrations,
    kind text NOT NULL CONSTRAINT holds_kind CHECK
        (kind IN ('loss', 'theft', 'dispute', 'court_order', 'recovery')),
    differ_id uuid,
    loss_id uuid,
    barred_person_id uuid CONSTRAINT holds_barred_person REFERENCES people,
    court text CONSTRAINT holds_court CHECK (char_length(court) BETWEEN 1 AND 200),
    order_reference text CONSTRAINT holds_order_reference CHECK (char_length(order_reference) BETWEEN 1 AND 100),
    ordered_on date,
    ends_on date,
    placed_at timestamptz NOT NULL,
    placed_by uuid NOT NULL CONSTRAINT holds_placed_by REFERENCES actors,
    lifted_at timestamptz,
    lifted_by uuid CONSTRAINT holds_lifted_by REFERENCES actors,
    changed_at timestamptz NOT NULL,
    CONSTRAINT holds_differ FOREIGN KEY (differ_id, registration_id) REFERENCES differs (id, registration_id),
    CONSTRAINT holds_differ_and_person CHECK (differ_id IS NULL OR barred_person_id IS NULL),
    CONSTRAINT holds_loss_of_differ CHECK (loss_id IS NULL OR differ_id IS NOT NULL),
    CONSTRAINT holds_court_named CHECK ((kind = 'court_order') = (court IS NOT NULL)),
    CONSTRAINT holds_order_has_reference CHECK ((kind = 'court_order') = (order_reference IS NOT NULL)),
    CONSTRAINT holds_barred_by_court CHECK (barred_person_id IS NULL OR kind IN ('court_order', 'recovery')),
    CONSTRAINT holds_lifted CHECK ((lifted_at IS NULL) = (lifted_by IS NULL)),
    CONSTRAINT holds_lifted_after CHECK (lifted_at >= placed_at)
);
COMMENT ON TABLE holds IS 'Nothing may be copied until it is lifted or ends.';
COMMENT ON COLUMN holds.differ_id IS 'The differ that is held; every differ, when absent.';
COMMENT ON COLUMN holds.order_reference IS 'What stands on the paper of the order: the register has seen it.';
COMMENT ON COLUMN holds.loss_id IS 'The loss whose differ is held until somebody decides.';
COMMENT ON COLUMN holds.barred_person_id IS
    'A court order or a recovery may name the one person who is barred; any other hold stops everybody.';
CREATE INDEX holds_by_registration ON holds (registration_id);
CREATE INDEX holds_in_force ON holds (registration_id) WHERE lifted_at IS NULL;
CREATE TRIGGER holds_history AFTER INSERT OR UPDATE ON holds
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE notices (
    id uuid CONSTRAINT notices_pkey PRIMARY KEY,
    person_id uuid NOT NULL CONSTRAINT notices_person REFERENCES people,
    kind text NOT NULL CONSTRAINT notices_kind CHECK
        (kind IN ('key_dead', 'rekey_begun', 'audit_opened', 'account_reset_asked', 'account_reset', 'head_named',
         'authority_offered')),
    registration_id uuid CONSTRAINT notices_registration REFERENCES registrations,
    subject_id uuid NOT NULL,
    made_at timestamptz NOT NULL,
    read_at timestamptz CONSTRAINT notices_read_after CHECK (read_at >= made_at)
);
COMMENT ON TABLE notices IS 'What a person is told, and sees when they ask.';
COMMENT ON COLUMN notices.subject_id IS 'The key, rekey, audit, reset of an account, membership or authority that the kind is about.';
CREATE INDEX notices_by_person ON notices (person_id, id);

GRANT SELECT, INSERT, UPDATE ON authorities, mandates, holds TO wardbook_service;
GRANT SELECT, INSERT ON authority_differs TO wardbook_service;
GRANT SELECT, INSERT, DELETE ON authority_offers TO wardbook_service;
GRANT UPDATE (settled_at, accepted) ON authority_offers TO wardbook_service;
GRANT SELECT, INSERT, DELETE ON notices TO wardbook_service;
GRANT UPDATE (read_at) ON notices TO wardbook_service;
