-- Keys: where each came from and who has it; losses, audits, counts and statements.

CREATE TABLE lever_packs (
    id uuid CONSTRAINT lever_packs_pkey PRIMARY KEY,
    registration_id uuid NOT NULL,
    differ_id uuid NOT NULL,
    number text NOT NULL CONSTRAINT lever_packs_number CHECK (number ~ '^[A-Z0-9][A-Z0-9-]{0,39}$'),
    recorded_at timestamptz NOT NULL,
    CONSTRAINT lever_packs_number_once UNIQUE (registration_id, number),
    CONSTRAINT lever_packs_differ FOREIGN KEY (differ_id, registration_id)
        REFERENCES differs (id, registration_id)
);
COMMENT ON TABLE lever_packs IS 'The levers for one lock with the keys cut to them.';
COMMENT ON COLUMN lever_packs.number IS 'As it stands on the pack.';
CREATE INDEX lever_packs_by_differ ON lever_packs (differ_id);

CREATE TABLE keys (
    id uuid CONSTRAINT keys_pkey PRIMARY KEY,
    registration_id uuid NOT NULL,
    differ_id uuid NOT NULL,
    copy_number integer NOT NULL CONSTRAINT keys_copy_number CHECK (copy_number >= 1),
    cut_id uuid CONSTRAINT keys_cut REFERENCES cuts,
    lever_pack_id uuid CONSTRAINT keys_lever_pack REFERENCES lever_packs,
    state text NOT NULL CONSTRAINT keys_state CHECK (state IN
        ('in_store', 'with_person', 'returned', 'lost', 'stolen', 'destroyed', 'dead')),
    holder_id uuid CONSTRAINT keys_holder REFERENCES people,
    due_back_on date,
    overdue_since timestamptz,
    version integer NOT NULL CONSTRAINT keys_version CHECK (version >= 1),
    changed_at timestamptz NOT NULL,
    CONSTRAINT keys_differ FOREIGN KEY (differ_id, registration_id) REFERENCES differs (id, registration_id),
    CONSTRAINT keys_copy_number_once UNIQUE (differ_id, copy_number),
    CONSTRAINT keys_one_origin CHECK (num_nonnulls(cut_id, lever_pack_id) = 1),
    CONSTRAINT keys_held_by_somebody CHECK (state <> 'with_person' OR holder_id IS NOT NULL),
    CONSTRAINT keys_store_has_no_holder CHECK (state NOT IN ('in_store', 'returned') OR holder_id IS NULL)
);
COMMENT ON TABLE keys IS 'Each key, from its making to its end.';
COMMENT ON COLUMN keys.copy_number IS 'Counted from 1 for each differ; never used again.';
COMMENT ON COLUMN keys.cut_id IS 'It came from a cut …';
COMMENT ON COLUMN keys.lever_pack_id IS '… or with a lever pack.';
COMMENT ON COLUMN keys.holder_id IS 'Who has it, or had it when it was lost.';
COMMENT ON COLUMN keys.overdue_since IS 'When it was noticed that it had not come back.';
COMMENT ON COLUMN keys.version IS 'For If-Match.';
CREATE INDEX keys_by_registration ON keys (registration_id, id);
CREATE INDEX keys_by_holder ON keys (holder_id) WHERE holder_id IS NOT NULL;
CREATE INDEX keys_due ON keys (due_back_on) WHERE state = 'with_person' AND due_back_on IS NOT NULL;
CREATE TRIGGER keys_history AFTER INSERT OR UPDATE ON keys
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE hand_over_keys (
    hand_over_id uuid NOT NULL CONSTRAINT hand_over_keys_hand_over REFERENCES hand_overs,
    key_id uuid NOT NULL CONSTRAINT hand_over_keys_pkey PRIMARY KEY CONSTRAINT hand_over_keys_key REFERENCES keys
);
COMMENT ON TABLE hand_over_keys IS 'Which keys were handed over; each once.';

CREATE TABLE losses (
    id uuid CONSTRAINT losses_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT losses_registration REFERENCES registrations,
    key_id uuid NOT NULL CONSTRAINT losses_key REFERENCES keys,
    kind text NOT NULL CONSTRAINT losses_kind CHECK (kind IN ('lost', 'stolen')),
    crime_reference text CONSTRAINT losses_crime_reference CHECK (char_length(crime_reference) BETWEEN 1 AND 100),
    happened_on date,
    place text CONSTRAINT losses_place CHECK (char_length(place) BETWEEN 1 AND 200),
    reported_by uuid NOT NULL CONSTRAINT losses_reported_by REFERENCES actors,
    reported_at timestamptz NOT NULL,
    found_at timestamptz CONSTRAINT losses_found_after CHECK (found_at >= reported_at),
    charge text NOT NULL CONSTRAINT losses_charge CHECK (charge IN ('none', 'due', 'paid', 'waived')),
    charge_amount integer CONSTRAINT losses_charge_amount CHECK (charge_amount >= 0),
    waived_by_post text CONSTRAINT losses_waived_by_post CHECK (waived_by_post ~ '^[a-z][a-z0-9_]{0,39}$'),
    charge_currency text CONSTRAINT losses_charge_currency CHECK (charge_currency ~ '^[A-Z]{3}$'),
    decision text CONSTRAINT losses_decision CHECK (decision IN ('keep', 'rekey')),
    decision_reason text CONSTRAINT losses_decision_reason CHECK (char_length(decision_reason) BETWEEN 1 AND 500),
    decided_by uuid CONSTRAINT losses_decided_by REFERENCES people,
    decided_at timestamptz,
    changed_at timestamptz NOT NULL,
    CONSTRAINT losses_decided CHECK (num_nonnulls(decision, decision_reason, decided_by, decided_at) IN (0, 4)),
    CONSTRAINT losses_waived CHECK (charge = 'waived' OR waived_by_post IS NULL),
    CONSTRAINT losses_charge_stated CHECK (
        charge = 'none' OR (charge_amount IS NOT NULL AND charge_currency IS NOT NULL))
);
COMMENT ON TABLE losses IS 'A key that was lost or stolen, what it costs, and whether the locks are changed.';
COMMENT ON COLUMN losses.charge_amount IS 'In the smallest unit of the currency.';
COMMENT ON COLUMN losses.waived_by_post IS 'The post of whoever waived it: the rules say which posts may.';
COMMENT ON COLUMN losses.charge_currency IS 'ISO 4217.';
COMMENT ON COLUMN losses.decision IS
    'Absent until a named person decides; its differ is on hold until then, where the rules ask for it.';
