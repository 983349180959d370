//! What each operation is sent.

use serde_json::{Value, json};

use crate::harness::Town;

/// A day on which every right of the town is in force.
const DAY: &str = "2026-11-01";

/// A valid body where an operation has one that must be seen before who may is looked at.
pub fn body_for(id: &str, town: &Town, request: &str) -> Value {
    match id {
        "change_password" => json!({"old_password": "x", "new_password": "twelve letters and more"}),
        "set_second_factor" => {
            json!({"password": "x", "secret": "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ", "code": "000000"})
        }
        "remove_second_factor" => json!({"password": "x", "old_code": "000000"}),
        "ask_for_account_reset" => json!({"reason": "x"}),
        "add_organisation" => json!({"kind": "owner", "name": "x"}),
        "add_member" => json!({"person_id": town.stranger.id, "post": "staff", "first_day": DAY}),
        "end_membership" => json!({"last_day": "2030-01-01"}),
        "add_client_program" => json!({"name": "x"}),
        "add_person" => json!({"name": "x"}),
        "erase_person" => json!({"under": "x"}),
        "add_section" | "change_section" => json!({"name": "x", "protection": "agreement"}),
        "add_counter" => json!({"dealer_id": town.dealer, "name": "x"}),
        "add_appointment" => json!({"section_id": town.section, "first_day": DAY}),
        "send_blanks" | "spoil_blanks" | "return_blanks" => {
            json!({"section_id": town.section, "quantity": 1})
        }
        "count_blanks" => json!({"section_id": town.section, "counted": 40}),
        "limit_blanks" => json!({"section_id": town.section}),
        "explain_blank_difference" => json!({"explanation": "miscounted"}),
        "check_card" => json!({"card_number": town.card.1}),
        "set_opening_hours" => json!({"time_zone": "Europe/London", "hours": []}),
        "bring_in_cut" => {
            json!({"id": town.app.outside.id(town.clock_now()),
            "copy_request_id": request, "quantity": 1, "cut_at": "2026-11-02T09:00:00Z"})
        }
        _ => body_on_a_registration(id, town),
    }
}

fn body_on_a_registration(id: &str, town: &Town) -> Value {
    match id {
        "record_bitting" => json!({"heights": [1, 2, 3, 4, 5]}),
        "add_registration" => json!({"section_id": town.section, "owner_id": town.owners, "premises": "x"}),
        "change_registration" => json!({"premises": "x"}),
        "add_lock" | "change_lock" => json!({"label": "x", "kind": "other", "escape_route": false}),
        "add_differ" => json!({"number": "X-1", "level": "lock"}),
        "count_differs" | "set_geometry" => json!({"geometry": {"positions": 5, "heights": 6}}),
        "allot_differs" => json!({"level": "lock"}),
        "settle_differ" => json!({"state": "released"}),
        "begin_answering" | "end_answering" => json!({"differ_id": town.differ}),
        "set_rules" | "set_default_rules" => json!({"rules": {}}),
        "give_authority" => json!({"class": "keyholder", "person_id": town.stranger.id, "first_day": DAY}),
        "give_mandate" => json!({"recipient_id": town.tenant.id, "collector_id": town.owner.id,
            "first_day": DAY, "last_day": DAY}),
        "issue_card" => json!({"person_id": town.stranger.id}),
        "set_card_state" => json!({"state": "suspended"}),
        "set_pin" => json!({"pin": "1234"}),
        "place_hold" => json!({"kind": "dispute"}),
        "record_lever_pack" => json!({"differ_id": town.differ, "number": "LP-9"}),
        "issue_key" | "pass_key_on" => json!({"person_id": town.tenant.id}),
        "report_loss" => json!({"kind": "lost"}),
        "settle_loss" => json!({"crime_reference": "x"}),
        "key_locks" => json!({"groups": [{"lock_ids": town.locks, "level": "suite"}]}),
        "answer_audit_line" => json!({"has_it": true}),
        "count_stock" => json!({"differ_id": town.differ, "counted": 1}),
        "decide_loss" => json!({"decision": "keep", "reason": "x"}),
        "set_prices" => json!({"prices": {"currency": "GBP", "pack": 1, "key": 1}}),
        "plan_rekey" => json!({"differ_ids": [town.differ]}),
        "begin_rekey" => json!({"differ_ids": [town.differ], "reason": "x"}),
        "record_fitting" => json!({"lock_id": town.locks[0], "pack_number": "X", "fitted_by": town.owner.id}),
        "begin_site" => json!({"section_id": town.section, "builder_id": town.owners, "name": "x",
            "premises": "x"}),
        "record_plot_fitting" => {
            json!({"lock_id": town.locks[0], "pack_number": "X", "fitted_by": town.owner.id})
        }
        "record_trial" => {
            json!({"lock_id": town.locks[0], "tried_by": town.owner.id, "final_key_works": true,
            "site_key_dead": true})
        }
        "hand_over_plot" => json!({"buyer_id": town.owners, "collected_by": town.owner.id,
            "document_seen": "passport", "signature": crate::harness::signature()}),
        "ask" | "dry_run" => town.ask_body(),
        "cut" | "hand_over" => json!({"quantity": 1}),
        _ => json!({}),
    }
}
