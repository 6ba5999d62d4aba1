"""For all tests: one thread of linear algebra in each worker, as the commands set it. Read when numpy is first loaded."""

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
