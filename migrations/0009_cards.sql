-- Owners' cards: where it says whether a card still counts, and checks that failed.

CREATE TABLE status_lists (
    number integer CONSTRAINT status_lists_pkey PRIMARY KEY CONSTRAINT status_lists_number CHECK (number >= 1),
    size integer NOT NULL CONSTRAINT status_lists_size CHECK (size BETWEEN 4 AND 4194304 AND size % 4 = 0),
    used integer NOT NULL,
    CONSTRAINT status_lists_used CHECK (used BETWEEN 0 AND size)
);
COMMENT ON TABLE status_lists IS
    'Which places of the published list of states are taken. A list that is half used takes no more cards.';
COMMENT ON COLUMN status_lists.used IS 'Places that were given out.';

CREATE TABLE cards (
    id uuid CONSTRAINT cards_pkey PRIMARY KEY,
    registration_id uuid NOT NULL CONSTRAINT cards_registration REFERENCES registrations,
    person_id uuid NOT NULL CONSTRAINT cards_person REFERENCES people,
    number text NOT NULL CONSTRAINT cards_number CHECK (number ~ '^[0-9]{14}$' AND number::numeric % 97 = 1)
        CONSTRAINT cards_number_once UNIQUE,
    state text NOT NULL CONSTRAINT cards_state CHECK (state IN ('valid', 'suspended', 'revoked')),
    expires_on date NOT NULL,
    pin_hash text CONSTRAINT cards_pin_argon2id CHECK (pin_hash LIKE '$argon2id$%'),
    pin_failures integer NOT NULL CONSTRAINT cards_pin_failures CHECK (pin_failures >= 0),
    pin_blocked_until timestamptz,
    status_list integer NOT NULL CONSTRAINT cards_status_list REFERENCES status_lists,
    status_index integer NOT NULL CONSTRAINT cards_status_index CHECK (status_index >= 0),
    replaces_id uuid CONSTRAINT cards_replaces REFERENCES cards CONSTRAINT cards_replaced_once UNIQUE,
    changed_at timestamptz NOT NULL,
    CONSTRAINT cards_status_index_once UNIQUE (status_list, status_index)
);
COMMENT ON TABLE cards IS 'Owners'' cards.';
COMMENT ON COLUMN cards.number IS 'Fourteen digits, the last two of them check digits (ISO/IEC 7064, MOD 97-10).';
COMMENT ON COLUMN cards.pin_failures IS 'In a row, since the last success.';
COMMENT ON COLUMN cards.status_index IS 'Its place in the list: drawn at random, never used again.';
COMMENT ON COLUMN cards.replaces_id IS 'The card in whose place it came.';
CREATE UNIQUE INDEX cards_one_current ON cards (registration_id, person_id) WHERE state <> 'revoked';
CREATE TRIGGER cards_history AFTER INSERT OR UPDATE ON cards
    FOR EACH ROW EXECUTE FUNCTION keep_history('pin_hash', 'pin_failures', 'pin_blocked_until');
CREATE INDEX cards_by_registration ON cards (registration_id);
CREATE INDEX cards_not_valid ON cards (status_list) WHERE state <> 'valid';

CREATE TABLE card_keys (
    kid text CONSTRAINT card_keys_pkey PRIMARY KEY,
    needed_until date NOT NULL
);
COMMENT ON TABLE card_keys IS 'Until when a key that signed cards has to be known.';
COMMENT ON COLUMN card_keys.kid IS 'Names the key.';
COMMENT ON COLUMN card_keys.needed_until IS 'The last day of the cards that it may have signed.';

CREATE TABLE card_refusals (
    id uuid CONSTRAINT card_refusals_pkey PRIMARY KEY,
    counter_id uuid NOT NULL CONSTRAINT card_refusals_counter REFERENCES counters,
    card_id uuid CONSTRAINT card_refusals_card REFERENCES cards,
    code text NOT NULL CONSTRAINT card_refusals_code CHECK (code ~ '^[a-z][a-z_]{0,39}$'),
    by_actor uuid NOT NULL CONSTRAINT card_refusals_actor REFERENCES actors,
    at timestamptz NOT NULL
);
COMMENT ON TABLE card_refusals IS 'Checks that ended with a no: what the supplier''s signals are computed from.';
COMMENT ON COLUMN card_refusals.card_id IS 'Absent where no card was found.';
COMMENT ON COLUMN card_refusals.code IS 'The reason.';
CREATE INDEX card_refusals_by_counter ON card_refusals (counter_id, at);

INSERT INTO status_lists (number, size, used) VALUES (1, 131072, 0);

GRANT SELECT, INSERT, UPDATE ON status_lists, cards TO wardbook_service;
GRANT SELECT, INSERT, UPDATE, DELETE ON card_keys TO wardbook_service;
GRANT SELECT, INSERT, DELETE ON card_refusals TO wardbook_service;
