-- Signatures at a hand-over, and what became of keys that nobody collected.

CREATE TABLE signatures (
    hand_over_id uuid CONSTRAINT signatures_pkey PRIMARY KEY
        CONSTRAINT signatures_hand_over REFERENCES hand_overs,
    -- The strokes as text: the bytes that were hashed.
    strokes text NOT NULL CONSTRAINT signatures_strokes CHECK (char_length(strokes) BETWEEN 10 AND 400000)
);

-- Evidence, and personal: kept as it was drawn until the person is erased.
GRANT SELECT, INSERT, DELETE ON signatures TO wardbook_service;
