-- What the service role may do: nothing that unmakes evidence.

GRANT USAGE ON SCHEMA public TO wardbook_service;

-- Read and added to, never changed: evidence, and what has no later state.
GRANT SELECT, INSERT ON
    log_entries, changes, decisions, approvals, cuts, hand_overs, hand_over_keys, rule_versions,
    default_rules, consignments, actors, authority_differs, lever_packs
    TO wardbook_service;

GRANT SELECT ON history, log_pending TO wardbook_service;

-- Deleting a disclosure is how a person's data is erased.
GRANT SELECT, INSERT, DELETE ON disclosures TO wardbook_service;

GRANT SELECT, INSERT, UPDATE ON
    organisations, people, accounts, invitations, memberships, client_programs, sessions, refresh_tokens,
    sections, counters, appointments, blank_accounts,
    registrations, locks, differs, answers, authorities, mandates, cards, holds,
    copy_requests, keys, losses
    TO wardbook_service;

-- Old replies and ended sessions are swept away.
GRANT SELECT, INSERT, UPDATE, DELETE ON idempotency_keys TO wardbook_service;
-- The service says at its start which migrations are missing; the table is there when they are run by the
-- program.
DO $$
BEGIN
    IF to_regclass('_sqlx_migrations') IS NOT NULL THEN
        GRANT SELECT ON _sqlx_migrations TO wardbook_service;
    END IF;
END
$$;
GRANT DELETE ON sessions, refresh_tokens, invitations TO wardbook_service;
