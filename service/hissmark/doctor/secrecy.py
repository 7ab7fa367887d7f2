"""Who on this machine may read what only the service should: keys, passwords, database, backups."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from pathlib import Path

from hissmark.backup.kept import finished
from hissmark.doctor.finding import Finding, fine, look, wrong
from hissmark.site.files import file_of
from hissmark.site.load import Site
from hissmark.store.open import resolve_url

_AREA = "permissions"


def look_at_secrecy(site: Site) -> Iterator[Finding]:
    """Files of the site that others than its own user and group may read or change."""
    count = 0
    for what, file in _secrets(site):
        mode = _mode(file)
        if mode is None:
            continue
        count += 1
        if mode & stat.S_IROTH:
            do = f"Run: chmod o-rwx {file}"
            yield wrong(_AREA, f"Everybody on this machine may read {file}, {what}.", do)
    for name in ("site.toml", "register.csv"):
        mode = _mode(site.folder / name)
        if mode is not None and mode & stat.S_IWOTH:
            do = f"Run: chmod o-w {site.folder / name}"
            yield wrong(_AREA, f"Everybody on this machine may change {name}.", do)
    yield from _data(site)
    if count:
        yield fine(_AREA, f"{count} keys and passwords were looked at.")


def _secrets(site: Site) -> Iterator[tuple[str, Path]]:
    http, mqtt = site.settings.http, site.settings.mqtt
    named = [("the key of the page's certificate", http.key_file)]
    if mqtt is not None:
        named += [
            ("the password for the broker", mqtt.password_file),
            ("the key of the client's certificate", mqtt.key_file),
        ]
    notify = site.settings.notify
    named += [("the key that webhooks are signed with", r.secret_file) for r in notify.webhook]
    named += [("the password of a mail server", r.password_file) for r in notify.email]
    named += [("the password of an Alertmanager", r.password_file) for r in notify.alertmanager]
    for what, text in named:
        if text is not None:
            yield what, file_of(site.folder, text)


def _data(site: Site) -> Iterator[Finding]:
    """Levels are no secret as such, but users' password hashes lie beside them."""
    address = resolve_url(site.store_url, site.folder)
    places = [Path(str(address.database))] if address.drivername == "sqlite" else []
    kept = site.settings.store.backup_folder
    places += finished(file_of(site.folder, kept))[-1:] if kept is not None else []
    for place in places:
        if _reachable(place):
            do = f"Run: chmod o-rwx {place.parent}"
            yield look(
                _AREA, f"Everybody on this machine may read {place}, with the hashes of passwords.", do
            )


def _reachable(place: Path) -> bool:
    """Whether a stranger can read it: the place itself, and every folder above lets them through."""
    mode = _mode(place)
    if mode is None or not mode & stat.S_IROTH:
        return False
    return all((_mode(folder) or 0) & stat.S_IXOTH for folder in place.absolute().parents)


def _mode(path: Path) -> int | None:
    try:
        return path.stat().st_mode
    except OSError:
        return None
