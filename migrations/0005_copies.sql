-- The life of a copy: asked for, decided, approved, cut, handed over; and every key that came of it.

CREATE TABLE copy_requests (
    id uuid CONSTRAINT copy_requests_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT copy_requests_registration REFERENCES registrations,
    differ_id uuid NOT NULL,
    asked_by uuid NOT NULL CONSTRAINT copy_requests_asked_by REFERENCES people,
    recipient_id uuid NOT NULL CONSTRAINT copy_requests_recipient REFERENCES people,
    counter_id uuid NOT NULL CONSTRAINT copy_requests_counter REFERENCES counters,
    quantity integer NOT NULL CONSTRAINT copy_requests_quantity CHECK (quantity BETWEEN 1 AND 1000),
    purpose text NOT NULL CONSTRAINT copy_requests_purpose
        CHECK (purpose IN ('additional', 'replace_worn', 'replace_lost')),
    replaces_key_id uuid,
    needed_from timestamptz,
    due_back_on date,
    extends_request_id uuid CONSTRAINT copy_requests_extends REFERENCES copy_requests,
    emergency_reason text CONSTRAINT copy_requests_emergency_reason
        CHECK (char_length(emergency_reason) BETWEEN 1 AND 500),
    state text NOT NULL CONSTRAINT copy_requests_state CHECK (state IN
        ('waiting', 'authorised', 'completed', 'refused', 'declined', 'withdrawn', 'lapsed', 'stopped')),
    asked_at timestamptz NOT NULL,
    authorised_at timestamptz,
    lapses_at timestamptz,
    cut_count integer NOT NULL,
    handed_count integer NOT NULL,
    version integer NOT NULL CONSTRAINT copy_requests_version CHECK (version >= 1),
    changed_at timestamptz NOT NULL,
    CONSTRAINT copy_requests_differ FOREIGN KEY (differ_id, registration_id) REFERENCES differs (id, registration_id),
    CONSTRAINT copy_requests_counts CHECK (0 <= handed_count AND handed_count <= cut_count AND cut_count <= quantity),
    CONSTRAINT copy_requests_replaces CHECK ((purpose = 'additional') = (replaces_key_id IS NULL)),
    CONSTRAINT copy_requests_replaces_one CHECK (purpose = 'additional' OR quantity = 1),
    CONSTRAINT copy_requests_authorised CHECK ((authorised_at IS NULL) = (lapses_at IS NULL)),
    CONSTRAINT copy_requests_cut_needs_authorisation CHECK (cut_count = 0 OR authorised_at IS NOT NULL),
    CONSTRAINT copy_requests_authorised_state CHECK (
        authorised_at IS NOT NULL OR state NOT IN ('authorised', 'completed'))
);
CREATE INDEX copy_requests_by_registration ON copy_requests (registration_id, id);
CREATE INDEX copy_requests_open_by_differ ON copy_requests (differ_id) WHERE state = 'authorised';
CREATE INDEX copy_requests_by_counter ON copy_requests (counter_id, id);
CREATE INDEX copy_requests_by_replaced_key ON copy_requests (replaces_key_id) WHERE replaces_key_id IS NOT NULL;
CREATE INDEX copy_requests_by_extended ON copy_requests (extends_request_id) WHERE extends_request_id IS NOT NULL;
CREATE INDEX copy_requests_to_lapse ON copy_requests (lapses_at) WHERE state = 'authorised';
CREATE TRIGGER copy_requests_history AFTER INSERT OR UPDATE ON copy_requests
    FOR EACH ROW EXECUTE FUNCTION keep_history();

-- Every decision that was taken, refusals too: one row, one entry.
CREATE TABLE decisions (
    id uuid CONSTRAINT decisions_pkey PRIMARY KEY,
    registration_id uuid NOT NULL,
    request_id uuid NOT NULL CONSTRAINT decisions_request REFERENCES copy_requests,
    step text NOT NULL CONSTRAINT decisions_step CHECK (step IN
        ('ask', 'approve', 'decline', 'withdraw', 'stop', 'cut', 'hand_over', 'lapse')),
    outcome text NOT NULL CONSTRAINT decisions_outcome CHECK (outcome IN
        ('permitted', 'needs_approval', 'refused', 'recorded')),
    reasons jsonb NOT NULL,
    rules_version integer NOT NULL,
    by_actor uuid NOT NULL CONSTRAINT decisions_actor REFERENCES actors,
    at timestamptz NOT NULL,
    entry_id uuid NOT NULL CONSTRAINT decisions_entry REFERENCES log_entries
        CONSTRAINT decisions_entry_once UNIQUE,
    CONSTRAINT decisions_rules FOREIGN KEY (registration_id, rules_version)
        REFERENCES rule_versions (registration_id, version)
);
CREATE INDEX decisions_by_request ON decisions (request_id, at);
CREATE TRIGGER decisions_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON decisions
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

