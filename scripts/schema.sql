-- The tables of one subject as Markdown. Variable: tables, their names as an array.

WITH subject AS (
    SELECT name, oid, position FROM unnest(:'tables'::text[]) WITH ORDINALITY AS given (name, position)
    JOIN pg_class ON relname = name AND relnamespace = 'public'::regnamespace
), columns AS (
    SELECT subject.name AS table_name, a.attrelid, a.attnum, a.attname, a.attnotnull,
           replace(format_type(a.atttypid, a.atttypmod), 'timestamp with time zone', 'timestamptz') AS type,
           coalesce(col_description(a.attrelid, a.attnum), '') AS comment
    FROM subject JOIN pg_attribute a ON a.attrelid = subject.oid AND a.attnum > 0 AND NOT a.attisdropped
), referring AS (
    -- A reference of two columns holds that both rows belong to one registration or section.
    SELECT columns.*, target.relname AS to_table
    FROM columns
    JOIN pg_constraint c ON c.conrelid = columns.attrelid AND c.contype = 'f' AND c.conkey[1] = columns.attnum
    JOIN pg_class target ON target.oid = c.confrelid
), words AS (
    SELECT c.conrelid, c.conkey[1] AS attnum, string_agg(format('`%s`', word[1]), ' ') AS words
    FROM pg_constraint c, regexp_matches(pg_get_constraintdef(c.oid), '''([a-z_]+)''::text', 'g') AS word
    WHERE c.contype = 'c' AND cardinality(c.conkey) = 1
      AND pg_get_constraintdef(c.oid) LIKE 'CHECK ((% = ANY (ARRAY[%'
    GROUP BY c.oid
), arrows AS (
    SELECT table_name, to_table, bool_and(attnotnull) AS always FROM referring WHERE attname !~ '(^|_)by(_|$)'
    GROUP BY table_name, to_table
), lines AS (
    SELECT table_name, columns.attnum,
           format('| `%s` | %s%s | %s |', attname, type, CASE WHEN attnotnull THEN '' ELSE ', may be absent' END,
                  concat_ws(' ', nullif(comment, ''), words,
                            (SELECT string_agg(DISTINCT format('→ `%s`', to_table), ' ') FROM referring
                             WHERE (attrelid, attnum) = (columns.attrelid, columns.attnum)))) AS line
    FROM columns LEFT JOIN words ON (conrelid, words.attnum) = (attrelid, columns.attnum)
)
SELECT concat(
    E'```mermaid\nerDiagram\n',
    (SELECT string_agg(format(E'    %s\n', name), '' ORDER BY position) FROM subject),
    (SELECT string_agg(format(E'    %s }o--%s %s : ""\n',
                              table_name, CASE WHEN always THEN '||' ELSE 'o|' END, to_table),
                       '' ORDER BY table_name, to_table) FROM arrows),
    '```',
    (SELECT string_agg(
        format(E'\n\n### %s\n\n%s\n\n| column | type | |\n|---|---|---|\n%s', name, obj_description(oid, 'pg_class'),
               (SELECT string_agg(line, E'\n' ORDER BY attnum) FROM lines WHERE table_name = name)),
        '' ORDER BY position) FROM subject))
