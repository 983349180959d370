-- People: organisations, their people and client programs, and how they sign in.

CREATE TABLE organisations (
    id uuid CONSTRAINT organisations_pkey PRIMARY KEY,
    kind text NOT NULL CONSTRAINT organisations_kind
        CHECK (kind IN ('supplier', 'dealer', 'owner', 'agent', 'builder', 'auditor')),
    name text NOT NULL CONSTRAINT organisations_name CHECK (char_length(name) BETWEEN 1 AND 200),
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL
);
COMMENT ON TABLE organisations IS
    'Suppliers, dealers, owners, agents, builders and auditors. One register has one supplier.';
-- One register has one supplier.
CREATE UNIQUE INDEX organisations_one_supplier ON organisations (kind) WHERE kind = 'supplier';

CREATE TABLE people (
    id uuid CONSTRAINT people_pkey PRIMARY KEY,
    kind text NOT NULL GENERATED ALWAYS AS ('person') STORED,
    name text NOT NULL CONSTRAINT people_name CHECK (char_length(name) BETWEEN 1 AND 200),
    email text CONSTRAINT people_email CHECK (email = lower(email) AND char_length(email) BETWEEN 3 AND 254)
        CONSTRAINT people_email_once UNIQUE,
    created_at timestamptz NOT NULL,
    created_by_organisation uuid CONSTRAINT people_created_by REFERENCES organisations,
    erased_at timestamptz,
    CONSTRAINT people_erased CHECK (erased_at IS NULL OR email IS NULL),
    CONSTRAINT people_actor FOREIGN KEY (id, kind) REFERENCES actors (id, kind)
);
COMMENT ON TABLE people IS 'Everybody whom the register knows by name.';
COMMENT ON COLUMN people.kind IS 'For the reference to actors.';
COMMENT ON COLUMN people.created_by_organisation IS 'Whose people may see the person until a right tells more.';
COMMENT ON COLUMN people.erased_at IS 'When name, address and account went; rows and entries stay.';

CREATE TABLE accounts (
    person_id uuid CONSTRAINT accounts_pkey PRIMARY KEY CONSTRAINT accounts_person REFERENCES people,
    password_hash text NOT NULL CONSTRAINT accounts_password_argon2id CHECK (password_hash LIKE '$argon2id$%'),
    totp_secret bytea CONSTRAINT accounts_totp_length CHECK (octet_length(totp_secret) >= 20),
    totp_key_id uuid CONSTRAINT accounts_totp_key REFERENCES data_keys,
    totp_confirmed_at timestamptz,
    totp_last_step bigint,
    failures integer NOT NULL DEFAULT 0 CONSTRAINT accounts_failures CHECK (failures >= 0),
    blocked_until timestamptz,
    changed_at timestamptz NOT NULL,
    CONSTRAINT accounts_totp_sealed CHECK ((totp_secret IS NULL) = (totp_key_id IS NULL)),
    CONSTRAINT accounts_totp_confirmed CHECK (totp_confirmed_at IS NULL OR totp_secret IS NOT NULL)
);
COMMENT ON TABLE accounts IS 'How a person signs in.';
COMMENT ON COLUMN accounts.totp_secret IS 'Encrypted.';
COMMENT ON COLUMN accounts.totp_confirmed_at IS 'From when on the second factor is asked for.';
COMMENT ON COLUMN accounts.totp_last_step IS
    'The newest time step that was accepted: a code is good once (RFC 6238 section 5.2).';
COMMENT ON COLUMN accounts.failures IS 'In a row, since the last success.';

CREATE TABLE invitations (
    token_hash bytea CONSTRAINT invitations_pkey PRIMARY KEY
        CONSTRAINT invitations_hash CHECK (octet_length(token_hash) = 32),
    person_id uuid NOT NULL CONSTRAINT invitations_person REFERENCES people,
    expires_at timestamptz NOT NULL,
    used_at timestamptz
);
COMMENT ON TABLE invitations IS 'The first password is chosen by the person, against a token handed over once.';
COMMENT ON COLUMN invitations.token_hash IS 'SHA-256.';
CREATE INDEX invitations_by_person ON invitations (person_id);

