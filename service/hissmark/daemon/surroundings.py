"""What the service depends on and does not rule: room on disks, the ends of certificates."""

from __future__ import annotations

import shutil
from pathlib import Path

import structlog

from hissmark.publish.metrics import Metrics
from hissmark.site.certificate_dates import CertificateError, ends, of_site
from hissmark.site.load import Site
from hissmark.site.local_folders import folders_of

log = structlog.get_logger("hissmark.daemon")


class Surroundings:
    """Called now and then."""

    def __init__(self, site: Site, metrics: Metrics) -> None:
        self._site, self._metrics = site, metrics
        self._folders = folders_of(site)

    def look(self) -> None:
        for what, folder in self._folders.items():
            self._metrics.disk_free.labels(what).set(shutil.disk_usage(_nearest(folder)).free)
        for whose, file in of_site(self._site).items():
            try:
                self._metrics.certificate_ends.labels(whose).set(ends(file).timestamp())
            except CertificateError as error:
                log.warning("a certificate cannot be read", whose=whose, reason=str(error))


def _nearest(folder: Path) -> Path:
    """The folder, or what will hold it once it is made."""
    return next(path for path in (folder, *folder.parents) if path.exists())
