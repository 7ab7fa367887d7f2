-- What the service may: every table by what it does with it, and no more. As the owner, after each `hissmark migrate`:
--
--   psql -v ON_ERROR_STOP=1 -d hissmark -U hissmark_owner -f writer.sql
--
-- It may be run as often as wanted. The writer cannot alter, drop or empty a table, cannot change or remove what is on
-- record for good, and makes and drops days of `samples` only by the two functions that the owner has put there.

BEGIN;
REVOKE ALL ON ALL TABLES IN SCHEMA public FROM hissmark_writer;
REVOKE ALL ON ALL SEQUENCES IN SCHEMA public FROM hissmark_writer;
GRANT USAGE ON SCHEMA public TO hissmark_writer;
GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO hissmark_writer;
GRANT SELECT ON ALL TABLES IN SCHEMA public TO hissmark_writer;

-- On record for good.
GRANT INSERT ON
    assumptions,
    audit,
    backfills,
    calibrations,
    findings,
    found_later,
    journal,
    repair_outcomes,
    repairs,
    settings_versions,
    shift_notes
TO hissmark_writer;

-- Settled or brought up to date, never removed.
GRANT INSERT, UPDATE ON
    actions,
    coarse_blocks,
    engine_state,
    legal_holds,
    letters,
    meta,
    readings,
    register_versions,
    series,
    tokens,
    users
TO hissmark_writer;

-- Removed once it is old or done; never changed.
GRANT INSERT, DELETE ON
    arrivals,
    engine_checkpoints,
    hours_due,
    rejects,
    reports,
    samples,
    verdict_changes
TO hissmark_writer;

GRANT INSERT, UPDATE, DELETE ON
    backfill_marks,
    outbox,
    sealed_files,
    sessions,
    sign_in_failures,
    tick_blocks,
    unknown_names
TO hissmark_writer;

GRANT EXECUTE ON FUNCTION
    hissmark_add_samples_day(bigint),
    hissmark_drop_samples(text, bigint),
    hissmark_analyze_samples()
TO hissmark_writer;
COMMIT;
