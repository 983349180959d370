-- Building sites: one temporary differ for all, and a differ of its own for each plot at the end.

CREATE TABLE sites (
    id uuid CONSTRAINT sites_pkey PRIMARY KEY,
    -- The registration of the site, which the temporary differ belongs to.
    registration_id uuid NOT NULL CONSTRAINT sites_registration REFERENCES registrations
        CONSTRAINT sites_registration_once UNIQUE,
    builder_id uuid NOT NULL CONSTRAINT sites_builder REFERENCES organisations,
    name text NOT NULL CONSTRAINT sites_name CHECK (char_length(name) BETWEEN 1 AND 200),
    temporary_differ_id uuid NOT NULL,
    created_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    CONSTRAINT sites_temporary_differ FOREIGN KEY (temporary_differ_id, registration_id)
        REFERENCES differs (id, registration_id),
    CONSTRAINT sites_id_registration UNIQUE (id, registration_id)
);
CREATE TRIGGER sites_history AFTER INSERT OR UPDATE ON sites
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE plots (
    id uuid CONSTRAINT plots_pkey PRIMARY KEY,
    site_id uuid NOT NULL,
    site_registration_id uuid NOT NULL,
    -- Its place in the order of the plan.
    sequence integer NOT NULL CONSTRAINT plots_sequence CHECK (sequence >= 1),
    label text NOT NULL CONSTRAINT plots_label CHECK (char_length(label) BETWEEN 1 AND 100),
    registration_id uuid NOT NULL CONSTRAINT plots_registration REFERENCES registrations
        CONSTRAINT plots_registration_once UNIQUE,
    handed_over_at timestamptz,
    changed_at timestamptz NOT NULL,
    CONSTRAINT plots_site FOREIGN KEY (site_id, site_registration_id)
        REFERENCES sites (id, registration_id),
    CONSTRAINT plots_label_once UNIQUE (site_id, label),
    CONSTRAINT plots_sequence_once UNIQUE (site_id, sequence),
    CONSTRAINT plots_registration_site UNIQUE (registration_id, site_registration_id),
    CONSTRAINT plots_two_registrations CHECK (registration_id <> site_registration_id)
);
CREATE INDEX plots_by_site ON plots (site_registration_id);
CREATE TRIGGER plots_history AFTER INSERT OR UPDATE ON plots FOR EACH ROW EXECUTE FUNCTION keep_history();

-- The doors of a plot: what becomes of each lock from the site key to the buyer's own.
CREATE TABLE plot_locks (
    id uuid CONSTRAINT plot_locks_pkey PRIMARY KEY,
    plot_id uuid NOT NULL CONSTRAINT plot_locks_plot REFERENCES plots,
    registration_id uuid NOT NULL,
    lock_id uuid NOT NULL CONSTRAINT plot_locks_lock_once UNIQUE,
    sequence integer NOT NULL CONSTRAINT plot_locks_sequence CHECK (sequence >= 1),
    final_differ_id uuid NOT NULL,
    fitted_at timestamptz,
    fitted_by uuid CONSTRAINT plot_locks_fitted_by REFERENCES people,
    lever_pack_id uuid CONSTRAINT plot_locks_pack REFERENCES lever_packs,
    final_key_works_at timestamptz,
    site_key_dead_at timestamptz,
    tried_by uuid CONSTRAINT plot_locks_tried_by REFERENCES people,
    changed_at timestamptz NOT NULL,
    CONSTRAINT plot_locks_lock FOREIGN KEY (lock_id, registration_id) REFERENCES locks (id, registration_id),
    CONSTRAINT plot_locks_final_differ FOREIGN KEY (final_differ_id, registration_id)
        REFERENCES differs (id, registration_id),
    CONSTRAINT plot_locks_fitted CHECK (num_nonnulls(fitted_at, fitted_by, lever_pack_id) IN (0, 3)),
    CONSTRAINT plot_locks_tried CHECK (
        num_nonnulls(final_key_works_at, site_key_dead_at, tried_by) IN (0, 3)),
    CONSTRAINT plot_locks_tried_after_fitting CHECK (final_key_works_at IS NULL OR fitted_at IS NOT NULL)
);
CREATE INDEX plot_locks_by_final_differ ON plot_locks (final_differ_id);
CREATE UNIQUE INDEX plot_locks_sequence_once ON plot_locks (plot_id, sequence);
CREATE TRIGGER plot_locks_history AFTER INSERT OR UPDATE ON plot_locks
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE plot_hand_overs (
    id uuid CONSTRAINT plot_hand_overs_pkey PRIMARY KEY,
    plot_id uuid NOT NULL CONSTRAINT plot_hand_overs_plot REFERENCES plots
        CONSTRAINT plot_hand_overs_plot_once UNIQUE,
    builder_id uuid NOT NULL CONSTRAINT plot_hand_overs_builder REFERENCES organisations,
    buyer_id uuid NOT NULL CONSTRAINT plot_hand_overs_buyer REFERENCES organisations,
    collected_by uuid NOT NULL CONSTRAINT plot_hand_overs_collected_by REFERENCES people,
    document_seen text NOT NULL CONSTRAINT plot_hand_overs_document CHECK (document_seen IN
        ('passport', 'driving_licence', 'identity_card', 'staff_card', 'other_photo_document')),
    keys_handed integer NOT NULL CONSTRAINT plot_hand_overs_keys CHECK (keys_handed >= 1),
    made_by uuid NOT NULL CONSTRAINT plot_hand_overs_made_by REFERENCES actors,
    made_at timestamptz NOT NULL
);
CREATE TRIGGER plot_hand_overs_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON plot_hand_overs
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

-- A signature is drawn at a counter, or at the hand-over of a plot.
ALTER TABLE signatures
    DROP CONSTRAINT signatures_pkey,
    ALTER COLUMN hand_over_id DROP NOT NULL,
    ADD COLUMN plot_hand_over_id uuid CONSTRAINT signatures_plot_hand_over REFERENCES plot_hand_overs,
    ADD CONSTRAINT signatures_pkey PRIMARY KEY (hash),
    DROP CONSTRAINT signatures_once,
    ADD CONSTRAINT signatures_hand_over_once UNIQUE (hand_over_id),
    ADD CONSTRAINT signatures_plot_hand_over_once UNIQUE (plot_hand_over_id),
    ADD CONSTRAINT signatures_one_hand_over CHECK (num_nonnulls(hand_over_id, plot_hand_over_id) = 1);

-- A lock answers to differs of its own registration, or of the site whose plot it is in.
ALTER TABLE answers
    ADD COLUMN site_registration_id uuid GENERATED ALWAYS AS
        (CASE WHEN differ_registration_id <> registration_id THEN differ_registration_id END) STORED,
    ADD CONSTRAINT answers_site FOREIGN KEY (registration_id, site_registration_id)
        REFERENCES plots (registration_id, site_registration_id);

GRANT SELECT, INSERT ON plot_hand_overs TO wardbook_service;
GRANT SELECT, INSERT, UPDATE ON sites, plots, plot_locks TO wardbook_service;
