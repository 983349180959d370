-- Where it says whether a card still counts, which keys printed cards need, and checks that failed.

-- Indexes are drawn at random and never used again; a list that is half used takes no more cards.
CREATE TABLE status_lists (
    number integer CONSTRAINT status_lists_pkey PRIMARY KEY CONSTRAINT status_lists_number CHECK (number >= 1),
    size integer NOT NULL CONSTRAINT status_lists_size CHECK (size BETWEEN 4 AND 4194304 AND size % 4 = 0),
    used integer NOT NULL,
    CONSTRAINT status_lists_used CHECK (used BETWEEN 0 AND size)
);
INSERT INTO status_lists (number, size, used)
SELECT number, 131072, 0 FROM generate_series(1, 1 + (SELECT count(*) FROM cards) / 65536) AS number;

ALTER TABLE cards ADD COLUMN status_list integer CONSTRAINT cards_status_list REFERENCES status_lists;
ALTER TABLE cards ADD COLUMN status_index integer;
ALTER TABLE cards ADD COLUMN replaces_id uuid CONSTRAINT cards_replaces REFERENCES cards
    CONSTRAINT cards_replaced_once UNIQUE;

-- Cards that are there already are spread over lists that are half used each.
WITH drawn AS (
    SELECT index, row_number() OVER (ORDER BY random()) - 1 AS place FROM generate_series(0, 131071) AS index
), numbered AS (
    SELECT id, row_number() OVER (ORDER BY id) - 1 AS place FROM cards
)
UPDATE cards SET status_list = 1 + numbered.place / 65536, status_index = drawn.index
FROM drawn JOIN numbered ON drawn.place = numbered.place % 65536 WHERE numbered.id = cards.id;
UPDATE status_lists SET used = (SELECT count(*) FROM cards WHERE status_list = status_lists.number);

ALTER TABLE cards ALTER COLUMN status_list SET NOT NULL;
ALTER TABLE cards ALTER COLUMN status_index SET NOT NULL;
ALTER TABLE cards ADD CONSTRAINT cards_status_index CHECK (status_index >= 0);
ALTER TABLE cards ADD CONSTRAINT cards_status_index_once UNIQUE (status_list, status_index);
CREATE INDEX cards_not_valid ON cards (status_list) WHERE state <> 'valid';

-- Until when a key that signed cards has to be known: the last day of the cards that it may have signed.
CREATE TABLE card_keys (
    kid text CONSTRAINT card_keys_pkey PRIMARY KEY,
    needed_until date NOT NULL
);

-- Checks that ended with a no: what the supplier's signals are computed from.
CREATE TABLE card_refusals (
    id uuid CONSTRAINT card_refusals_pkey PRIMARY KEY,
    counter_id uuid NOT NULL CONSTRAINT card_refusals_counter REFERENCES counters,
    card_id uuid CONSTRAINT card_refusals_card REFERENCES cards,
    code text NOT NULL CONSTRAINT card_refusals_code CHECK (code ~ '^[a-z][a-z_]{0,39}$'),
    by_actor uuid NOT NULL CONSTRAINT card_refusals_actor REFERENCES actors,
    at timestamptz NOT NULL
);
CREATE INDEX card_refusals_by_counter ON card_refusals (counter_id, at);

GRANT SELECT, INSERT, UPDATE ON status_lists, card_keys TO wardbook_service;
GRANT DELETE ON card_keys TO wardbook_service;
GRANT SELECT, INSERT, DELETE ON card_refusals TO wardbook_service;
