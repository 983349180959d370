-- The account of blanks: what was sent and acknowledged, spoiled before a witness, sent back, counted;
-- and what was found to differ.

ALTER TABLE blank_accounts ADD COLUMN missing integer NOT NULL DEFAULT 0
    CONSTRAINT blank_accounts_missing CHECK (missing >= 0);
ALTER TABLE blank_accounts ADD COLUMN on_the_way integer NOT NULL DEFAULT 0
    CONSTRAINT blank_accounts_on_the_way CHECK (on_the_way >= 0);
-- On hand and on the way together: the supplier sends no more beyond it.
ALTER TABLE blank_accounts ADD COLUMN most_held integer
    CONSTRAINT blank_accounts_most_held CHECK (most_held >= 0);
ALTER TABLE blank_accounts DROP CONSTRAINT blank_accounts_balance;
ALTER TABLE blank_accounts ADD CONSTRAINT blank_accounts_balance
    CHECK (received = cut + spoiled + returned + missing + on_hand);

CREATE TABLE blank_movements (
    id uuid CONSTRAINT blank_movements_pkey PRIMARY KEY,
    counter_id uuid NOT NULL,
    section_id uuid NOT NULL,
    kind text NOT NULL CONSTRAINT blank_movements_kind CHECK (kind IN ('consignment', 'spoil', 'return', 'count')),
    quantity integer NOT NULL CONSTRAINT blank_movements_quantity
        CHECK (quantity BETWEEN 0 AND 100000 AND (quantity > 0 OR kind = 'count')),
    -- The copy that was being cut when a blank was spoiled.
    copy_request_id uuid CONSTRAINT blank_movements_request REFERENCES copy_requests,
    remark text CONSTRAINT blank_movements_remark CHECK (char_length(remark) BETWEEN 1 AND 500),
    made_by uuid NOT NULL CONSTRAINT blank_movements_made_by REFERENCES actors,
    made_at timestamptz NOT NULL,
    -- By the other side, or the witness.
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
CREATE INDEX blank_movements_by_account ON blank_movements (counter_id, section_id, id);

INSERT INTO blank_movements (id, counter_id, section_id, kind, quantity, made_by, made_at,
                             confirmed_by, confirmed_at, confirmed_quantity)
SELECT id, counter_id, section_id, 'consignment', quantity, sent_by, sent_at,
       '00000000-0000-0000-0000-000000000000', sent_at, quantity
FROM consignments;
DROP TABLE consignments;

CREATE TABLE blank_differences (
    id uuid CONSTRAINT blank_differences_pkey PRIMARY KEY,
    counter_id uuid NOT NULL,
    section_id uuid NOT NULL,
    -- More than the book has, or fewer.
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
CREATE INDEX blank_differences_by_account ON blank_differences (counter_id, section_id, id);

GRANT SELECT, INSERT ON blank_movements, blank_differences TO wardbook_service;
GRANT UPDATE (confirmed_by, confirmed_at, confirmed_quantity) ON blank_movements TO wardbook_service;
GRANT UPDATE (explanation, remark, explained_by, explained_at) ON blank_differences TO wardbook_service;
