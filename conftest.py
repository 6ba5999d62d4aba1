"""For all tests: one thread of linear algebra in each worker, as the commands set it; read when numpy is loaded."""

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
