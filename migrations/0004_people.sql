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
    email text CONSTRAINT people_email CHECK (email = lower(email) AND char_length(email) BETWEEN 3 AND 254),
    created_at timestamptz NOT NULL,
    created_by_organisation uuid CONSTRAINT people_created_by REFERENCES organisations,
    created_by_person uuid CONSTRAINT people_created_by_person REFERENCES people,
    erased_at timestamptz,
    CONSTRAINT people_created_by_one CHECK (num_nonnulls(created_by_organisation, created_by_person) = 1),
    CONSTRAINT people_erased CHECK (erased_at IS NULL OR email IS NULL),
    CONSTRAINT people_actor FOREIGN KEY (id, kind) REFERENCES actors (id, kind)
);
COMMENT ON TABLE people IS 'Everybody whom the register knows by name.';
COMMENT ON COLUMN people.kind IS 'For the reference to actors.';
COMMENT ON COLUMN people.email IS
    'As it was typed by whoever entered the person. Nobody has proved it, and several may have typed the same.';
COMMENT ON COLUMN people.created_by_organisation IS 'Whose people may see the person until a right tells more.';
COMMENT ON COLUMN people.erased_at IS 'When name, address and account went; rows and entries stay.';

CREATE INDEX people_by_email ON people (email) WHERE email IS NOT NULL;

CREATE TABLE accounts (
    person_id uuid CONSTRAINT accounts_pkey PRIMARY KEY CONSTRAINT accounts_person REFERENCES people,
    email text NOT NULL CONSTRAINT accounts_email_once UNIQUE
        CONSTRAINT accounts_email CHECK (email = lower(email) AND char_length(email) BETWEEN 3 AND 254),
    password_hash text NOT NULL CONSTRAINT accounts_password_argon2id CHECK (password_hash LIKE '$argon2id$%'),
    totp_secret bytea CONSTRAINT accounts_totp_length CHECK (octet_length(totp_secret) >= 20),
    totp_key_id uuid CONSTRAINT accounts_totp_key REFERENCES data_keys,
    totp_last_step bigint,
    failures integer NOT NULL DEFAULT 0 CONSTRAINT accounts_failures CHECK (failures >= 0),
    blocked_until timestamptz,
    changed_at timestamptz NOT NULL,
    CONSTRAINT accounts_totp_sealed CHECK ((totp_secret IS NULL) = (totp_key_id IS NULL))
);
COMMENT ON TABLE accounts IS 'How a person signs in.';
COMMENT ON COLUMN accounts.email IS 'The address of whoever accepted the invitation that was sent to it.';
COMMENT ON COLUMN accounts.totp_secret IS 'Encrypted. Where there is one, the second factor is asked for.';
COMMENT ON COLUMN accounts.totp_last_step IS
    'The newest time step that was accepted: a code is good once (RFC 6238 section 5.2).';
COMMENT ON COLUMN accounts.failures IS
    'In a row, since the last success: of whoever has a session and has to know the password again.';

CREATE TABLE sign_in_places (
    place bytea CONSTRAINT sign_in_places_pkey PRIMARY KEY
        CONSTRAINT sign_in_places_hash CHECK (octet_length(place) = 32),
    failures integer NOT NULL CONSTRAINT sign_in_places_failures CHECK (failures >= 0),
    blocked_until timestamptz,
    known_until timestamptz,
    changed_at timestamptz NOT NULL
);
COMMENT ON TABLE sign_in_places IS 'How often it was tried to sign in with an address, whether there is such an account or not.';
COMMENT ON COLUMN sign_in_places.place IS
    'SHA-256 of the address that was typed and of the network from which; or of the address alone, from anywhere.';
COMMENT ON COLUMN sign_in_places.failures IS 'In a row, since the last success.';
COMMENT ON COLUMN sign_in_places.known_until IS
    'Its owner has signed in from there: until then what others do elsewhere does not matter there.';
CREATE INDEX sign_in_places_by_age ON sign_in_places (changed_at);

CREATE TABLE recovery_codes (
    person_id uuid NOT NULL CONSTRAINT recovery_codes_account REFERENCES accounts ON DELETE CASCADE,
    code_hash bytea NOT NULL CONSTRAINT recovery_codes_hash CHECK (octet_length(code_hash) = 32),
    CONSTRAINT recovery_codes_pkey PRIMARY KEY (person_id, code_hash)
);
COMMENT ON TABLE recovery_codes IS 'Each stands once for a code of the second factor, whose device is lost; then it is gone.';
COMMENT ON COLUMN recovery_codes.code_hash IS 'SHA-256 of 80 random bits.';

CREATE TABLE invitations (
    id uuid CONSTRAINT invitations_pkey PRIMARY KEY,
    person_id uuid NOT NULL CONSTRAINT invitations_person REFERENCES people,
    kind text NOT NULL CONSTRAINT invitations_kind CHECK (kind IN ('account', 'password')),
    email text NOT NULL CONSTRAINT invitations_email
        CHECK (email = lower(email) AND char_length(email) BETWEEN 3 AND 254),
    asked_at timestamptz NOT NULL,
    token_hash bytea CONSTRAINT invitations_token_once UNIQUE
        CONSTRAINT invitations_hash CHECK (octet_length(token_hash) = 32),
    expires_at timestamptz,
    used_at timestamptz,
    CONSTRAINT invitations_sent CHECK ((token_hash IS NULL) = (expires_at IS NULL))
);
COMMENT ON TABLE invitations IS
    'What waits to be sent, or was sent, to an address and to nobody else: a token against which its owner sets a password.';
COMMENT ON COLUMN invitations.email IS 'Where it goes.';
COMMENT ON COLUMN invitations.token_hash IS 'SHA-256. The token is drawn when it is sent, and kept nowhere.';
COMMENT ON COLUMN invitations.used_at IS 'When it was accepted, or became void.';
CREATE INDEX invitations_by_person ON invitations (person_id);
CREATE INDEX invitations_to_send ON invitations (id) WHERE token_hash IS NULL AND used_at IS NULL;

CREATE TABLE account_resets (
    id uuid CONSTRAINT account_resets_pkey PRIMARY KEY,
    person_id uuid NOT NULL CONSTRAINT account_resets_person REFERENCES people,
    email text CONSTRAINT account_resets_email
        CHECK (email = lower(email) AND char_length(email) BETWEEN 3 AND 254),
    reason text CONSTRAINT account_resets_reason CHECK (char_length(reason) BETWEEN 1 AND 500),
    asked_by uuid NOT NULL CONSTRAINT account_resets_asked_by REFERENCES people,
    asked_at timestamptz NOT NULL,
    confirmed_by uuid CONSTRAINT account_resets_confirmed_by REFERENCES people,
    confirmed_at timestamptz,
    CONSTRAINT account_resets_for_another CHECK (asked_by <> person_id AND confirmed_by <> person_id),
    CONSTRAINT account_resets_two_people CHECK (confirmed_by <> asked_by),
    CONSTRAINT account_resets_confirmed CHECK ((confirmed_by IS NULL) = (confirmed_at IS NULL))
);
COMMENT ON TABLE account_resets IS 'The register opens a way into an account whose owner has lost it: two of its people do.';
COMMENT ON COLUMN account_resets.email IS 'The address from now on; absent: it stays, or the person was erased.';
CREATE INDEX account_resets_by_person ON account_resets (person_id);

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
GRANT SELECT, INSERT, UPDATE, DELETE ON accounts, sign_in_places, recovery_codes, invitations, sessions, refresh_tokens
    TO wardbook_service;
GRANT SELECT, INSERT, UPDATE ON account_resets TO wardbook_service;
