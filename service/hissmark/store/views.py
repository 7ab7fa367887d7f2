"""Views for people and programs that read with SQL: names instead of numbers, times as the database's own.

The same on SQLite and PostgreSQL; the manual's page "History" lists their columns. Whoever changes one here
adds a migration that drops the views and creates them anew.
"""

from __future__ import annotations

_TIME = {
    "sqlite": (
        "strftime('%Y-%m-%dT%H:%M:', {c} / 1000000, 'unixepoch') || printf('%09.6fZ', {c} % 60000000 / 1e6)"
    ),
    "postgresql": "to_timestamp({c} / 1000000) + mod({c}, 1000000) * interval '1 microsecond'",
}

_VIEWS = {
    "hissmark_samples": (
        "SELECT {time_us} AS time, n.name AS name, s.value AS value, s.flags AS flags, s.time_us AS time_us "
        "FROM samples s JOIN series n ON n.id = s.series_id"
    ),
    "hissmark_verdicts": (
        "SELECT seq, {at_us} AS at, valve, verdict, reason, source, rise_db, margin_db, level_db, "
        "baseline_db, at_us FROM verdict_changes"
    ),
    "hissmark_verdicts_now": (
        "SELECT {at_us} AS since, valve, verdict, reason, source, rise_db, margin_db, level_db, "
        "baseline_db, at_us AS since_us FROM verdict_changes v "
        "WHERE at_us = (SELECT max(w.at_us) FROM verdict_changes w WHERE w.valve = v.valve)"
    ),
    "hissmark_journal": (
        "SELECT j.seq AS seq, {at_us} AS at, {recorded_us} AS recorded_at, valve, group_name, alarm, event, "
        "state, priority, rise_db, margin_db, reason, operator, comment, coalesce(f.origin, '') AS origin, "
        "at_us FROM journal j LEFT JOIN found_later f ON f.seq = j.seq"
    ),
    "hissmark_archive": (
        "SELECT kind, {start_us} AS start, group_name, path, rows AS row_count, bytes AS byte_count, "
        "sha256, start_us FROM sealed_files WHERE generation > 0"
    ),
    "hissmark_backfills": (
        "SELECT id, group_name, {from_us} AS judged_from, {to_us} AS judged_to, samples, cause, "
        "{done_us} AS done_at, ticks, verdicts, entries FROM backfills"
    ),
}
NAMES = tuple(_VIEWS)
_TIMES = ("time_us", "at_us", "recorded_us", "start_us", "from_us", "to_us", "done_us")


def statements(dialect: str) -> list[str]:
    """What creates the views on a database of this kind."""
    shown = {name: _TIME[dialect].replace("{c}", name) for name in _TIMES}
    return [f"CREATE VIEW {name} AS {query.format(**shown)}" for name, query in _VIEWS.items()]
