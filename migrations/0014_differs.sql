-- Which differs a section can have, and which of them are taken.

ALTER TABLE sections ADD COLUMN geometry jsonb;

-- Reserved: for a site, and nobody orders keys of it. Dead: no lock answers to it any more.
-- Released: never cut, and its combination is free again.
ALTER TABLE differs ADD COLUMN state text NOT NULL DEFAULT 'given_out' CONSTRAINT differs_state
    CHECK (state IN ('reserved', 'given_out', 'dead', 'released'));
ALTER TABLE differs ALTER COLUMN state DROP DEFAULT;
-- When the register drew it; absent where it was recorded from elsewhere.
ALTER TABLE differs ADD COLUMN allotted_at timestamptz;
ALTER TABLE differs ADD CONSTRAINT differs_id_section UNIQUE (id, section_id);
CREATE INDEX differs_by_allotment ON differs (section_id, allotted_at) WHERE allotted_at IS NOT NULL;

CREATE INDEX lever_packs_by_differ ON lever_packs (differ_id);

-- How many combinations of a section are taken. Its row is taken while one is given out.
CREATE TABLE differ_spaces (
    section_id uuid CONSTRAINT differ_spaces_pkey PRIMARY KEY
        CONSTRAINT differ_spaces_section REFERENCES sections,
    taken bigint NOT NULL CONSTRAINT differ_spaces_taken CHECK (taken >= 0)
);

-- A keyed fingerprint tells that a combination is taken, and not which one it is.
ALTER TABLE bittings
    ADD COLUMN section_id uuid NOT NULL,
    ADD COLUMN fingerprint bytea NOT NULL
        CONSTRAINT bittings_fingerprint CHECK (octet_length(fingerprint) = 32),
    DROP CONSTRAINT bittings_differ,
    ADD CONSTRAINT bittings_differ FOREIGN KEY (differ_id, section_id) REFERENCES differs (id, section_id),
    ADD CONSTRAINT bittings_once UNIQUE (section_id, fingerprint);

GRANT SELECT, INSERT, UPDATE ON differ_spaces TO wardbook_service;
GRANT DELETE ON bittings TO wardbook_service;
