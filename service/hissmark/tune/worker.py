"""The process of one trial: the request comes on standard input, progress and result go out as JSON lines."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from pathlib import Path
from typing import Any

from hissmark.site.load import load_site
from hissmark.site.problems import SiteError
from hissmark.store.errors import StoreError
from hissmark.tune.lifeline import end_with_parent
from hissmark.tune.request import TuneError
from hissmark.tune.shares import carry_out

LOWEST_PRIORITY = 19


def main() -> None:
    """Run the trial asked for."""
    give_way()
    end_with_parent()
    try:
        site = load_site(Path(sys.argv[1]))
        result = carry_out(site, json.loads(sys.stdin.read()), lambda share: say({"share": round(share, 4)}))
    except (TuneError, SiteError, StoreError) as trouble:
        say({"trouble": str(trouble)})
    else:
        say({"result": result})


def give_way() -> None:
    """Use what time others leave: what the service ingests goes first."""
    os.nice(LOWEST_PRIORITY)
    with contextlib.suppress(AttributeError, OSError):  # not every system has it, or allows it
        os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))


def say(what: dict[str, Any]) -> None:
    """One line to whoever started the process."""
    sys.stdout.write(json.dumps(what) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
