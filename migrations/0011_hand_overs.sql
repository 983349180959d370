-- Signatures at a hand-over, and what became of keys that nobody collected.

CREATE TABLE signatures (
    hand_over_id uuid CONSTRAINT signatures_pkey PRIMARY KEY
        CONSTRAINT signatures_hand_over REFERENCES hand_overs,
    -- The strokes as text: the bytes that were hashed.
    strokes text NOT NULL CONSTRAINT signatures_strokes CHECK (char_length(strokes) BETWEEN 10 AND 400000),
    -- Nobody draws the same strokes twice to the millisecond.
    hash text NOT NULL CONSTRAINT signatures_once UNIQUE
);

-- Keys that nobody collected are destroyed by one and seen by another, each in a session of their own.
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
CREATE UNIQUE INDEX destructions_one_open ON destructions (request_id) WHERE witnessed_at IS NULL;
GRANT SELECT, INSERT ON destructions TO wardbook_service;
GRANT UPDATE (witness_id, witnessed_at) ON destructions TO wardbook_service;

-- Evidence, and personal: kept as it was drawn until the person is erased.
GRANT SELECT, INSERT, DELETE ON signatures TO wardbook_service;
