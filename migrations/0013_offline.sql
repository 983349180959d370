-- Cuts that were made without a network and brought in later, each decided again; when a counter is
-- open; and keys that nobody collected.

ALTER TABLE decisions DROP CONSTRAINT decisions_step;
ALTER TABLE decisions ADD CONSTRAINT decisions_step CHECK (step IN
    ('ask', 'approve', 'decline', 'withdraw', 'stop', 'look', 'cut', 'cut_offline', 'hand_over', 'lapse'));

CREATE TABLE offline_cuts (
    cut_id uuid CONSTRAINT offline_cuts_pkey PRIMARY KEY CONSTRAINT offline_cuts_cut REFERENCES cuts,
    -- The counter chose an id for it: the same cut is recorded once, whoever sends it and whenever.
    counter_id uuid NOT NULL CONSTRAINT offline_cuts_counter REFERENCES counters,
    chosen_id uuid NOT NULL,
    -- By the counter's clock.
    made_at timestamptz NOT NULL,
    -- The decision that was taken when it was brought in was no: the keys exist all the same.
    flagged boolean NOT NULL,
    -- Keys beyond what was authorised.
    beyond integer NOT NULL,
    CONSTRAINT offline_cuts_once UNIQUE (counter_id, chosen_id),
    CONSTRAINT offline_cuts_beyond CHECK (beyond >= 0 AND (flagged OR beyond = 0))
);
CREATE INDEX offline_cuts_flagged ON offline_cuts (cut_id) WHERE flagged;

ALTER TABLE counters ADD COLUMN time_zone text CONSTRAINT counters_time_zone CHECK (char_length(time_zone) BETWEEN 1 AND 60);
CREATE TABLE opening_hours (
    counter_id uuid NOT NULL CONSTRAINT opening_hours_counter REFERENCES counters,
    -- ISO 8601: 1 is Monday.
    weekday integer NOT NULL CONSTRAINT opening_hours_weekday CHECK (weekday BETWEEN 1 AND 7),
    opens time NOT NULL,
    closes time NOT NULL,
    CONSTRAINT opening_hours_order CHECK (closes > opens),
    CONSTRAINT opening_hours_pkey PRIMARY KEY (counter_id, weekday, opens)
);

CREATE INDEX cuts_by_counter ON cuts (counter_id, at);
CREATE INDEX copy_requests_by_asker ON copy_requests (asked_by, asked_at);

GRANT SELECT, INSERT ON offline_cuts TO wardbook_service;
GRANT SELECT, INSERT, DELETE ON opening_hours TO wardbook_service;