CREATE TABLE approvals (
    id uuid CONSTRAINT approvals_pkey PRIMARY KEY,
    request_id uuid NOT NULL CONSTRAINT approvals_request REFERENCES copy_requests,
    approver_id uuid NOT NULL CONSTRAINT approvals_approver REFERENCES people,
    decision_id uuid NOT NULL CONSTRAINT approvals_decision REFERENCES decisions,
    -- Given in place of an authority that could not act; why stands in the request.
    emergency boolean NOT NULL,
    given_at timestamptz NOT NULL,
    CONSTRAINT approvals_once UNIQUE (request_id, approver_id)
);
CREATE INDEX approvals_emergency ON approvals (given_at) WHERE emergency;

CREATE TABLE cuts (
    id uuid CONSTRAINT cuts_pkey PRIMARY KEY,
    request_id uuid NOT NULL CONSTRAINT cuts_request REFERENCES copy_requests,
    counter_id uuid NOT NULL CONSTRAINT cuts_counter REFERENCES counters,
    quantity integer NOT NULL CONSTRAINT cuts_quantity CHECK (quantity >= 1),
    decision_id uuid NOT NULL CONSTRAINT cuts_decision REFERENCES decisions
        CONSTRAINT cuts_decision_once UNIQUE,
    at timestamptz NOT NULL
);
CREATE INDEX cuts_by_request ON cuts (request_id);

-- The levers for one lock with the keys cut to them.
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
CREATE INDEX keys_by_registration ON keys (registration_id, id);
CREATE INDEX keys_by_holder ON keys (holder_id) WHERE holder_id IS NOT NULL;
CREATE INDEX keys_due ON keys (due_back_on) WHERE state = 'with_person' AND due_back_on IS NOT NULL;
CREATE TRIGGER keys_history AFTER INSERT OR UPDATE ON keys
    FOR EACH ROW EXECUTE FUNCTION keep_history();

ALTER TABLE copy_requests ADD CONSTRAINT copy_requests_replaced_key FOREIGN KEY (replaces_key_id) REFERENCES keys;

CREATE TABLE losses (
    id uuid CONSTRAINT losses_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT losses_registration REFERENCES registrations,
    key_id uuid NOT NULL CONSTRAINT losses_key REFERENCES keys,
    kind text NOT NULL CONSTRAINT losses_kind CHECK (kind IN ('lost', 'stolen')),
    crime_reference text CONSTRAINT losses_crime_reference CHECK (char_length(crime_reference) BETWEEN 1 AND 100),
    reported_by uuid NOT NULL CONSTRAINT losses_reported_by REFERENCES actors,
    reported_at timestamptz NOT NULL,
    found_at timestamptz CONSTRAINT losses_found_after CHECK (found_at >= reported_at),
    charge text NOT NULL CONSTRAINT losses_charge CHECK (charge IN ('none', 'due', 'paid', 'waived')),
    charge_amount integer CONSTRAINT losses_charge_amount CHECK (charge_amount >= 0),
    -- The post of whoever waived it: the rules say which posts may.
    waived_by_post text CONSTRAINT losses_waived_by_post CHECK (waived_by_post ~ '^[a-z][a-z0-9_]{0,39}$'),
    charge_currency text CONSTRAINT losses_charge_currency CHECK (charge_currency ~ '^[A-Z]{3}$'),
    changed_at timestamptz NOT NULL,
    CONSTRAINT losses_waived CHECK (charge = 'waived' OR waived_by_post IS NULL),
    CONSTRAINT losses_charge_stated CHECK (charge = 'none' OR (charge_amount IS NOT NULL AND charge_currency IS NOT NULL))
);
-- A key that was found may be lost again.
CREATE UNIQUE INDEX losses_key_once ON losses (key_id) WHERE found_at IS NULL;
CREATE INDEX losses_by_registration ON losses (registration_id);
CREATE TRIGGER losses_history AFTER INSERT OR UPDATE ON losses
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE hand_overs (
    id uuid CONSTRAINT hand_overs_pkey PRIMARY KEY,
    request_id uuid NOT NULL CONSTRAINT hand_overs_request REFERENCES copy_requests,
    collected_by uuid NOT NULL CONSTRAINT hand_overs_collected_by REFERENCES people,
    card_id uuid CONSTRAINT hand_overs_card REFERENCES cards,
    -- Which kind of document was seen, never a copy of it.
    document_seen text CONSTRAINT hand_overs_document CHECK (document_seen IN
        ('passport', 'driving_licence', 'identity_card', 'staff_card', 'other_photo_document')),
    decision_id uuid NOT NULL CONSTRAINT hand_overs_decision REFERENCES decisions
        CONSTRAINT hand_overs_decision_once UNIQUE,
    at timestamptz NOT NULL
);
CREATE INDEX hand_overs_by_request ON hand_overs (request_id);

CREATE TABLE hand_over_keys (
    hand_over_id uuid NOT NULL CONSTRAINT hand_over_keys_hand_over REFERENCES hand_overs,
    key_id uuid NOT NULL CONSTRAINT hand_over_keys_pkey PRIMARY KEY CONSTRAINT hand_over_keys_key REFERENCES keys
);
