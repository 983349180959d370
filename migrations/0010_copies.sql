-- Copies: asked for, decided, approved, cut, handed over.

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
COMMENT ON TABLE copy_requests IS 'A further key is asked for.';
COMMENT ON COLUMN copy_requests.asked_by IS 'Who asked.';
COMMENT ON COLUMN copy_requests.recipient_id IS 'Who is to have the keys.';
COMMENT ON COLUMN copy_requests.replaces_key_id IS 'The worn or lost key that the copy is instead of.';
COMMENT ON COLUMN copy_requests.needed_from IS 'From when the keys are needed.';
COMMENT ON COLUMN copy_requests.due_back_on IS 'When keys that are lent come back.';
COMMENT ON COLUMN copy_requests.extends_request_id IS 'The request whose keys are to stay out longer.';
COMMENT ON COLUMN copy_requests.emergency_reason IS 'Why the normal authority cannot act.';
COMMENT ON COLUMN copy_requests.lapses_at IS 'Until when it may be cut.';
COMMENT ON COLUMN copy_requests.version IS 'For If-Match.';
CREATE INDEX copy_requests_by_registration ON copy_requests (registration_id, id);
CREATE INDEX copy_requests_open_by_differ ON copy_requests (differ_id) WHERE state = 'authorised';
CREATE INDEX copy_requests_by_counter ON copy_requests (counter_id, id);
CREATE INDEX copy_requests_by_replaced_key ON copy_requests (replaces_key_id) WHERE replaces_key_id IS NOT NULL;
CREATE INDEX copy_requests_by_extended ON copy_requests (extends_request_id) WHERE extends_request_id IS NOT NULL;
CREATE INDEX copy_requests_to_lapse ON copy_requests (lapses_at) WHERE state = 'authorised';
CREATE TRIGGER copy_requests_history AFTER INSERT OR UPDATE ON copy_requests
    FOR EACH ROW EXECUTE FUNCTION keep_history();
CREATE INDEX copy_requests_by_asker ON copy_requests (asked_by, asked_at);

CREATE TABLE decisions (
    id uuid CONSTRAINT decisions_pkey PRIMARY KEY,
    registration_id uuid NOT NULL,
    request_id uuid NOT NULL CONSTRAINT decisions_request REFERENCES copy_requests,
    step text NOT NULL CONSTRAINT decisions_step CHECK (step IN
        ('ask', 'approve', 'decline', 'withdraw', 'stop', 'look', 'cut', 'cut_offline', 'hand_over', 'lapse')),
    outcome text NOT NULL CONSTRAINT decisions_outcome CHECK (outcome IN
        ('permitted', 'needs_approval', 'refused', 'recorded')),
    reasons jsonb NOT NULL,
    rules_version integer NOT NULL,
    by_actor uuid NOT NULL CONSTRAINT decisions_actor REFERENCES actors,
    at timestamptz NOT NULL,
    entry_id uuid NOT NULL CONSTRAINT decisions_entry REFERENCES log_entries DEFERRABLE INITIALLY DEFERRED
        CONSTRAINT decisions_entry_once UNIQUE,
    CONSTRAINT decisions_rules FOREIGN KEY (registration_id, rules_version)
        REFERENCES rule_versions (registration_id, version)
);
COMMENT ON TABLE decisions IS 'Every decision that was taken, refusals too: one row, one entry.';
COMMENT ON COLUMN decisions.step IS 'Where in the life of the request.';
COMMENT ON COLUMN decisions.reasons IS 'Code and detail of each.';
COMMENT ON COLUMN decisions.rules_version IS 'The rules that it was taken under.';
CREATE INDEX decisions_by_request ON decisions (request_id, at);
CREATE TRIGGER decisions_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON decisions
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

CREATE TABLE approvals (
    id uuid CONSTRAINT approvals_pkey PRIMARY KEY,
    request_id uuid NOT NULL CONSTRAINT approvals_request REFERENCES copy_requests,
    approver_id uuid NOT NULL CONSTRAINT approvals_approver REFERENCES people,
    decision_id uuid NOT NULL CONSTRAINT approvals_decision REFERENCES decisions,
    emergency boolean NOT NULL,
    given_at timestamptz NOT NULL,
    CONSTRAINT approvals_once UNIQUE (request_id, approver_id)
);
COMMENT ON TABLE approvals IS 'Who approved which request.';
COMMENT ON COLUMN approvals.emergency IS
    'Given in place of an authority that could not act; why stands in the request.';
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
COMMENT ON TABLE cuts IS 'Keys that were cut at a counter for a request.';
CREATE INDEX cuts_by_request ON cuts (request_id);
CREATE INDEX cuts_by_counter ON cuts (counter_id, at);

CREATE TABLE offline_cuts (
    cut_id uuid CONSTRAINT offline_cuts_pkey PRIMARY KEY CONSTRAINT offline_cuts_cut REFERENCES cuts,
    counter_id uuid NOT NULL CONSTRAINT offline_cuts_counter REFERENCES counters,
    chosen_id uuid NOT NULL,
    made_at timestamptz NOT NULL,
    flagged boolean NOT NULL,
    beyond integer NOT NULL,
    CONSTRAINT offline_cuts_once UNIQUE (counter_id, chosen_id),
    CONSTRAINT offline_cuts_beyond CHECK (beyond >= 0 AND (flagged OR beyond = 0))
);
COMMENT ON TABLE offline_cuts IS 'Cuts that were made without a network and brought in later, each decided again.';
COMMENT ON COLUMN offline_cuts.counter_id IS
    'The counter chose an id for it: the same cut is recorded once, whoever sends it and whenever.';
