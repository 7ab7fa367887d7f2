"""Backups made on a schedule: where they go, and which of the older ones stay."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

from hissmark.backup.manifest import NAME
from hissmark.backup.write import UNFINISHED, Made, write_backup
from hissmark.site.load import Site

_STAMP = "%Y%m%dT%H%M%SZ"


def backup_folder(under: Path, site_name: str, now_us: int) -> Path:
    """A name that sorts by time: `north-works-20260301T021400Z`."""
    return under / f"{_plain(site_name)}-{datetime.fromtimestamp(now_us / 1e6, UTC).strftime(_STAMP)}"


def _plain(site_name: str) -> str:
    return "".join(c if c.isalnum() else "-" for c in site_name.lower()).strip("-") or "site"


def finished(under: Path) -> list[Path]:
    """Complete backups in a folder that carry a time in their name, the oldest first."""
    if not under.is_dir():
        return []
    found = [p for p in under.iterdir() if (p / NAME).is_file() and made_at(p) is not None]
    return sorted(found, key=lambda p: (made_at(p) or datetime.min.replace(tzinfo=UTC), p.name))


def made_at(folder: Path) -> datetime | None:
    """When a backup was made, by its name; None if its name does not say."""
    try:
        return datetime.strptime(folder.name.rpartition("-")[2], _STAMP).replace(tzinfo=UTC)
    except ValueError:
        return None


def sweep(under: Path, site_name: str) -> int:
    """Remove what backups on the schedule left behind that were killed. None of this site may be running."""
    if not under.is_dir():
        return 0
    left = [p for p in under.glob(f"{_plain(site_name)}-*{UNFINISHED}") if made_at(p.with_suffix(""))]
    for folder in left:
        shutil.rmtree(folder, ignore_errors=True)
    return len(left)


def keep_backing_up(site: Site, under: Path, keep: int, now_us: int) -> Made:
    """Make one more backup; once it is complete delete the oldest beyond `keep`."""
    made = write_backup(site, backup_folder(under, site.name, now_us), now_us)
    for old in finished(under)[:-keep]:
        shutil.rmtree(old)
    return made