CREATE TABLE memberships (
    id uuid CONSTRAINT memberships_pkey PRIMARY KEY,
    person_id uuid NOT NULL CONSTRAINT memberships_person REFERENCES people,
    organisation_id uuid NOT NULL CONSTRAINT memberships_organisation REFERENCES organisations,
    post text NOT NULL CONSTRAINT memberships_post CHECK (post IN ('head', 'staff')),
    first_day date NOT NULL,
    last_day date,
    ended_at timestamptz,
    changed_at timestamptz NOT NULL,
    CONSTRAINT memberships_days CHECK (last_day IS NULL OR last_day >= first_day),
    CONSTRAINT memberships_end CHECK (ended_at IS NULL OR last_day IS NOT NULL),
    CONSTRAINT memberships_one_at_a_time EXCLUDE USING gist
        (id_pair(person_id, organisation_id) WITH =, daterange(first_day, last_day, '[]') WITH &&)
        WHERE (ended_at IS NULL)
);
COMMENT ON TABLE memberships IS 'Seats: who works for which organisation, and as what.';
COMMENT ON COLUMN memberships.ended_at IS
    'When the seat ended and what rested on it was settled: at once, or after its last day had passed.';
CREATE INDEX memberships_by_person ON memberships (person_id);
CREATE INDEX memberships_by_organisation ON memberships (organisation_id);
CREATE INDEX memberships_to_end ON memberships (last_day) WHERE ended_at IS NULL AND last_day IS NOT NULL;
CREATE TRIGGER memberships_history AFTER INSERT OR UPDATE ON memberships
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE client_programs (
    id uuid CONSTRAINT client_programs_pkey PRIMARY KEY,
    kind text NOT NULL GENERATED ALWAYS AS ('program') STORED,
    organisation_id uuid NOT NULL CONSTRAINT client_programs_organisation REFERENCES organisations,
    name text NOT NULL CONSTRAINT client_programs_name CHECK (char_length(name) BETWEEN 1 AND 200),
    scopes text[] NOT NULL CONSTRAINT client_programs_scopes CHECK
        (scopes <@ ARRAY['read', 'register', 'card-checks', 'blanks', 'offline-cuts', 'log']),
    secret_hash bytea NOT NULL CONSTRAINT client_programs_secret CHECK (octet_length(secret_hash) = 32),
    created_at timestamptz NOT NULL,
    revoked_at timestamptz,
    CONSTRAINT client_programs_actor FOREIGN KEY (id, kind) REFERENCES actors (id, kind)
);
COMMENT ON TABLE client_programs IS 'Programs that act for an organisation.';
COMMENT ON COLUMN client_programs.kind IS 'For the reference to actors.';
COMMENT ON COLUMN client_programs.scopes IS 'What the program may do; nothing by itself.';
COMMENT ON COLUMN client_programs.secret_hash IS 'SHA-256 of 256 random bits: nothing to guess, so no slow hash.';
CREATE INDEX client_programs_by_organisation ON client_programs (organisation_id);

CREATE TABLE sessions (
    id uuid CONSTRAINT sessions_pkey PRIMARY KEY,
    person_id uuid NOT NULL CONSTRAINT sessions_person REFERENCES people,
    second_factor boolean NOT NULL,
    started_at timestamptz NOT NULL,
    expires_at timestamptz NOT NULL,
    ended_at timestamptz,
    CONSTRAINT sessions_end_after_start CHECK (expires_at > started_at)
);
COMMENT ON TABLE sessions IS 'Since when a person is signed in, and until when.';
COMMENT ON COLUMN sessions.second_factor IS 'Whether one was shown.';
CREATE INDEX sessions_by_person ON sessions (person_id) WHERE ended_at IS NULL;

CREATE TABLE refresh_tokens (
    token_hash bytea CONSTRAINT refresh_tokens_pkey PRIMARY KEY
        CONSTRAINT refresh_tokens_hash CHECK (octet_length(token_hash) = 32),
    session_id uuid NOT NULL CONSTRAINT refresh_tokens_session REFERENCES sessions,
    issued_at timestamptz NOT NULL,
    used_at timestamptz
);
COMMENT ON TABLE refresh_tokens IS 'A refresh token is good once; its second use ends the session.';
COMMENT ON COLUMN refresh_tokens.token_hash IS 'SHA-256.';
CREATE INDEX refresh_tokens_by_session ON refresh_tokens (session_id);

GRANT SELECT, INSERT, UPDATE ON organisations, people, memberships, client_programs TO wardbook_service;
-- An account goes with its person; what has run out is swept away.
GRANT SELECT, INSERT, UPDATE, DELETE ON accounts, invitations, sessions, refresh_tokens TO wardbook_service;
