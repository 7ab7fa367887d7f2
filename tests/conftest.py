"""Makes tests/support importable (`from support.broker import Broker`) and its fixtures known."""

import sys
from pathlib import Path

from hypothesis import HealthCheck, settings

sys.path.insert(0, str(Path(__file__).parent))

# A busy machine is no failure: how long an example takes says nothing about whether it is right.
settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")

pytest_plugins = ("support.broker", "support.faults", "support.postgres", "support.other_store")
