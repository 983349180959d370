-- Invented registrations, :n of them: one lock, one differ, one owner with a card's worth of rules each.
-- Ids follow from their number, so that the load generators need no list. Foreign keys and history are
-- left out while loading, and are there when the measurement begins.
SET session_replication_role = replica;
SET synchronous_commit = off;

CREATE FUNCTION bench_id(kind int, i bigint) RETURNS uuid LANGUAGE sql IMMUTABLE AS $$
    SELECT ('00000000-0000-7' || lpad(to_hex(kind), 3, '0') || '-8000-' || lpad(to_hex(i), 12, '0'))::uuid
$$;

INSERT INTO organisations (id, kind, name, created_at, changed_at)
VALUES (bench_id(1, 1), 'dealer', 'Bench dealer', '2026-01-01Z', '2026-01-01Z'),
       (bench_id(1, 2), 'owner', 'Bench owner', '2026-01-01Z', '2026-01-01Z');
INSERT INTO actors (id, kind) SELECT bench_id(2, i), 'person' FROM generate_series(0, 63) i;
INSERT INTO people (id, name, email, created_at, created_by_organisation)
SELECT bench_id(2, i), 'Caller ' || i, 'caller' || i || '@bench.example', '2026-01-01Z', bench_id(1, 2) FROM generate_series(0, 63) i;
INSERT INTO accounts (person_id, email, password_hash, changed_at)
SELECT bench_id(2, i), 'caller' || i || '@bench.example', (SELECT password_hash FROM accounts LIMIT 1), '2026-01-01Z' FROM generate_series(0, 63) i;
INSERT INTO sections (id, name, protection, version, changed_at)
VALUES (bench_id(3, 1), 'BENCH', 'agreement', 1, '2026-01-01Z');
INSERT INTO counters (id, dealer_id, name, changed_at)
VALUES (bench_id(4, 1), bench_id(1, 1), 'Bench counter', '2026-01-01Z');
INSERT INTO appointments (id, counter_id, section_id, first_day, changed_at)
VALUES (bench_id(5, 1), bench_id(4, 1), bench_id(3, 1), '2026-01-01', '2026-01-01Z');

INSERT INTO registrations (id, number, section_id, owner_id, premises, rules_version, version, created_at, changed_at)
SELECT bench_id(6, i), lpad(i::text, 12, '0') || lpad((98 - (i * 100) % 97)::text, 2, '0'), bench_id(3, 1),
       bench_id(1, 2), i || ' Bench Street', 1, 1, '2026-01-01Z', '2026-01-01Z'
FROM generate_series(1::bigint, :n) i;
INSERT INTO rule_versions (registration_id, version, rules, made_by, made_at)
SELECT bench_id(6, i), 1, :'rules'::jsonb, bench_id(2, 0), '2026-01-01Z' FROM generate_series(1::bigint, :n) i;
INSERT INTO locks (id, registration_id, label, kind, escape_route, room_class, version, changed_at)
SELECT bench_id(7, i), bench_id(6, i), 'Front door', 'mortice_deadlock', false, 'entrance', 1, '2026-01-01Z'
FROM generate_series(1::bigint, :n) i;
INSERT INTO differs (id, registration_id, section_id, number, level, state, changed_at)
SELECT bench_id(8, i), bench_id(6, i), bench_id(3, 1), 'B-' || i, 'lock', 'given_out', '2026-01-01Z'
FROM generate_series(1::bigint, :n) i;
INSERT INTO answers (id, registration_id, lock_id, differ_id, differ_registration_id, since, changed_at)
SELECT bench_id(9, i), bench_id(6, i), bench_id(7, i), bench_id(8, i), bench_id(6, i), '2026-01-01Z', '2026-01-01Z'
FROM generate_series(1::bigint, :n) i;
INSERT INTO authorities (id, registration_id, class, person_id, every_differ, may_order, may_approve, may_pass_on,
                         occupier, first_day, given_by, given_at, changed_at)
SELECT bench_id(10, i), bench_id(6, i), 'owner', bench_id(2, i % 64), true, true, true, true, false, '2026-01-01',
       bench_id(2, 0), '2026-01-01Z', '2026-01-01Z'
