-- Who acts: people and client programs, the organisations they act for, and how they sign in.

CREATE TABLE organisations (
    id uuid CONSTRAINT organisations_pkey PRIMARY KEY,
    kind text NOT NULL CONSTRAINT organisations_kind
        CHECK (kind IN ('supplier', 'dealer', 'owner', 'agent', 'builder')),
    name text NOT NULL CONSTRAINT organisations_name CHECK (char_length(name) BETWEEN 1 AND 200),
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL
);
-- One register has one supplier.
CREATE UNIQUE INDEX organisations_one_supplier ON organisations (kind) WHERE kind = 'supplier';

-- Whoever can do something: the one thing that "by" columns point at.
CREATE TABLE actors (
    id uuid CONSTRAINT actors_pkey PRIMARY KEY,
    kind text NOT NULL CONSTRAINT actors_kind CHECK (kind IN ('person', 'program', 'system')),
    CONSTRAINT actors_id_kind UNIQUE (id, kind)
);

-- The service itself, for what happens by the passing of time.
INSERT INTO actors (id, kind) VALUES ('00000000-0000-0000-0000-000000000000', 'system');

CREATE TABLE people (
    id uuid CONSTRAINT people_pkey PRIMARY KEY,
    kind text NOT NULL GENERATED ALWAYS AS ('person') STORED,
    name text NOT NULL CONSTRAINT people_name CHECK (char_length(name) BETWEEN 1 AND 200),
    email text CONSTRAINT people_email CHECK (email = lower(email) AND char_length(email) BETWEEN 3 AND 254)
        CONSTRAINT people_email_once UNIQUE,
    created_at timestamptz NOT NULL,
    created_by_organisation uuid CONSTRAINT people_created_by REFERENCES organisations,
    CONSTRAINT people_actor FOREIGN KEY (id, kind) REFERENCES actors (id, kind)
);

CREATE TABLE accounts (
    person_id uuid CONSTRAINT accounts_pkey PRIMARY KEY CONSTRAINT accounts_person REFERENCES people,
    password_hash text NOT NULL CONSTRAINT accounts_password_argon2id CHECK (password_hash LIKE '$argon2id$%'),
    totp_secret bytea CONSTRAINT accounts_totp_length CHECK (octet_length(totp_secret) >= 20),
    totp_confirmed_at timestamptz,
    -- The newest time step that was accepted: a code is good once (RFC 6238 s. 5.2).
    totp_last_step bigint,
    failures integer NOT NULL DEFAULT 0 CONSTRAINT accounts_failures CHECK (failures >= 0),
    blocked_until timestamptz,
    changed_at timestamptz NOT NULL,
    CONSTRAINT accounts_totp_confirmed CHECK (totp_confirmed_at IS NULL OR totp_secret IS NOT NULL)
);

-- The first password is chosen by the person, against a token handed over once.
CREATE TABLE invitations (
    token_hash bytea CONSTRAINT invitations_pkey PRIMARY KEY
        CONSTRAINT invitations_hash CHECK (octet_length(token_hash) = 32),
    person_id uuid NOT NULL CONSTRAINT invitations_person REFERENCES people,
    expires_at timestamptz NOT NULL,
    used_at timestamptz
);

CREATE INDEX invitations_by_person ON invitations (person_id);

CREATE TABLE memberships (
    id uuid CONSTRAINT memberships_pkey PRIMARY KEY,
    person_id uuid NOT NULL CONSTRAINT memberships_person REFERENCES people,
    organisation_id uuid NOT NULL CONSTRAINT memberships_organisation REFERENCES organisations,
    post text NOT NULL CONSTRAINT memberships_post CHECK (post IN ('head', 'staff')),
    first_day date NOT NULL,
    last_day date,
    changed_at timestamptz NOT NULL,
    CONSTRAINT memberships_days CHECK (last_day IS NULL OR last_day >= first_day),
    CONSTRAINT memberships_one_at_a_time EXCLUDE USING gist
        (id_pair(person_id, organisation_id) WITH =, daterange(first_day, last_day, '[]') WITH &&)
);
CREATE INDEX memberships_by_person ON memberships (person_id);
CREATE INDEX memberships_by_organisation ON memberships (organisation_id);
CREATE TRIGGER memberships_history AFTER INSERT OR UPDATE ON memberships
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE client_programs (
    id uuid CONSTRAINT client_programs_pkey PRIMARY KEY,
    kind text NOT NULL GENERATED ALWAYS AS ('program') STORED,
    organisation_id uuid NOT NULL CONSTRAINT client_programs_organisation REFERENCES organisations,
    name text NOT NULL CONSTRAINT client_programs_name CHECK (char_length(name) BETWEEN 1 AND 200),
    -- SHA-256 of 256 random bits: nothing to guess, so no slow hash.
    secret_hash bytea NOT NULL CONSTRAINT client_programs_secret CHECK (octet_length(secret_hash) = 32),
    created_at timestamptz NOT NULL,
    revoked_at timestamptz,
    CONSTRAINT client_programs_actor FOREIGN KEY (id, kind) REFERENCES actors (id, kind)
);
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
CREATE INDEX sessions_by_person ON sessions (person_id) WHERE ended_at IS NULL;

-- A refresh token is good once; its second use ends the session.
CREATE TABLE refresh_tokens (
    token_hash bytea CONSTRAINT refresh_tokens_pkey PRIMARY KEY
        CONSTRAINT refresh_tokens_hash CHECK (octet_length(token_hash) = 32),
    session_id uuid NOT NULL CONSTRAINT refresh_tokens_session REFERENCES sessions,
    issued_at timestamptz NOT NULL,
    used_at timestamptz
);
CREATE INDEX refresh_tokens_by_session ON refresh_tokens (session_id);

-- A request sent again: same caller, same key, same body, one effect and one reply.
CREATE TABLE idempotency_keys (
    actor_id uuid NOT NULL CONSTRAINT idempotency_keys_actor REFERENCES actors,
    key text NOT NULL CONSTRAINT idempotency_keys_key CHECK (char_length(key) BETWEEN 1 AND 255),
    request_hash bytea NOT NULL CONSTRAINT idempotency_keys_hash CHECK (octet_length(request_hash) = 32),
    reply jsonb,
    created_at timestamptz NOT NULL,
    CONSTRAINT idempotency_keys_pkey PRIMARY KEY (actor_id, key)
);
CREATE INDEX idempotency_keys_by_age ON idempotency_keys (created_at);

-- Each change of rights or of the register: one row, one entry.
CREATE TABLE changes (
    id uuid CONSTRAINT changes_pkey PRIMARY KEY,
    kind text NOT NULL,
    registration_id uuid,
    subject_id uuid NOT NULL,
    by_actor uuid NOT NULL CONSTRAINT changes_actor REFERENCES actors,
    at timestamptz NOT NULL,
    entry_id uuid NOT NULL CONSTRAINT changes_entry REFERENCES log_entries
        CONSTRAINT changes_entry_once UNIQUE
);
CREATE INDEX changes_by_registration ON changes (registration_id, at);
CREATE TRIGGER changes_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON changes
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
