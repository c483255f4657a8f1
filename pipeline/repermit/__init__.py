"""repermit: which faults stop a tank trailer from loading, where they sit, and whether the repair held."""

import os

# Before numpy is loaded: its sums split among threads come out otherwise in the last digit on every number of cores,
# and of arrays as short as ours they come no sooner.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
