"""Measured figures: `python -m tests.benchmarks.accuracy` and `python -m tests.benchmarks.speed`.

BLAS is held to one thread here, before numpy is loaded, so that the figures compare one core with one core.
"""

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
