-- Statements for an insurer or a solicitor: what the register held on some premises on a day.

CREATE TABLE statements (
    id uuid CONSTRAINT statements_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT statements_registration REFERENCES registrations,
    on_day date NOT NULL,
    -- The bytes that were hashed, exactly as they were written.
    content text NOT NULL CONSTRAINT statements_content CHECK (char_length(content) >= 2),
    hash text NOT NULL CONSTRAINT statements_hash CHECK (hash ~ '^[A-Za-z0-9_-]{43}$'),
    made_by uuid NOT NULL CONSTRAINT statements_made_by REFERENCES actors,
    made_at timestamptz NOT NULL,
    entry_id uuid NOT NULL CONSTRAINT statements_entry REFERENCES log_entries
        CONSTRAINT statements_entry_once UNIQUE
);
CREATE INDEX statements_by_registration ON statements (registration_id, id);

-- Names people: it goes when one of them is erased.
GRANT SELECT, INSERT, DELETE ON statements TO wardbook_service;
