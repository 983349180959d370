-- Building sites: one temporary differ for all, and a differ of its own for each plot at the end.

CREATE TABLE sites (
    id uuid CONSTRAINT sites_pkey PRIMARY KEY,
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
COMMENT ON TABLE sites IS 'Building sites.';
COMMENT ON COLUMN sites.registration_id IS 'The registration of the site, which the temporary differ belongs to.';
COMMENT ON COLUMN sites.temporary_differ_id IS 'What every lock answers to until its plot is ready.';
CREATE TRIGGER sites_history AFTER INSERT OR UPDATE ON sites
    FOR EACH ROW EXECUTE FUNCTION keep_history();

CREATE TABLE plots (
    id uuid CONSTRAINT plots_pkey PRIMARY KEY,
    site_id uuid NOT NULL,
    site_registration_id uuid NOT NULL,
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
COMMENT ON TABLE plots IS 'The houses of a site, each with a registration of its own from the first day.';
COMMENT ON COLUMN plots.sequence IS 'Its place in the order of the plan.';
CREATE INDEX plots_by_site ON plots (site_registration_id);
CREATE TRIGGER plots_history AFTER INSERT OR UPDATE ON plots FOR EACH ROW EXECUTE FUNCTION keep_history();

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
COMMENT ON TABLE plot_locks IS
    'The doors of a plot: what becomes of each lock from the site key to the buyer''s own.';
COMMENT ON COLUMN plot_locks.final_key_works_at IS 'When somebody tried the buyer''s key …';
COMMENT ON COLUMN plot_locks.site_key_dead_at IS '… and the site key, which did not turn any more.';
CREATE INDEX plot_locks_by_registration ON plot_locks (registration_id);
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
COMMENT ON TABLE plot_hand_overs IS 'A plot goes to its buyer.';
CREATE TRIGGER plot_hand_overs_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON plot_hand_overs
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

-- A lock answers to differs of its own registration, or of the site whose plot it is in.
ALTER TABLE answers ADD CONSTRAINT answers_site
    FOREIGN KEY (registration_id, site_registration_id) REFERENCES plots (registration_id, site_registration_id);
ALTER TABLE signatures ADD CONSTRAINT signatures_plot_hand_over
    FOREIGN KEY (plot_hand_over_id) REFERENCES plot_hand_overs;

GRANT SELECT, INSERT, UPDATE ON sites, plots, plot_locks TO wardbook_service;
GRANT SELECT, INSERT ON plot_hand_overs TO wardbook_service;