COMMENT ON COLUMN offline_cuts.chosen_id IS
    'The counter chose it: a cut is recorded once, whoever sends it and whenever.';
COMMENT ON COLUMN offline_cuts.made_at IS 'By the counter''s clock.';
COMMENT ON COLUMN offline_cuts.flagged IS
    'The decision that was taken when it was brought in was no: the keys exist all the same.';
COMMENT ON COLUMN offline_cuts.beyond IS 'Keys beyond what was authorised.';
CREATE INDEX offline_cuts_flagged ON offline_cuts (cut_id) WHERE flagged;

CREATE TABLE cut_claims (
    id uuid CONSTRAINT cut_claims_pkey PRIMARY KEY,
    request_id uuid NOT NULL CONSTRAINT cut_claims_request REFERENCES copy_requests,
    counter_id uuid NOT NULL CONSTRAINT cut_claims_counter REFERENCES counters,
    chosen_id uuid NOT NULL,
    quantity integer NOT NULL CONSTRAINT cut_claims_quantity CHECK (quantity >= 1),
    made_at timestamptz NOT NULL,
    brought_in_at timestamptz NOT NULL,
    decision_id uuid NOT NULL CONSTRAINT cut_claims_decision REFERENCES decisions
        CONSTRAINT cut_claims_decision_once UNIQUE,
    settled_at timestamptz,
    settled_by uuid CONSTRAINT cut_claims_settled_by REFERENCES people,
    accepted boolean,
    CONSTRAINT cut_claims_once UNIQUE (counter_id, chosen_id),
    CONSTRAINT cut_claims_settled CHECK
        ((settled_at IS NULL) = (accepted IS NULL) AND (settled_at IS NULL) = (settled_by IS NULL))
);
COMMENT ON TABLE cut_claims IS
    'Keys that a counter says it cut beyond what was authorised: they are none until the register has accepted them.';
COMMENT ON COLUMN cut_claims.chosen_id IS 'The id that the counter chose for the cut that it brought in.';
COMMENT ON COLUMN cut_claims.made_at IS 'By the counter''s clock.';
CREATE INDEX cut_claims_by_request ON cut_claims (request_id);

CREATE TABLE hand_overs (
    id uuid CONSTRAINT hand_overs_pkey PRIMARY KEY,
    request_id uuid NOT NULL CONSTRAINT hand_overs_request REFERENCES copy_requests,
    collected_by uuid NOT NULL CONSTRAINT hand_overs_collected_by REFERENCES people,
    card_id uuid CONSTRAINT hand_overs_card REFERENCES cards,
    document_seen text CONSTRAINT hand_overs_document CHECK (document_seen IN
        ('passport', 'driving_licence', 'identity_card', 'staff_card', 'other_photo_document')),
    decision_id uuid NOT NULL CONSTRAINT hand_overs_decision REFERENCES decisions
        CONSTRAINT hand_overs_decision_once UNIQUE,
    at timestamptz NOT NULL
);
COMMENT ON TABLE hand_overs IS 'Keys that were handed to whoever collected them.';
COMMENT ON COLUMN hand_overs.card_id IS 'The card that was shown.';
COMMENT ON COLUMN hand_overs.document_seen IS 'Which kind of document was seen, never a copy of it.';
CREATE INDEX hand_overs_by_request ON hand_overs (request_id);

CREATE TABLE signatures (
    hash text CONSTRAINT signatures_pkey PRIMARY KEY,
    strokes text NOT NULL CONSTRAINT signatures_strokes CHECK (char_length(strokes) BETWEEN 10 AND 400000),
    hand_over_id uuid CONSTRAINT signatures_hand_over REFERENCES hand_overs
        CONSTRAINT signatures_hand_over_once UNIQUE,
    plot_hand_over_id uuid CONSTRAINT signatures_plot_hand_over_once UNIQUE,
    CONSTRAINT signatures_one_hand_over CHECK (num_nonnulls(hand_over_id, plot_hand_over_id) = 1)
);
COMMENT ON TABLE signatures IS
    'What was drawn at a hand-over: evidence, and personal, so kept until the person is erased.';
COMMENT ON COLUMN signatures.hash IS
    'SHA-256 of the strokes. Nobody draws the same strokes twice to the millisecond.';
COMMENT ON COLUMN signatures.strokes IS 'The strokes as text: the bytes that were hashed.';

CREATE TABLE destructions (
    id uuid CONSTRAINT destructions_pkey PRIMARY KEY,
    request_id uuid NOT NULL CONSTRAINT destructions_request REFERENCES copy_requests,
    made_by uuid NOT NULL CONSTRAINT destructions_made_by REFERENCES people,
    made_at timestamptz NOT NULL,
    witness_id uuid CONSTRAINT destructions_witness REFERENCES people
        CONSTRAINT destructions_two_people CHECK (witness_id <> made_by),
    witnessed_at timestamptz,
    CONSTRAINT destructions_witnessed CHECK ((witness_id IS NULL) = (witnessed_at IS NULL))
);
COMMENT ON TABLE destructions IS
    'Keys that nobody collected are destroyed by one and seen by another, each in a session of their own.';
CREATE UNIQUE INDEX destructions_one_open ON destructions (request_id) WHERE witnessed_at IS NULL;

GRANT SELECT, INSERT, UPDATE ON copy_requests TO wardbook_service;
GRANT SELECT, INSERT ON decisions, approvals, cuts, offline_cuts, cut_claims, hand_overs, destructions
    TO wardbook_service;
GRANT UPDATE (settled_at, settled_by, accepted) ON cut_claims TO wardbook_service;
GRANT SELECT, INSERT, DELETE ON signatures TO wardbook_service;
GRANT UPDATE (witness_id, witnessed_at) ON destructions TO wardbook_service;
