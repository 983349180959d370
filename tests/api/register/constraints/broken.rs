//! What violates each constraint.

/// Constraint, table, and what to set in a copy of a row (for uniqueness) or in the row (for checks).
/// A line that begins with `+` is a copy with a new id.
pub const BROKEN: &[(&str, &str, &str)] = &[
    ("accounts_failures", "accounts", "failures = -1"),
    ("accounts_password_argon2id", "accounts", "password_hash = 'plain'"),
    ("accounts_totp_confirmed", "accounts", "totp_secret = NULL, totp_confirmed_at = changed_at"),
    ("accounts_totp_length", "accounts", "totp_secret = 'short'"),
    (
        "accounts_totp_sealed",
        "accounts",
        "totp_secret = NULL, totp_key_id = gen_random_uuid(), totp_confirmed_at = NULL",
    ),
    ("actors_id_kind", "actors", "PRIMARY"),
    ("actors_kind", "actors", "kind = 'ghost'"),
    ("answers_one_at_a_time", "answers", "+"),
    ("answers_stretch", "answers", "until = since"),
    ("appointments_days", "appointments", "last_day = first_day - 1"),
    ("appointments_one_at_a_time", "appointments", "+"),
    ("approvals_once", "approvals", "+"),
    (
        "audit_lines_answer",
        "audit_lines",
        "answer = 'perhaps', answered_at = now(), answered_by = gen_random_uuid()",
    ),
    ("audit_lines_answered", "audit_lines", "answer = 'open', answered_at = now()"),
    ("audit_lines_once", "audit_lines", "+"),
    ("audits_closed_after", "audits", "closed_at = opened_at - interval '1 day'"),
    ("audits_id_registration", "audits", "PRIMARY"),
    ("audits_level", "audits", "level = 'planet', person_id = NULL"),
    ("audits_one_scope", "audits", "level = 'lock', person_id = opened_by"),
    ("audits_silence", "audits", "silence = 'golden'"),
    ("authorities_class", "authorities", "class = 'king'"),
    ("authorities_days", "authorities", "last_day = first_day - 1"),
    ("authorities_id_registration", "authorities", "PRIMARY"),
    ("authorities_left_is_revoked", "authorities", "left_on = first_day, revoked_at = NULL"),
    ("authorities_most_keys", "authorities", "most_keys = 0"),
    ("authorities_most_per_request", "authorities", "most_per_request = 0"),
    (
        "authorities_occupier_is_person",
        "authorities",
        "occupier = true, class = 'agent', person_id = NULL, organisation_id = (SELECT id FROM organisations LIMIT 1)",
    ),
    ("authorities_one_holder", "authorities", "person_id = NULL, organisation_id = NULL"),
    (
        "authorities_organisation_is_agent",
        "authorities",
        "person_id = NULL, class = 'owner', organisation_id = (SELECT id FROM organisations LIMIT 1)",
    ),
    ("authorities_post_name", "authorities", "post = 'The Dean'"),
    ("authorities_standing", "authorities", "standing = 'A Student'"),
    ("blank_accounts_balance", "blank_accounts", "on_hand = on_hand + 1"),
    ("blank_accounts_cut", "blank_accounts", "cut = -1, received = received - 1 - cut"),
    ("blank_accounts_missing", "blank_accounts", "missing = -1, received = received - 1 - missing"),
    ("blank_accounts_most_blanks", "blank_accounts", "most_blanks = -1"),
    ("blank_accounts_on_the_way", "blank_accounts", "on_the_way = -1"),
    ("blank_accounts_on_hand", "blank_accounts", "on_hand = -1, received = received - 1 - on_hand"),
    ("blank_accounts_returned", "blank_accounts", "returned = -1, received = received - 1"),
    ("blank_accounts_spoiled", "blank_accounts", "spoiled = -1, received = received - 1"),
    ("bittings_fingerprint", "bittings", "fingerprint = 'short'"),
    (
        "bittings_once",
        "bittings",
        "+ differ_id = (SELECT id FROM differs WHERE id NOT IN (SELECT differ_id FROM bittings) LIMIT 1)",
    ),
    ("bittings_sealed", "bittings", "sealed = 'short'"),
    (
        "blank_differences_cut_once",
        "blank_differences",
        "cut_id = (SELECT cut_id FROM blank_differences WHERE cut_id IS NOT NULL), movement_id = NULL",
    ),
    (
        "blank_differences_explained",
        "blank_differences",
        "explanation = NULL, explained_at = found_at, explained_by = NULL",
    ),
    (
        "blank_differences_explanation",
        "blank_differences",
        "explanation = 'elves', explained_at = found_at, explained_by = gen_random_uuid()",
    ),
    (
        "blank_differences_movement_once",
        "blank_differences",
        "+ cut_id = NULL, movement_id = (SELECT movement_id FROM blank_differences WHERE movement_id IS NOT NULL LIMIT 1)",
    ),
    ("blank_differences_one_origin", "blank_differences", "movement_id = NULL, cut_id = NULL"),
    ("blank_differences_quantity", "blank_differences", "quantity = 0"),
    ("blank_differences_remark", "blank_differences", "remark = ''"),
    (
        "blank_movements_confirmed",
        "blank_movements",
        "confirmed_by = NULL, confirmed_at = made_at, confirmed_quantity = 1",
    ),
    (
        "blank_movements_confirmed_quantity",
        "blank_movements",
        "confirmed_quantity = -1, confirmed_at = made_at, confirmed_by = gen_random_uuid()",
    ),
    ("blank_movements_kind", "blank_movements", "kind = 'flight', copy_request_id = NULL"),
    ("blank_movements_quantity", "blank_movements", "quantity = 0, kind = 'return'"),
    ("blank_movements_remark", "blank_movements", "remark = ''"),
    (
        "blank_movements_spoil_of_request",
        "blank_movements",
        "kind = 'return', copy_request_id = (SELECT id FROM copy_requests LIMIT 1)",
    ),
    (
        "blank_movements_two_sides",
        "blank_movements",
        "confirmed_by = made_by, confirmed_at = made_at, confirmed_quantity = 1",
    ),
    ("card_refusals_code", "card_refusals", "code = 'No'"),
    (
        "cards_replaced_once",
        "cards",
        "+ state = 'revoked', number = '00000000000001', status_index = 1, replaces_id = (SELECT replaces_id FROM cards WHERE replaces_id IS NOT NULL)",
    ),
    ("cards_status_index", "cards", "status_index = -1"),
    ("cards_status_index_once", "cards", "+ state = 'revoked', number = '00000000000001'"),
    ("cards_number", "cards", "number = '12345678901283'"),
    (
        "cards_number_once",
        "cards",
        "+ status_index = 1, person_id = (SELECT id FROM people ORDER BY id DESC LIMIT 1)",
    ),
    (
        "cards_one_current",
        "cards",
        "+ status_index = 1, replaces_id = NULL, state = 'valid', person_id = (SELECT person_id FROM cards WHERE state = 'valid' LIMIT 1), number = '00000000000001'",
    ),
    ("cards_pin_argon2id", "cards", "pin_hash = '1234'"),
    ("cards_pin_failures", "cards", "pin_failures = -1"),
    ("cards_state", "cards", "state = 'eaten'"),
    ("changes_entry_once", "changes", "+"),
    ("client_programs_name", "client_programs", "name = ''"),
    ("client_programs_secret", "client_programs", "secret_hash = 'short'"),
    ("copy_requests_authorised", "copy_requests", "lapses_at = NULL, authorised_at = asked_at"),
    (
        "copy_requests_authorised_state",
        "copy_requests",
        "state = 'completed', authorised_at = NULL, lapses_at = NULL, cut_count = 0, handed_count = 0",
    ),
    ("copy_requests_counts", "copy_requests", "handed_count = cut_count + 1"),
    (
        "copy_requests_cut_needs_authorisation",
        "copy_requests",
        "state = 'waiting', authorised_at = NULL, lapses_at = NULL, cut_count = 1, handed_count = 0",
    ),
    ("copy_requests_emergency_reason", "copy_requests", "emergency_reason = ''"),
    (
        "copy_requests_purpose",
        "copy_requests",
        "purpose = 'fun', replaces_key_id = (SELECT id FROM keys LIMIT 1), quantity = 1, cut_count = 0, handed_count = 0",
    ),
    ("copy_requests_quantity", "copy_requests", "quantity = 1001"),
    (
        "copy_requests_replaces",
        "copy_requests",
        "purpose = 'replace_worn', replaces_key_id = NULL, quantity = 1, cut_count = 0, handed_count = 0",
    ),
    (
        "copy_requests_replaces_one",
        "copy_requests",
        "purpose = 'replace_worn', quantity = 2, replaces_key_id = (SELECT id FROM keys LIMIT 1)",
    ),
    ("copy_requests_state", "copy_requests", "state = 'dreaming'"),
    ("copy_requests_version", "copy_requests", "version = 0"),
    ("counters_name", "counters", "name = ''"),
    ("counters_time_zone", "counters", "time_zone = ''"),
    ("cuts_decision_once", "cuts", "+"),
    ("cuts_quantity", "cuts", "quantity = 0"),
    ("data_keys_master_key", "data_keys", "master_key = 'x'"),
    ("data_keys_one_current", "data_keys", "+"),
    ("data_keys_wrapped", "data_keys", "wrapped = 'x'"),
    ("decisions_step", "decisions", "step = 'dance'"),
    ("decisions_entry_once", "decisions", "+"),
    ("decisions_outcome", "decisions", "outcome = 'perhaps'"),
    ("default_rules_version", "default_rules", "version = 0"),
    ("destructions_one_open", "destructions", "+"),
    ("destructions_two_people", "destructions", "witness_id = made_by, witnessed_at = made_at"),
    ("destructions_witnessed", "destructions", "witnessed_at = made_at"),
    ("differ_spaces_taken", "differ_spaces", "taken = -1"),
    ("differs_id_registration", "differs", "PRIMARY"),
    ("differs_id_section", "differs", "PRIMARY"),
    ("differs_state", "differs", "state = 'lost'"),
    ("differs_level", "differs", "level = 'planet'"),
    ("differs_number", "differs", "number = 'lower case'"),
    ("differs_number_once", "differs", "+"),
    ("hand_overs_decision_once", "hand_overs", "+"),
    ("hand_overs_document", "hand_overs", "document_seen = 'library card'"),
    (
        "holds_barred_by_court",
        "holds",
        "kind = 'loss', court = NULL, barred_person_id = (SELECT id FROM people LIMIT 1)",
    ),
    ("holds_court", "holds", "court = ''"),
    ("holds_court_named", "holds", "kind = 'court_order', court = NULL"),
    (
        "holds_differ_and_person",
        "holds",
        "kind = 'court_order', court = 'x', loss_id = NULL, differ_id = (SELECT id FROM differs WHERE differs.registration_id = holds.registration_id LIMIT 1), barred_person_id = (SELECT id FROM people LIMIT 1)",
    ),
    ("holds_loss_of_differ", "holds", "differ_id = NULL, loss_id = (SELECT id FROM losses LIMIT 1)"),
    ("holds_kind", "holds", "kind = 'mood', court = NULL, barred_person_id = NULL"),
    ("holds_lifted", "holds", "lifted_at = placed_at, lifted_by = NULL"),
    ("holds_lifted_after", "holds", "lifted_at = placed_at - interval '1 day', lifted_by = placed_by"),
    ("idempotency_keys_hash", "idempotency_keys", "request_hash = 'short'"),
    ("idempotency_keys_key", "idempotency_keys", "key = ''"),
    ("invitations_hash", "invitations", "token_hash = 'short'"),
    ("keys_copy_number", "keys", "copy_number = 0"),
    ("keys_copy_number_once", "keys", "+"),
    ("keys_held_by_somebody", "keys", "state = 'with_person', holder_id = NULL"),
    ("keys_one_origin", "keys", "cut_id = NULL, lever_pack_id = NULL"),
    ("keys_state", "keys", "state = 'melted'"),
    ("keys_store_has_no_holder", "keys", "state = 'in_store', holder_id = (SELECT id FROM people LIMIT 1)"),
    ("keys_version", "keys", "version = 0"),
    ("lever_packs_number", "lever_packs", "number = 'lower case'"),
    ("lever_packs_number_once", "lever_packs", "+"),
    ("locks_hand", "locks", "hand = 'third'"),
    ("locks_id_registration", "locks", "PRIMARY"),
    ("locks_kind", "locks", "kind = 'door'"),
    ("locks_label", "locks", "label = ''"),
    ("locks_label_once", "locks", "+"),
    ("locks_room_class", "locks", "room_class = 'Big Room'"),
    ("locks_standard", "locks", "standard = ''"),
    ("locks_version", "locks", "version = 0"),
    ("log_entries_body_length", "log_entries", "body = ''"),
    ("log_entries_kind", "log_entries", "kind = 'rumour'"),
    ("log_leaves_entry_once", "log_leaves", "+ index = 999999"),
    ("log_leaves_index", "log_leaves", "index = -1"),
    ("log_leaves_log", "log_leaves", "log = 99"),
    ("log_pending_entry_once", "log_pending", "+ position = DEFAULT"),
    ("log_published_log", "log_published", "log = 99"),
    ("log_published_size", "log_published", "size = -1"),
    ("log_tiles_hashes", "log_tiles", "hashes = 'short'"),
    ("log_tiles_index", "log_tiles", "index = -1"),
    ("log_tiles_level", "log_tiles", "level = 64"),
    ("log_tiles_log", "log_tiles", "log = 99"),
    ("logs_number", "logs", "number = 0"),
    ("logs_one_open", "logs", "+ number = 2, origin = 'another.example'"),
    ("logs_origin_once", "logs", "+ number = 2"),
    ("logs_root", "logs", "root = 'short'"),
    ("logs_size", "logs", "size = -1"),
    ("losses_decided", "losses", "decision = NULL, decided_at = reported_at"),
    (
        "losses_decision",
        "losses",
        "decision = 'sleep', decision_reason = 'x', decided_at = reported_at, decided_by = gen_random_uuid()",
    ),
    (
        "losses_decision_reason",
        "losses",
        "decision = 'keep', decision_reason = '', decided_at = reported_at, decided_by = gen_random_uuid()",
    ),
    ("losses_place", "losses", "place = ''"),
    ("losses_charge", "losses", "charge = 'someday', charge_amount = 1, charge_currency = 'GBP'"),
    ("losses_charge_amount", "losses", "charge_amount = -1"),
    ("losses_charge_currency", "losses", "charge_currency = 'pounds'"),
    ("losses_charge_stated", "losses", "charge = 'due', charge_amount = NULL"),
    ("losses_crime_reference", "losses", "crime_reference = ''"),
    ("losses_found_after", "losses", "found_at = reported_at - interval '1 day'"),
    ("losses_key_once", "losses", "+"),
    ("losses_kind", "losses", "kind = 'eaten'"),
    ("losses_waived", "losses", "waived_by_post = 'dean', charge = 'none'"),
    (
        "losses_waived_by_post",
        "losses",
        "waived_by_post = 'The Dean', charge = 'waived', charge_amount = 1, charge_currency = 'GBP'",
    ),
    ("mandates_days", "mandates", "last_day = first_day - 1"),
    ("mandates_two_people", "mandates", "collector_id = recipient_id"),
    ("memberships_days", "memberships", "last_day = first_day - 1"),
    ("memberships_one_at_a_time", "memberships", "+"),
    ("memberships_post", "memberships", "post = 'king'"),
    ("notices_kind", "notices", "kind = 'gossip'"),
    ("notices_read_after", "notices", "read_at = made_at - interval '1 day'"),
    ("offline_cuts_beyond", "offline_cuts", "beyond = -1"),
    ("opening_hours_order", "opening_hours", "closes = opens"),
    ("opening_hours_weekday", "opening_hours", "weekday = 8"),
    ("organisations_kind", "organisations", "kind = 'guild'"),
    ("organisations_name", "organisations", "name = ''"),
    ("organisations_one_supplier", "organisations", "+ kind = 'supplier'"),
    ("people_erased", "people", "erased_at = created_at, email = 'left@town.example'"),
    ("people_email", "people", "email = 'LOUD@PLACE.EXAMPLE'"),
    (
        "people_email_once",
        "people",
        "email = (SELECT email FROM people p WHERE p.id <> people.id AND p.email IS NOT NULL LIMIT 1)",
    ),
    ("people_name", "people", "name = ''"),
    ("plot_hand_overs_document", "plot_hand_overs", "document_seen = 'library card'"),
    ("plot_hand_overs_keys", "plot_hand_overs", "keys_handed = 0"),
    ("plot_hand_overs_plot_once", "plot_hand_overs", "+"),
    (
        "plot_locks_fitted",
        "plot_locks",
        "fitted_at = changed_at, fitted_by = NULL, final_key_works_at = NULL, site_key_dead_at = NULL, tried_by = NULL",
    ),
    ("plot_locks_lock_once", "plot_locks", "+ sequence = 99"),
    ("plot_locks_sequence", "plot_locks", "sequence = 0"),
    ("plot_locks_sequence_once", "plot_locks", "+ lock_id = gen_random_uuid()"),
    (
        "plot_locks_tried",
        "plot_locks",
        "site_key_dead_at = NULL, final_key_works_at = changed_at, fitted_at = changed_at, lever_pack_id = gen_random_uuid(), fitted_by = gen_random_uuid(), tried_by = gen_random_uuid()",
    ),
    (
        "plot_locks_tried_after_fitting",
        "plot_locks",
        "fitted_at = NULL, fitted_by = NULL, lever_pack_id = NULL, final_key_works_at = changed_at, site_key_dead_at = changed_at, tried_by = (SELECT id FROM people LIMIT 1)",
    ),
    ("plots_label", "plots", "label = ''"),
    ("plots_label_once", "plots", "+ sequence = 99, registration_id = gen_random_uuid()"),
    ("plots_registration_once", "plots", "+ sequence = 99, label = 'Plot 99'"),
    ("plots_registration_site", "plots", "PRIMARY"),
    ("plots_sequence", "plots", "sequence = 0"),
    ("plots_sequence_once", "plots", "+ label = 'Plot 99', registration_id = gen_random_uuid()"),
    ("plots_two_registrations", "plots", "registration_id = site_registration_id"),
    ("price_lists_version", "price_lists", "version = 0"),
    ("sites_id_registration", "sites", "PRIMARY"),
    ("sites_name", "sites", "name = ''"),
    ("sites_registration_once", "sites", "+"),
    ("rekey_differs_new_once", "rekey_differs", "+ old_differ_id = gen_random_uuid()"),
    ("rekey_differs_two", "rekey_differs", "new_differ_id = old_differ_id"),
    ("rekey_locks_fitted", "rekey_locks", "fitted_at = changed_at, fitted_by = NULL"),
    (
        "rekey_locks_old_keys",
        "rekey_locks",
        "old_keys_collected = -1, fitted_at = changed_at, fitted_by = gen_random_uuid(), lever_pack_id = gen_random_uuid()",
    ),
    ("rekey_locks_once", "rekey_locks", "+"),
    ("rekeys_ended", "rekeys", "state = 'done', ended_at = NULL"),
    ("rekeys_id_registration", "rekeys", "PRIMARY"),
    ("rekeys_reason", "rekeys", "reason = ''"),
    ("rekeys_state", "rekeys", "state = 'someday', ended_at = begun_at"),
    ("refresh_tokens_hash", "refresh_tokens", "token_hash = 'short'"),
    ("registrations_number", "registrations", "number = '12345678901283'"),
    ("registrations_number_once", "registrations", "+"),
    ("registrations_premises", "registrations", "premises = ''"),
    ("registrations_version", "registrations", "version = 0"),
    ("rule_versions_version", "rule_versions", "version = 0"),
    (
        "sections_dates_in_order",
        "sections",
        "protection = 'patent', territory = 'UK', filed_on = '2020-01-01', last_expiry_on = '2019-01-01'",
    ),
    ("sections_name", "sections", "name = ''"),
    ("sections_name_once", "sections", "+"),
    (
        "sections_protection",
        "sections",
        "protection = 'magic', territory = 'UK', filed_on = '2020-01-01', last_expiry_on = '2021-01-01'",
    ),
    ("sections_protection_dates", "sections", "protection = 'patent', territory = NULL"),
    ("sections_territory", "sections", "territory = ''"),
    ("sections_version", "sections", "version = 0"),
    (
        "offline_cuts_once",
        "offline_cuts",
        "+ cut_id = (SELECT id FROM cuts WHERE NOT EXISTS (SELECT FROM offline_cuts WHERE cut_id = cuts.id) LIMIT 1)",
    ),
    (
        "signatures_hand_over_once",
        "signatures",
        "+ hash = 'x', plot_hand_over_id = NULL, hand_over_id = (SELECT hand_over_id FROM signatures WHERE hand_over_id IS NOT NULL LIMIT 1)",
    ),
    ("signatures_one_hand_over", "signatures", "hand_over_id = NULL, plot_hand_over_id = NULL"),
    (
        "signatures_plot_hand_over_once",
        "signatures",
        "+ hash = 'x', hand_over_id = NULL, plot_hand_over_id = (SELECT plot_hand_over_id FROM signatures WHERE plot_hand_over_id IS NOT NULL)",
    ),
    ("signatures_strokes", "signatures", "strokes = ''"),
    ("statements_content", "statements", "content = ''"),
    ("statements_entry_once", "statements", "+"),
    ("statements_hash", "statements", "hash = 'short'"),
    ("stock_counts_book", "stock_counts", "book = -1"),
    ("stock_counts_counted", "stock_counts", "counted = -1"),
    ("stock_counts_remark", "stock_counts", "remark = ''"),
    ("status_lists_number", "status_lists", "number = 0"),
    ("status_lists_size", "status_lists", "size = 6"),
    ("status_lists_used", "status_lists", "used = size + 1"),
    ("sessions_end_after_start", "sessions", "expires_at = started_at"),
];

