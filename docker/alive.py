"""Health check of the image: does the service of a site answer that it is alive? Exit code 0 or 1.

Usage: python alive.py SITE. Needs the standard library only, so that it takes no time to speak of.
"""

import ssl
import sys
import tomllib
import urllib.error
import urllib.request
from pathlib import Path

TIMEOUT_S = 4.0


def address(site: Path) -> str:
    """Where the service of the site listens, seen from its own machine."""
    http = tomllib.loads((site / "site.toml").read_text("utf-8")).get("http", {})
    host = str(http.get("host", "127.0.0.1"))
    if host in ("0.0.0.0", "::"):
        host = "127.0.0.1" if host == "0.0.0.0" else "::1"
    name = f"[{host}]" if ":" in host else host
    return f"{'https' if http.get('cert_file') else 'http'}://{name}:{http.get('port', 8470)}/health/live"


def main(site: Path) -> int:
    url = address(site)
    # It asks itself: the certificate is made for another name, and whether it is good is not the question.
    context = ssl._create_unverified_context() if url.startswith("https:") else None
    try:
        with urllib.request.urlopen(url, timeout=TIMEOUT_S, context=context) as answer:
            return 0 if answer.status == 200 else 1
    except OSError as error:
        print(f"{url}: {error}", file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
