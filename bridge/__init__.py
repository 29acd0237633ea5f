"""Calibrate an analogue multitrack tape recorder: levels in, deviations out, every trim logged."""

import os

# Our matrices are small. On a busy computer the threads that the linear algebra library starts for them wait for each
# other: 24 tracks of level wander took 0.3 ms with one thread, 16 ms with two. It is read when numpy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
