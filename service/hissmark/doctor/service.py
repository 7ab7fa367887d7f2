"""Does the service run, and what does it say of itself."""

from __future__ import annotations

import json
import ssl
import urllib.error
import urllib.request
from collections.abc import Iterator
from typing import Any

from hissmark import __version__
from hissmark.doctor.finding import Finding, fine, look, wrong
from hissmark.site.load import Site

_AREA = "service"
_HANGS = "If that is hissmark, it hangs: restart it and keep its log. Else see who has port {port}."
_START = "Start it: hissmark run {folder}, or systemctl start hissmark@NAME."


def look_at_service(site: Site, patience_s: float) -> Iterator[Finding]:
    """Asks the service on this machine for its health."""
    http = site.settings.http
    scheme = "https" if http.cert_file else "http"
    host = "127.0.0.1" if http.host in ("0.0.0.0", "::", "") else http.host  # noqa: S104 - only compared
    address = f"{scheme}://{host}:{http.port}"
    try:
        status, body = _get(f"{address}/health/ready", patience_s)
        _, described = _get(f"{address}/api/v1/openapi.json", patience_s)
    except TimeoutError:
        said = f"Something listens at {address} and does not answer within {patience_s:g} s."
        yield wrong(_AREA, said, _HANGS.format(port=http.port))
        return
    except OSError as error:
        reason = getattr(error, "reason", None) or error
        yield wrong(_AREA, f"Nothing answers at {address}: {reason}.", _START.format(folder=site.folder))
        return
    except ValueError:
        do = "Give hissmark a port of its own in [http]."
        yield wrong(_AREA, f"What answers at {address} is not hissmark.", do)
        return
    yield from _version(described)
    if status == 200 and body.get("status") == "ok":
        yield fine(_AREA, f"{address} answers and is ready.")
        return
    for check in body.get("checks", []):
        if not check["ok"]:
            said = f"{check['name']}: {check['detail']}"
            yield (look if status == 200 else wrong)(_AREA, said, "See the service's log for the reason.")


def _version(described: dict[str, Any]) -> Iterator[Finding]:
    runs = described.get("info", {}).get("version")
    if runs is not None and runs != __version__:
        said = f"The service that runs is version {runs}, this command is {__version__}."
        yield look(_AREA, said, "Restart the service after an upgrade.")


def _get(url: str, patience_s: float) -> tuple[int, dict[str, Any]]:
    """Status and JSON body, also of an error. The certificate is looked at elsewhere."""
    context = ssl._create_unverified_context() if url.startswith("https:") else None  # noqa: S323
    try:
        with urllib.request.urlopen(url, timeout=patience_s, context=context) as answer:  # noqa: S310 - ours
            return answer.status, dict(json.loads(answer.read()))
    except urllib.error.HTTPError as error:
        return error.code, dict(json.loads(error.read()))