-- A key that was found may be lost again.
CREATE UNIQUE INDEX losses_key_once ON losses (key_id) WHERE found_at IS NULL;
CREATE INDEX losses_by_registration ON losses (registration_id);
CREATE TRIGGER losses_history AFTER INSERT OR UPDATE ON losses
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE audits (
    id uuid CONSTRAINT audits_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT audits_registration REFERENCES registrations,
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
COMMENT ON TABLE audits IS 'Key audits: who says that they still have which key.';
COMMENT ON COLUMN audits.person_id IS 'All keys, when neither a person nor a level is named.';
COMMENT ON COLUMN audits.level IS
    'Keys of differs of this level. All keys, when neither a person nor a level is named.';
COMMENT ON COLUMN audits.silence IS 'What no answer means on the last day.';
CREATE INDEX audits_by_registration ON audits (registration_id, id);
CREATE INDEX audits_open ON audits (due_on) WHERE closed_at IS NULL;
CREATE TRIGGER audits_history AFTER INSERT OR UPDATE ON audits FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE audit_lines (
    id uuid CONSTRAINT audit_lines_pkey PRIMARY KEY,
    audit_id uuid NOT NULL CONSTRAINT audit_lines_audit REFERENCES audits,
    key_id uuid NOT NULL CONSTRAINT audit_lines_key REFERENCES keys,
    holder_id uuid NOT NULL CONSTRAINT audit_lines_holder REFERENCES people,
    answer text NOT NULL CONSTRAINT audit_lines_answer
        CHECK (answer IN ('open', 'has_it', 'missing', 'taken_as_right')),
    answered_by uuid CONSTRAINT audit_lines_answered_by REFERENCES actors,
    answered_at timestamptz,
    CONSTRAINT audit_lines_once UNIQUE (audit_id, key_id),
    CONSTRAINT audit_lines_answered CHECK (
        (answer = 'open') = (answered_at IS NULL) AND (answered_at IS NULL) = (answered_by IS NULL))
);
COMMENT ON TABLE audit_lines IS 'One key of an audit, and what its holder says.';
COMMENT ON COLUMN audit_lines.holder_id IS 'Who had it when the audit was opened.';
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
COMMENT ON TABLE stock_counts IS 'Counts of the keys in store.';
COMMENT ON COLUMN stock_counts.book IS 'What the register had at that time.';
CREATE INDEX stock_counts_by_registration ON stock_counts (registration_id, id);
CREATE TRIGGER stock_counts_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON stock_counts
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

CREATE TABLE statements (
    id uuid CONSTRAINT statements_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT statements_registration REFERENCES registrations,
    on_day date NOT NULL,
    content text NOT NULL CONSTRAINT statements_content CHECK (char_length(content) >= 2),
    hash text NOT NULL CONSTRAINT statements_hash CHECK (hash ~ '^[A-Za-z0-9_-]{43}$'),
    made_by uuid NOT NULL CONSTRAINT statements_made_by REFERENCES actors,
    made_at timestamptz NOT NULL,
    entry_id uuid NOT NULL CONSTRAINT statements_entry REFERENCES log_entries DEFERRABLE INITIALLY DEFERRED
        CONSTRAINT statements_entry_once UNIQUE
);
COMMENT ON TABLE statements IS
    'What the register held on some premises on a day. It names people, and goes when one of them is erased.';
COMMENT ON COLUMN statements.content IS 'The bytes that were hashed, exactly as they were written.';
COMMENT ON COLUMN statements.hash IS 'SHA-256 of the content in base64url.';
CREATE INDEX statements_by_registration ON statements (registration_id, id);

ALTER TABLE copy_requests ADD CONSTRAINT copy_requests_replaced_key FOREIGN KEY (replaces_key_id) REFERENCES keys;
ALTER TABLE holds ADD CONSTRAINT holds_loss FOREIGN KEY (loss_id) REFERENCES losses;

GRANT SELECT, INSERT ON lever_packs, hand_over_keys, stock_counts TO wardbook_service;
GRANT SELECT, INSERT, UPDATE ON keys, losses, audits, audit_lines TO wardbook_service;
GRANT SELECT, INSERT, DELETE ON statements TO wardbook_service;
