"""One thread for each process of ours: the work is spread over processes, and libraries' threads wait by spinning.

Import it before NumPy: OpenBLAS reads its setting once, when it is loaded. Settings already made are kept.
"""

from __future__ import annotations

import os

THREAD_COUNTS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")

for _name in THREAD_COUNTS:
    os.environ.setdefault(_name, "1")
