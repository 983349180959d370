-- Secrets: data keys, under which bitting and second factors are encrypted.

CREATE TABLE data_keys (
    id uuid CONSTRAINT data_keys_pkey PRIMARY KEY,
    master_key text NOT NULL CONSTRAINT data_keys_master_key CHECK (char_length(master_key) = 16),
    wrapped bytea NOT NULL CONSTRAINT data_keys_wrapped CHECK (octet_length(wrapped) = 72),
    current boolean NOT NULL,
    made_at timestamptz NOT NULL
);
COMMENT ON TABLE data_keys IS
    'Encrypted under a master key that is not in this database: nobody reads them from a dump.';
COMMENT ON COLUMN data_keys.master_key IS 'Which master key wrapped it: a fingerprint.';
COMMENT ON COLUMN data_keys.wrapped IS 'Nonce (24), key (32) and tag (16).';
COMMENT ON COLUMN data_keys.current IS 'Under which new secrets are encrypted.';
CREATE UNIQUE INDEX data_keys_one_current ON data_keys (current) WHERE current;

GRANT SELECT, INSERT, UPDATE, DELETE ON data_keys TO wardbook_service;
