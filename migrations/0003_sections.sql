-- Key sections, the counters appointed for them, and the blanks on their accounts.

CREATE TABLE sections (
    id uuid CONSTRAINT sections_pkey PRIMARY KEY,
    name text NOT NULL CONSTRAINT sections_name CHECK (char_length(name) BETWEEN 1 AND 200)
        CONSTRAINT sections_name_once UNIQUE,
    protection text NOT NULL CONSTRAINT sections_protection
        CHECK (protection IN ('registered_design', 'patent', 'agreement')),
    territory text CONSTRAINT sections_territory CHECK (char_length(territory) BETWEEN 1 AND 200),
    filed_on date,
    next_renewal_on date,
    last_expiry_on date,
    version integer NOT NULL CONSTRAINT sections_version CHECK (version >= 1),
    changed_at timestamptz NOT NULL,
    CONSTRAINT sections_protection_dates CHECK (
        protection = 'agreement'
        OR (territory IS NOT NULL AND filed_on IS NOT NULL AND last_expiry_on IS NOT NULL)),
    CONSTRAINT sections_dates_in_order CHECK (
        filed_on < last_expiry_on AND next_renewal_on > filed_on AND next_renewal_on <= last_expiry_on)
);
CREATE TRIGGER sections_history AFTER INSERT OR UPDATE ON sections
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE counters (
    id uuid CONSTRAINT counters_pkey PRIMARY KEY,
    dealer_id uuid NOT NULL CONSTRAINT counters_dealer REFERENCES organisations,
    name text NOT NULL CONSTRAINT counters_name CHECK (char_length(name) BETWEEN 1 AND 200),
    changed_at timestamptz NOT NULL
);
CREATE INDEX counters_by_dealer ON counters (dealer_id);
CREATE TRIGGER counters_history AFTER INSERT OR UPDATE ON counters
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE appointments (
    id uuid CONSTRAINT appointments_pkey PRIMARY KEY,
    counter_id uuid NOT NULL CONSTRAINT appointments_counter REFERENCES counters,
    section_id uuid NOT NULL CONSTRAINT appointments_section REFERENCES sections,
    first_day date NOT NULL,
    last_day date,
    revoked_at timestamptz,
    changed_at timestamptz NOT NULL,
    CONSTRAINT appointments_days CHECK (last_day IS NULL OR last_day >= first_day),
    CONSTRAINT appointments_one_at_a_time EXCLUDE USING gist
        (id_pair(counter_id, section_id) WITH =, daterange(first_day, last_day, '[]') WITH &&)
        WHERE (revoked_at IS NULL)
);
CREATE INDEX appointments_by_counter ON appointments (counter_id, section_id);
CREATE TRIGGER appointments_history AFTER INSERT OR UPDATE ON appointments
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE blank_accounts (
    counter_id uuid NOT NULL CONSTRAINT blank_accounts_counter REFERENCES counters,
    section_id uuid NOT NULL CONSTRAINT blank_accounts_section REFERENCES sections,
    received integer NOT NULL,
    cut integer NOT NULL CONSTRAINT blank_accounts_cut CHECK (cut >= 0),
    spoiled integer NOT NULL CONSTRAINT blank_accounts_spoiled CHECK (spoiled >= 0),
    returned integer NOT NULL CONSTRAINT blank_accounts_returned CHECK (returned >= 0),
    on_hand integer NOT NULL CONSTRAINT blank_accounts_on_hand CHECK (on_hand >= 0),
    CONSTRAINT blank_accounts_pkey PRIMARY KEY (counter_id, section_id),
    CONSTRAINT blank_accounts_balance CHECK (received = cut + spoiled + returned + on_hand)
);

CREATE TABLE consignments (
    id uuid CONSTRAINT consignments_pkey PRIMARY KEY,
    counter_id uuid NOT NULL,
    section_id uuid NOT NULL,
    quantity integer NOT NULL CONSTRAINT consignments_quantity CHECK (quantity BETWEEN 1 AND 100000),
    sent_at timestamptz NOT NULL,
    sent_by uuid NOT NULL CONSTRAINT consignments_sent_by REFERENCES actors,
    CONSTRAINT consignments_account FOREIGN KEY (counter_id, section_id) REFERENCES blank_accounts
);
CREATE INDEX consignments_by_account ON consignments (counter_id, section_id);
