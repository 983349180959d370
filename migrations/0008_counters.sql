-- Counters: the shops of dealers, and the sections that they are appointed for.

CREATE TABLE counters (
    id uuid CONSTRAINT counters_pkey PRIMARY KEY,
    dealer_id uuid NOT NULL CONSTRAINT counters_dealer REFERENCES organisations,
    name text NOT NULL CONSTRAINT counters_name CHECK (char_length(name) BETWEEN 1 AND 200),
    time_zone text CONSTRAINT counters_time_zone CHECK (char_length(time_zone) BETWEEN 1 AND 60),
    changed_at timestamptz NOT NULL
);
COMMENT ON TABLE counters IS 'The shops of dealers.';
COMMENT ON COLUMN counters.time_zone IS 'Of the opening hours, by its name in the IANA database.';
CREATE INDEX counters_by_dealer ON counters (dealer_id);
CREATE TRIGGER counters_history AFTER INSERT OR UPDATE ON counters
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE opening_hours (
    counter_id uuid NOT NULL CONSTRAINT opening_hours_counter REFERENCES counters,
    weekday integer NOT NULL CONSTRAINT opening_hours_weekday CHECK (weekday BETWEEN 1 AND 7),
    opens time NOT NULL,
    closes time NOT NULL,
    CONSTRAINT opening_hours_order CHECK (closes > opens),
    CONSTRAINT opening_hours_pkey PRIMARY KEY (counter_id, weekday, opens)
);
COMMENT ON TABLE opening_hours IS 'When a counter is open, by the clock of its time zone.';
COMMENT ON COLUMN opening_hours.weekday IS 'ISO 8601: 1 is Monday.';

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
COMMENT ON TABLE appointments IS 'A counter may cut keys of a section.';
CREATE INDEX appointments_by_counter ON appointments (counter_id, section_id);
CREATE TRIGGER appointments_history AFTER INSERT OR UPDATE ON appointments
    FOR EACH ROW EXECUTE FUNCTION keep_history();

GRANT SELECT, INSERT, UPDATE ON counters, appointments TO wardbook_service;
GRANT SELECT, INSERT, DELETE ON opening_hours TO wardbook_service;
