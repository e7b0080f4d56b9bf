"""Lets the tests of this folder import what several of them use."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
