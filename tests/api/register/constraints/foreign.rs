//! What violates the references of one table to another, where a column with another id does not.

/// Foreign keys whose rows cannot be pointed elsewhere by an update of one column, and how to break them.
pub const FOREIGN: &[(&str, &str, &str)] = &[
    ("people_actor", "people", "+ email = NULL"),
    ("client_programs_actor", "client_programs", "+"),
    ("cards_status_list", "cards", "status_list = 99"),
];

/// Foreign keys that an update of one column does not break, and the statement that does.
pub const OTHERWISE: &[(&str, &str)] = &[
    ("accounts_person",
            "INSERT INTO accounts (person_id, email, password_hash, changed_at)
             SELECT gen_random_uuid(), 'nobody@town.example', password_hash, changed_at FROM accounts LIMIT 1"
    ),
    ("differs_registration",
            "INSERT INTO differs (id, registration_id, section_id, number, level, changed_at, state)
             SELECT gen_random_uuid(), gen_random_uuid(), section_id, 'ZZ-9', level, changed_at, state
             FROM differs LIMIT 1"
    ),
    ("differs_section",
            "INSERT INTO differs (id, registration_id, section_id, number, level, changed_at, state)
             SELECT gen_random_uuid(), registration_id, gen_random_uuid(), 'ZZ-8', level, changed_at, state
             FROM differs LIMIT 1"
    ),
    ("blank_accounts_counter",
            "INSERT INTO blank_accounts (counter_id, section_id, received, cut, spoiled, returned, on_hand)
             SELECT gen_random_uuid(), section_id, 0, 0, 0, 0, 0 FROM blank_accounts LIMIT 1"
    ),
    ("blank_accounts_section",
            "INSERT INTO blank_accounts (counter_id, section_id, received, cut, spoiled, returned, on_hand)
             SELECT counter_id, gen_random_uuid(), 0, 0, 0, 0, 0 FROM blank_accounts LIMIT 1"
    ),
    ("rule_versions_registration",
            "INSERT INTO rule_versions SELECT gen_random_uuid(), 1, rules, made_by, made_at FROM rule_versions LIMIT 1"
    ),
    ("locks_registration",
            "INSERT INTO locks (id, registration_id, label, kind, escape_route, version, changed_at)
             SELECT gen_random_uuid(), gen_random_uuid(), label, kind, escape_route, 1, changed_at FROM locks LIMIT 1"
    ),
    ("holds_differ", "UPDATE holds SET differ_id = gen_random_uuid() WHERE differ_id IS NOT NULL"),
    ("plot_locks_final_differ", "UPDATE plot_locks SET final_differ_id = gen_random_uuid()"),
    ("plots_registration",
            "INSERT INTO plots (id, site_id, site_registration_id, sequence, label, registration_id, changed_at)
             SELECT gen_random_uuid(), site_id, site_registration_id, 99, 'x', gen_random_uuid(), changed_at
             FROM plots LIMIT 1"
    ),
    ("sites_registration",
            "INSERT INTO sites (id, registration_id, builder_id, name, temporary_differ_id, created_at, changed_at)
             SELECT gen_random_uuid(), gen_random_uuid(), builder_id, name, temporary_differ_id, created_at, changed_at
             FROM sites LIMIT 1"
    ),
    ("sites_temporary_differ", "UPDATE sites SET temporary_differ_id = gen_random_uuid()"),
    ("rekey_differs_new", "UPDATE rekey_differs SET new_differ_id = gen_random_uuid()"),
    ("rekey_differs_old", "UPDATE rekey_differs SET old_differ_id = gen_random_uuid()"),
    ("rekey_locks_keys_for", "UPDATE rekey_locks SET keys_for = gen_random_uuid()"),
    ("rekey_locks_lock", "UPDATE rekey_locks SET lock_id = gen_random_uuid() WHERE fitted_at IS NULL"),
    ("rekeys_registration",
            "INSERT INTO rekeys (id, registration_id, reason, state, plan, begun_by, begun_at, changed_at)
             SELECT gen_random_uuid(), gen_random_uuid(), reason, 'under_way', plan, begun_by, begun_at, changed_at
             FROM rekeys LIMIT 1"
    ),
    ("answers_site",
            "UPDATE answers SET differ_id = d.id, differ_registration_id = d.registration_id FROM differs d
             WHERE d.registration_id <> answers.registration_id AND site_registration_id IS NULL AND until IS NULL"
    ),
    ("answers_differ", "UPDATE answers SET differ_id = gen_random_uuid()"),
    ("authorities_registration",
            "UPDATE authorities SET registration_id = gen_random_uuid() WHERE class = 'keyholder' AND every_differ"
    ),
    ("copy_requests_differ", "UPDATE copy_requests SET differ_id = gen_random_uuid()"),
    ("authorities_given_under", "UPDATE authorities SET given_under = gen_random_uuid()"),
    ("copy_requests_extends", "UPDATE copy_requests SET extends_request_id = gen_random_uuid()"),
    ("copy_requests_replaced_key",
            "UPDATE copy_requests SET purpose = 'replace_worn', quantity = 1, replaces_key_id = gen_random_uuid()
             WHERE cut_count <= 1"
    ),
    ("holds_barred_person",
            "UPDATE holds SET kind = 'court_order', court = 'x', order_reference = 'x', differ_id = NULL,
                 loss_id = NULL, barred_person_id = gen_random_uuid()"
    ),
    ("destructions_witness",
            "UPDATE destructions SET witness_id = gen_random_uuid(), witnessed_at = made_at"
    ),
    ("holds_lifted_by", "UPDATE holds SET lifted_at = placed_at, lifted_by = gen_random_uuid()"),
    ("changes_registration", "UPDATE changes SET registration_id = gen_random_uuid()"),
    ("registrations_rules", "UPDATE registrations SET rules_version = 99"),
    ("registrations_section", "UPDATE registrations SET section_id = gen_random_uuid()"),
];

/// The statement that breaks a foreign key, where an update of its column does not.
pub fn otherwise(name: &str) -> Option<&'static str> {
    OTHERWISE.iter().find(|(key, _)| *key == name).map(|(_, statement)| *statement)
}
