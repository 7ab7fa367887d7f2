"""The list of parts of what is installed at a plant (CycloneDX), their licences, and known holes in them.

    python tests/project/parts_list.py write FILE     the list as CycloneDX 1.6, JSON; checks every licence
    python tests/project/parts_list.py audit          asks for advisories where HISSMARK_ADVISORIES says

HISSMARK_ADVISORIES is the address of a server that speaks the query interface of OSV, for instance
https://api.osv.dev/v1/query; without it nothing is asked. Where it cannot be reached that is said and is no
failure, so that a build does not hang on it; a part with an advisory is one.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT_NAME = "hissmark"
EXTRAS = ("postgres", "opcua")
"""What the image and the manual install."""

#: SPDX identifiers (https://spdx.org/licenses) of licences that ask for no more than to be named.
PERMISSIVE = {
    "0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "ISC", "MIT", "MIT-0", "MIT-CMU",
    "PSF-2.0", "Python-2.0", "Zlib",
}  # fmt: skip
#: The same as the trove classifiers of packages that say it in that way only.
CLASSIFIERS = {
    "License :: OSI Approved :: Apache Software License",
    "License :: OSI Approved :: BSD License",
    "License :: OSI Approved :: MIT License",
    "License :: OSI Approved :: Python Software Foundation License",
}
#: Parts under other licences, and why they may be there.
LOOKED_AT = {
    "psycopg": ("LGPL-3.0-only", "a package of its own that anybody can replace; not changed by us"),
    "psycopg-binary": (
        "LGPL-3.0-only",
        "as psycopg; holds libpq (PostgreSQL licence) and OpenSSL (Apache-2.0)",
    ),
    "asyncua": ("LGPL-3.0-or-later", "a package of its own that anybody can replace; not changed by us"),
    "protobuf": ("", "names none in its metadata; its LICENSE file is the three-clause BSD"),
}


class LicenceError(Exception):
    """A part whose licence nobody has looked at; the message names both."""


def parts() -> set[str]:
    """Names of all that comes with `pip install 'hissmark[postgres,opcua]'` here, hissmark itself too."""
    found: set[str] = set()
    waiting = [Requirement(f"{ROOT_NAME}[{','.join(EXTRAS)}]")]
    while waiting:
        wanted = waiting.pop()
        key = f"{canonicalize_name(wanted.name)}[{','.join(sorted(wanted.extras))}]"
        if key in found:
            continue
        found.add(key)
        for text in _requirements(wanted.name):
            needed = Requirement(text)
            if _applies(needed, wanted.extras):
                waiting.append(needed)
    return {key.partition("[")[0] for key in found}


def _requirements(name: str) -> list[str]:
    try:
        return distribution(name).requires or []
    except PackageNotFoundError:
        raise SystemExit(f"{name} is not installed here; install hissmark[{','.join(EXTRAS)}].") from None


def _applies(needed: Requirement, extras: set[str]) -> bool:
    if needed.marker is None:
        return True
    return any(needed.marker.evaluate({"extra": extra}) for extra in (*extras, ""))


def made() -> dict[str, Any]:
    """The list: what CycloneDX's own tool sees in this environment, less what only tests need."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "all.json"
        tool = [sys.executable, "-m", "cyclonedx_py", "environment", sys.executable]
        subprocess.run([*tool, "--sv", "1.6", "--of", "JSON", "-o", str(file)], check=True)
        return pruned(json.loads(file.read_text("utf-8")), parts())


def pruned(everything: dict[str, Any], wanted: set[str]) -> dict[str, Any]:
    """Only the parts of these names, hissmark at the root."""
    mine = [c for c in everything["components"] if canonicalize_name(c["name"]) in wanted]
    root = next(c for c in mine if c["name"] == ROOT_NAME)
    refs = {c["bom-ref"] for c in mine}
    depends = [
        {"ref": row["ref"], "dependsOn": [r for r in row.get("dependsOn", []) if r in refs]}
        for row in everything["dependencies"]
        if row["ref"] in refs
    ]
    metadata = everything["metadata"] | {"component": root}
    others = [c for c in mine if c is not root]
    return everything | {"metadata": metadata, "components": others, "dependencies": depends}


def licences_of(component: dict[str, Any]) -> list[str]:
    """What a part says of its licence: SPDX expressions, identifiers, or classifiers."""
    found = []
    for row in component.get("licenses", []):
        named = row.get("license", {})
        found.append(row.get("expression") or named.get("id") or named.get("name") or "")
    return found


def check_licences(bom: dict[str, Any]) -> None:
    """Raises LicenceError unless each part's licence is permissive, or was looked at."""
    for component in bom["components"]:
        name, said = canonicalize_name(component["name"]), licences_of(component)
        if any(is_permissive(text) for text in said):
            continue
        known = LOOKED_AT.get(name)
        if known is None or ((known[0] or said) and known[0] not in said):
            raise LicenceError(
                f"{name} is under {said or 'no licence that it names'}. Look at it, then put it into "
                f"LOOKED_AT of {Path(__file__).name}, or do without it."
            )


def is_permissive(text: str) -> bool:
    """An expression that can be met with permissive licences alone: all of an AND, one of an OR."""
    if text in CLASSIFIERS:
        return True
    words = re.sub(r"[()]", " ", text)
    return any(
        all(part.strip() in PERMISSIVE for part in either.split(" AND ")) for either in words.split(" OR ")
    )


def write(file: Path) -> str:
    bom = made()
    check_licences(bom)
    file.write_text(json.dumps(bom, indent=2) + "\n", "utf-8")
    return f"{len(bom['components'])} parts, every licence allowed: {file}"


def audit(address: str, pinned: dict[str, str]) -> tuple[int, str]:
    """Exit code, and what to tell. `pinned`: names and versions."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "requirements.txt"
        file.write_text("".join(f"{name}=={version}\n" for name, version in sorted(pinned.items())))
        tool = [sys.executable, "-m", "pip_audit", "--no-deps", "--disable-pip", "-r", str(file)]
        command = [*tool, "-s", "osv", "--osv-url", address, "--progress-spinner", "off", "--timeout", "10"]
        done = subprocess.run([*command, "--format", "json"], capture_output=True, text=True, check=False)
    try:
        rows = json.loads(done.stdout)["dependencies"]
    except (ValueError, KeyError):
        last = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        return 0, f"advisories: {address} cannot be reached ({last}); NOT audited"
    holes = [f"{row['name']} {row['version']}: {v['id']}" for row in rows for v in row.get("vulns", [])]
    if holes:
        return 1, f"advisories: {len(holes)} known holes:\n" + "\n".join(holes)
    return 0, f"advisories: none for {len(rows)} parts"


def pinned_parts() -> dict[str, str]:
    return {name: distribution(name).version for name in parts() - {ROOT_NAME}}


def main(arguments: list[str]) -> int:
    if arguments[:1] == ["write"] and len(arguments) == 2:
        print(write(Path(arguments[1])))
        return 0
    if arguments == ["audit"]:
        address = os.environ.get("HISSMARK_ADVISORIES", "")
        if not address:
            print("advisories: HISSMARK_ADVISORIES names no server; NOT audited")
            return 0
        code, said = audit(address, pinned_parts())
        print(said)
        return code
    print(__doc__, file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
