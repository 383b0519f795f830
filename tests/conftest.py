"""Small problems on one thread of linear algebra: a second one costs more than it brings, the more the busier the machine."""

import os

from hypothesis import settings

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