FROM generate_series(1::bigint, :n) i;
-- Each lock came with a pack of two keys: one with the owner, one in store.
INSERT INTO lever_packs (id, registration_id, differ_id, number, recorded_at)
SELECT bench_id(13, i), bench_id(6, i), bench_id(8, i), 'LP-' || i, '2026-01-01Z'
FROM generate_series(1::bigint, :n) i;
INSERT INTO keys (id, registration_id, differ_id, copy_number, lever_pack_id, state, holder_id, version, changed_at)
SELECT bench_id(13 + copy, i), bench_id(6, i), bench_id(8, i), copy, bench_id(13, i),
       CASE copy WHEN 1 THEN 'with_person' ELSE 'in_store' END, CASE copy WHEN 1 THEN bench_id(2, i % 64) END, 1,
       '2026-01-01Z'
FROM generate_series(1::bigint, :n) i, generate_series(1, 2) copy;
-- Somebody else holds a key of that one differ, and each owner had a copy cut once.
INSERT INTO authorities (id, registration_id, class, person_id, every_differ, may_order, may_approve, may_pass_on,
                         occupier, first_day, given_by, given_at, changed_at)
SELECT bench_id(16, i), bench_id(6, i), 'keyholder', bench_id(2, (i + 1) % 64), false, true, false, false, false,
       '2026-01-01', bench_id(2, 0), '2026-01-01Z', '2026-01-01Z'
FROM generate_series(1::bigint, :n) i;
INSERT INTO authority_differs (authority_id, differ_id, registration_id, changed_at)
SELECT bench_id(16, i), bench_id(8, i), bench_id(6, i), '2026-01-01Z' FROM generate_series(1::bigint, :n) i;
INSERT INTO copy_requests (id, registration_id, differ_id, asked_by, recipient_id, counter_id, quantity, purpose, state,
                           asked_at, authorised_at, lapses_at, cut_count, handed_count, version, changed_at)
SELECT bench_id(17, i), bench_id(6, i), bench_id(8, i), bench_id(2, i % 64), bench_id(2, i % 64), bench_id(4, 1), 1,
       'additional', 'completed', '2026-01-02Z', '2026-01-02Z', '2026-02-01Z', 1, 1, 3, '2026-01-03Z'
FROM generate_series(1::bigint, :n) i;
-- One in four had a copy made long ago, so that the server knows how large these tables get.
INSERT INTO copy_requests (id, registration_id, differ_id, asked_by, recipient_id, counter_id, quantity, purpose, state,
                           asked_at, authorised_at, lapses_at, cut_count, handed_count, version, changed_at)
SELECT bench_id(16, i), bench_id(6, i), bench_id(8, i), bench_id(2, i % 64), bench_id(2, i % 64), bench_id(4, 1), 1,
       'additional', 'completed', '2020-01-01Z', '2020-01-01Z', '2020-02-01Z', 1, 1, 3, '2020-01-02Z'
FROM generate_series(1::bigint, :n, 4) i;
-- A till of the dealer, and a card of each owner.
INSERT INTO actors (id, kind) VALUES (bench_id(12, 1), 'program');
INSERT INTO client_programs (id, organisation_id, name, scopes, secret_hash, created_at)
VALUES (bench_id(12, 1), bench_id(1, 1), 'Bench till', '{card-checks}', sha256('bench'), '2026-01-01Z');
CREATE FUNCTION bench_number(i bigint) RETURNS text LANGUAGE sql IMMUTABLE AS $$
    SELECT lpad((500000000000 + i)::text, 12, '0') || lpad((98 - ((500000000000 + i) * 100) % 97)::text, 2, '0')
$$;
INSERT INTO status_lists (number, size, used)
SELECT 2 + number, 4194304, 0 FROM generate_series(0::bigint, :n / 4000000) number;
INSERT INTO cards (id, registration_id, person_id, number, state, expires_on, pin_failures, status_list, status_index,
                   changed_at)
SELECT bench_id(11, i), bench_id(6, i), bench_id(2, i % 64), bench_number(i), 'valid', '2200-01-01', 0,
       2 + i / 4000000, i % 4000000, '2026-01-01Z'
FROM generate_series(1::bigint, :n) i;
SET session_replication_role = origin;
VACUUM ANALYZE;
CHECKPOINT;
