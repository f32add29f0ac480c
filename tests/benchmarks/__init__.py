"""Scripts that measure, run from the project's root; pages of what they printed stand in `results/`.

One thread for linear algebra, unless the caller says otherwise: figures are seconds of one core. It must be known
before NumPy is imported, hence here.
"""

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