/// Foreign keys whose rows cannot be pointed elsewhere by an update of one column, and how to break them.
pub const FOREIGN: &[(&str, &str, &str)] = &[
    ("people_actor", "people", "+ email = NULL"),
    ("client_programs_actor", "client_programs", "+"),
    ("cards_status_list", "cards", "status_list = 99"),
];

/// Foreign keys whose column is empty in every row of the fixture: they are given a value.
pub fn needs_another_row(name: &str) -> bool {
    !other_row(name).is_empty()
}

/// How.
pub fn other_row(name: &str) -> &'static str {
    match name {
        "differs_registration" => {
            "INSERT INTO differs (id, registration_id, section_id, number, level, changed_at, state)
             SELECT gen_random_uuid(), gen_random_uuid(), section_id, 'ZZ-9', level, changed_at, state
             FROM differs LIMIT 1"
        }
        "differs_section" => {
            "INSERT INTO differs (id, registration_id, section_id, number, level, changed_at, state)
             SELECT gen_random_uuid(), registration_id, gen_random_uuid(), 'ZZ-8', level, changed_at, state
             FROM differs LIMIT 1"
        }
        "blank_accounts_counter" => {
            "INSERT INTO blank_accounts (counter_id, section_id, received, cut, spoiled, returned, on_hand)
             SELECT gen_random_uuid(), section_id, 0, 0, 0, 0, 0 FROM blank_accounts LIMIT 1"
        }
        "blank_accounts_section" => {
            "INSERT INTO blank_accounts (counter_id, section_id, received, cut, spoiled, returned, on_hand)
             SELECT counter_id, gen_random_uuid(), 0, 0, 0, 0, 0 FROM blank_accounts LIMIT 1"
        }
        "rule_versions_registration" => {
            "INSERT INTO rule_versions SELECT gen_random_uuid(), 1, rules, made_by, made_at FROM rule_versions LIMIT 1"
        }
        "locks_registration" => {
            "INSERT INTO locks (id, registration_id, label, kind, escape_route, version, changed_at)
             SELECT gen_random_uuid(), gen_random_uuid(), label, kind, escape_route, 1, changed_at FROM locks LIMIT 1"
        }
        "holds_differ" => "UPDATE holds SET differ_id = gen_random_uuid() WHERE differ_id IS NOT NULL",
        "plot_locks_final_differ" => "UPDATE plot_locks SET final_differ_id = gen_random_uuid()",
        "plots_registration" => {
            "INSERT INTO plots (id, site_id, site_registration_id, sequence, label, registration_id, changed_at)
             SELECT gen_random_uuid(), site_id, site_registration_id, 99, 'x', gen_random_uuid(), changed_at
             FROM plots LIMIT 1"
        }
        "sites_registration" => {
            "INSERT INTO sites (id, registration_id, builder_id, name, temporary_differ_id, created_at, changed_at)
             SELECT gen_random_uuid(), gen_random_uuid(), builder_id, name, temporary_differ_id, created_at, changed_at
             FROM sites LIMIT 1"
        }
        "sites_temporary_differ" => "UPDATE sites SET temporary_differ_id = gen_random_uuid()",
        "rekey_differs_new" => "UPDATE rekey_differs SET new_differ_id = gen_random_uuid()",
        "rekey_differs_old" => "UPDATE rekey_differs SET old_differ_id = gen_random_uuid()",
        "rekey_locks_keys_for" => "UPDATE rekey_locks SET keys_for = gen_random_uuid()",
        "rekey_locks_lock" => "UPDATE rekey_locks SET lock_id = gen_random_uuid() WHERE fitted_at IS NULL",
        "rekeys_registration" => {
            "INSERT INTO rekeys (id, registration_id, reason, state, plan, begun_by, begun_at, changed_at)
             SELECT gen_random_uuid(), gen_random_uuid(), reason, 'under_way', plan, begun_by, begun_at, changed_at
             FROM rekeys LIMIT 1"
        }
        "answers_site" => {
            "UPDATE answers SET differ_id = d.id, differ_registration_id = d.registration_id FROM differs d
             WHERE d.registration_id <> answers.registration_id AND site_registration_id IS NULL AND until IS NULL"
        }
        "answers_differ" => "UPDATE answers SET differ_id = gen_random_uuid()",
        "authorities_registration" => {
            "UPDATE authorities SET registration_id = gen_random_uuid() WHERE class = 'keyholder' AND every_differ"
        }
        "copy_requests_differ" => "UPDATE copy_requests SET differ_id = gen_random_uuid()",
        "authorities_given_under" => "UPDATE authorities SET given_under = gen_random_uuid()",
        "copy_requests_extends" => "UPDATE copy_requests SET extends_request_id = gen_random_uuid()",
        "copy_requests_replaced_key" => {
            "UPDATE copy_requests SET purpose = 'replace_worn', quantity = 1, replaces_key_id = gen_random_uuid()"
        }
        "holds_barred_person" => {
            "UPDATE holds SET kind = 'court_order', court = 'x', differ_id = NULL, loss_id = NULL,
                 barred_person_id = gen_random_uuid()"
        }
        "destructions_witness" => {
            "UPDATE destructions SET witness_id = gen_random_uuid(), witnessed_at = made_at"
        }
        "holds_lifted_by" => "UPDATE holds SET lifted_at = placed_at, lifted_by = gen_random_uuid()",
        "changes_registration" => "UPDATE changes SET registration_id = gen_random_uuid()",
        "registrations_rules" => "UPDATE registrations SET rules_version = 99",
        "registrations_section" => "UPDATE registrations SET section_id = gen_random_uuid()",
        _ => "",
    }
}
