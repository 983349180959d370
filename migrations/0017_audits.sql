-- Key audits: who says that they still have which key; and counts of the keys in store.

ALTER TABLE registrations ADD COLUMN next_audit_on date;
CREATE INDEX registrations_to_audit ON registrations (next_audit_on)
    WHERE next_audit_on IS NOT NULL AND ended_at IS NULL;

CREATE TABLE audits (
    id uuid CONSTRAINT audits_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT audits_registration REFERENCES registrations,
    -- All keys, when neither a person nor a level is named.
    person_id uuid CONSTRAINT audits_person REFERENCES people,
    level text CONSTRAINT audits_level CHECK (level IN ('lock', 'suite', 'building', 'everything')),
    silence text NOT NULL CONSTRAINT audits_silence CHECK (silence IN ('chase', 'right')),
    opened_by uuid NOT NULL CONSTRAINT audits_opened_by REFERENCES actors,
    opened_at timestamptz NOT NULL,
    due_on date NOT NULL,
    closed_at timestamptz CONSTRAINT audits_closed_after CHECK (closed_at >= opened_at),
    changed_at timestamptz NOT NULL,
    CONSTRAINT audits_one_scope CHECK (person_id IS NULL OR level IS NULL),
    CONSTRAINT audits_id_registration UNIQUE (id, registration_id)
);
CREATE INDEX audits_by_registration ON audits (registration_id, id);
CREATE INDEX audits_open ON audits (due_on) WHERE closed_at IS NULL;
CREATE TRIGGER audits_history AFTER INSERT OR UPDATE ON audits FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE audit_lines (
    id uuid CONSTRAINT audit_lines_pkey PRIMARY KEY,
    audit_id uuid NOT NULL CONSTRAINT audit_lines_audit REFERENCES audits,
    key_id uuid NOT NULL CONSTRAINT audit_lines_key REFERENCES keys,
    -- Who had it when the audit was opened.
    holder_id uuid NOT NULL CONSTRAINT audit_lines_holder REFERENCES people,
    answer text NOT NULL CONSTRAINT audit_lines_answer
        CHECK (answer IN ('open', 'has_it', 'missing', 'taken_as_right')),
    answered_by uuid CONSTRAINT audit_lines_answered_by REFERENCES actors,
    answered_at timestamptz,
    CONSTRAINT audit_lines_once UNIQUE (audit_id, key_id),
    CONSTRAINT audit_lines_answered CHECK (
        (answer = 'open') = (answered_at IS NULL) AND (answered_at IS NULL) = (answered_by IS NULL))
);
CREATE INDEX audit_lines_by_holder ON audit_lines (holder_id) WHERE answer = 'open';

CREATE TABLE stock_counts (
    id uuid CONSTRAINT stock_counts_pkey PRIMARY KEY,
    registration_id uuid NOT NULL,
    differ_id uuid NOT NULL,
    book integer NOT NULL CONSTRAINT stock_counts_book CHECK (book >= 0),
    counted integer NOT NULL CONSTRAINT stock_counts_counted CHECK (counted >= 0),
    remark text CONSTRAINT stock_counts_remark CHECK (char_length(remark) BETWEEN 1 AND 500),
    made_by uuid NOT NULL CONSTRAINT stock_counts_made_by REFERENCES actors,
    made_at timestamptz NOT NULL,
    CONSTRAINT stock_counts_differ FOREIGN KEY (differ_id, registration_id)
        REFERENCES differs (id, registration_id)
);
CREATE INDEX stock_counts_by_registration ON stock_counts (registration_id, id);
CREATE TRIGGER stock_counts_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON stock_counts
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

GRANT SELECT, INSERT ON stock_counts TO wardbook_service;
GRANT SELECT, INSERT, UPDATE ON audits, audit_lines TO wardbook_service;
