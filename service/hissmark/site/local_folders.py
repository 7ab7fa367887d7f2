"""Which folders of this machine a site writes to."""

from __future__ import annotations

from pathlib import Path

from hissmark.site.files import file_of
from hissmark.site.load import Site


def folders_of(site: Site) -> dict[str, Path]:
    """What for -> a local folder that the site writes to."""
    from hissmark.store.archive.place import Folder  # checking a folder needs no database
    from hissmark.store.open import resolve_url

    store = site.settings.store
    address = resolve_url(site.store_url, site.folder)
    found = {"database": Path(str(address.database)).parent} if address.drivername == "sqlite" else {}
    if isinstance(site.archive, Folder):
        found["archive"] = site.archive.root
    if store.backup_folder is not None:
        found["backups"] = file_of(site.folder, store.backup_folder)
    return found
