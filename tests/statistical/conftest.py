"""Lets the tests of this folder import its own modules, as its command does."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
