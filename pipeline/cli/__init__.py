"""Parse, one call, present, exit code."""

from __future__ import annotations

import os

# Every matrix here is small: a second BLAS thread only waits, at the cost of a whole core, and on a busy machine it
# makes a fit ten times slower. This must stand before numpy is first imported, and leaves a user's own choice alone.
for _library in ("OPENBLAS", "OMP", "MKL"):
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")
