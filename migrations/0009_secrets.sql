-- What nobody may read from a dump: bitting and the secrets of second factors, encrypted under data
-- keys, which are themselves encrypted under a master key that is not in this database.

CREATE TABLE data_keys (
    id uuid CONSTRAINT data_keys_pkey PRIMARY KEY,
    -- Which master key wrapped it: a fingerprint.
    master_key text NOT NULL CONSTRAINT data_keys_master_key CHECK (char_length(master_key) = 16),
    -- Nonce (24), key (32) and tag (16).
    wrapped bytea NOT NULL CONSTRAINT data_keys_wrapped CHECK (octet_length(wrapped) = 72),
    current boolean NOT NULL,
    made_at timestamptz NOT NULL
);
CREATE UNIQUE INDEX data_keys_one_current ON data_keys (current) WHERE current;

-- The lever heights of a differ.
CREATE TABLE bittings (
    differ_id uuid CONSTRAINT bittings_pkey PRIMARY KEY CONSTRAINT bittings_differ REFERENCES differs,
    data_key_id uuid NOT NULL CONSTRAINT bittings_data_key REFERENCES data_keys,
    -- Nonce (24), as many bytes as there are levers, and tag (16).
    sealed bytea NOT NULL CONSTRAINT bittings_sealed CHECK (octet_length(sealed) BETWEEN 42 AND 56)
);

-- Second factors that were in the clear have to be set up again.
UPDATE accounts SET totp_secret = NULL, totp_confirmed_at = NULL, totp_last_step = NULL;
ALTER TABLE accounts ADD COLUMN totp_key_id uuid CONSTRAINT accounts_totp_key REFERENCES data_keys;
ALTER TABLE accounts ADD CONSTRAINT accounts_totp_sealed CHECK ((totp_secret IS NULL) = (totp_key_id IS NULL));

-- A look at bitting is a decision of its own.
ALTER TABLE decisions DROP CONSTRAINT decisions_step;
ALTER TABLE decisions ADD CONSTRAINT decisions_step CHECK (step IN
    ('ask', 'approve', 'decline', 'withdraw', 'stop', 'look', 'cut', 'hand_over', 'lapse'));

GRANT SELECT, INSERT, UPDATE, DELETE ON data_keys TO wardbook_service;
GRANT SELECT, INSERT, UPDATE ON bittings TO wardbook_service;
