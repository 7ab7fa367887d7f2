"""Makes tests/support importable (`from support.broker import Broker`) and its fixtures known."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

pytest_plugins = ("support.broker", "support.postgres")
