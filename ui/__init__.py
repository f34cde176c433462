"""User interface: the command line and the dashboard."""

import os

# One thread for small matrices: more of them wait for each other, and for the cycle.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
