"""What holds for all tests: linear algebra on one thread, as the command line has it; set before NumPy is imported."""

from __future__ import annotations

import os

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
