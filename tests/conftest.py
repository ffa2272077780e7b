"""What every test may use: this directory's modules by name, and the fixtures of real brokers."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

pytest_plugins = ["brokers", "daemons", "endpoints", "mirrors", "web_cellar", "wheels"]
