-- Blanks: what was sent and acknowledged, spoiled before a witness, sent back, counted; what was found to differ.

CREATE TABLE blank_accounts (
    counter_id uuid NOT NULL CONSTRAINT blank_accounts_counter REFERENCES counters,
    section_id uuid NOT NULL CONSTRAINT blank_accounts_section REFERENCES sections,
    received integer NOT NULL,
    cut integer NOT NULL CONSTRAINT blank_accounts_cut CHECK (cut >= 0),
    spoiled integer NOT NULL CONSTRAINT blank_accounts_spoiled CHECK (spoiled >= 0),
    returned integer NOT NULL CONSTRAINT blank_accounts_returned CHECK (returned >= 0),
    missing integer NOT NULL DEFAULT 0 CONSTRAINT blank_accounts_missing CHECK (missing >= 0),
    on_hand integer NOT NULL CONSTRAINT blank_accounts_on_hand CHECK (on_hand >= 0),
    on_the_way integer NOT NULL DEFAULT 0 CONSTRAINT blank_accounts_on_the_way CHECK (on_the_way >= 0),
    most_blanks integer CONSTRAINT blank_accounts_most_blanks CHECK (most_blanks >= 0),
    CONSTRAINT blank_accounts_pkey PRIMARY KEY (counter_id, section_id),
    CONSTRAINT blank_accounts_balance CHECK (received = cut + spoiled + returned + missing + on_hand)
);
COMMENT ON TABLE blank_accounts IS 'The blanks of one section at one counter.';
COMMENT ON COLUMN blank_accounts.received IS 'What was acknowledged, since the beginning.';
COMMENT ON COLUMN blank_accounts.missing IS
    'Differences that were explained as missing, less those that were found again.';
COMMENT ON COLUMN blank_accounts.on_the_way IS 'Sent by the supplier and not acknowledged yet.';
COMMENT ON COLUMN blank_accounts.most_blanks IS
    'On hand and on the way together: the supplier sends no more beyond it.';

CREATE TABLE blank_movements (
    id uuid CONSTRAINT blank_movements_pkey PRIMARY KEY,
    counter_id uuid NOT NULL,
    section_id uuid NOT NULL,
    kind text NOT NULL CONSTRAINT blank_movements_kind CHECK (kind IN ('consignment', 'spoil', 'return', 'count')),
    quantity integer NOT NULL CONSTRAINT blank_movements_quantity
        CHECK (quantity BETWEEN 0 AND 100000 AND (quantity > 0 OR kind = 'count')),
    copy_request_id uuid CONSTRAINT blank_movements_request REFERENCES copy_requests,
    remark text CONSTRAINT blank_movements_remark CHECK (char_length(remark) BETWEEN 1 AND 500),
    made_by uuid NOT NULL CONSTRAINT blank_movements_made_by REFERENCES actors,
    made_at timestamptz NOT NULL,
    confirmed_by uuid CONSTRAINT blank_movements_confirmed_by REFERENCES actors,
    confirmed_at timestamptz,
    confirmed_quantity integer CONSTRAINT blank_movements_confirmed_quantity CHECK (confirmed_quantity >= 0),
    CONSTRAINT blank_movements_account FOREIGN KEY (counter_id, section_id) REFERENCES blank_accounts,
    CONSTRAINT blank_movements_spoil_of_request CHECK (copy_request_id IS NULL OR kind = 'spoil'),
    CONSTRAINT blank_movements_confirmed CHECK (
        num_nonnulls(confirmed_by, confirmed_at, confirmed_quantity) IN (0, 3)
        AND (confirmed_by IS NULL OR kind <> 'count')),
    CONSTRAINT blank_movements_two_sides CHECK (confirmed_by <> made_by)
);
COMMENT ON TABLE blank_movements IS 'What was sent, spoiled, sent back or counted.';
COMMENT ON COLUMN blank_movements.copy_request_id IS 'The copy that was being cut when a blank was spoiled.';
COMMENT ON COLUMN blank_movements.confirmed_by IS 'The other side, or the witness.';
CREATE INDEX blank_movements_by_account ON blank_movements (counter_id, section_id, id);

CREATE TABLE blank_differences (
    id uuid CONSTRAINT blank_differences_pkey PRIMARY KEY,
    counter_id uuid NOT NULL,
    section_id uuid NOT NULL,
    quantity integer NOT NULL CONSTRAINT blank_differences_quantity CHECK (quantity <> 0),
    movement_id uuid CONSTRAINT blank_differences_movement REFERENCES blank_movements
        CONSTRAINT blank_differences_movement_once UNIQUE,
    cut_id uuid CONSTRAINT blank_differences_cut REFERENCES cuts
        CONSTRAINT blank_differences_cut_once UNIQUE,
    found_at timestamptz NOT NULL,
    explanation text CONSTRAINT blank_differences_explanation CHECK (explanation IN
        ('miscounted', 'spoiled', 'returned', 'missing', 'found', 'booked_twice', 'other')),
    remark text CONSTRAINT blank_differences_remark CHECK (char_length(remark) BETWEEN 1 AND 500),
    explained_by uuid CONSTRAINT blank_differences_explained_by REFERENCES actors,
    explained_at timestamptz,
    CONSTRAINT blank_differences_account FOREIGN KEY (counter_id, section_id) REFERENCES blank_accounts,
    CONSTRAINT blank_differences_one_origin CHECK (num_nonnulls(movement_id, cut_id) = 1),
    CONSTRAINT blank_differences_explained CHECK (
        num_nonnulls(explanation, explained_by, explained_at) IN (0, 3))
);
COMMENT ON TABLE blank_differences IS 'What a count, an acknowledgement or a cut found to differ from the book.';
COMMENT ON COLUMN blank_differences.quantity IS 'More than the book has, or fewer.';
CREATE INDEX blank_differences_by_account ON blank_differences (counter_id, section_id, id);

GRANT SELECT, INSERT, UPDATE ON blank_accounts TO wardbook_service;
GRANT SELECT, INSERT ON blank_movements, blank_differences TO wardbook_service;
GRANT UPDATE (confirmed_by, confirmed_at, confirmed_quantity) ON blank_movements TO wardbook_service;
GRANT UPDATE (explanation, remark, explained_by, explained_at) ON blank_differences TO wardbook_service;
