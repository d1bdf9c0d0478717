"""A voice-and-sensor companion for an angler who fishes deep-diving lures over offshore structure."""

import os

# The linear systems here are small: threads inside BLAS only wait for each other, up to
# a hundred times longer than the work takes when the machine is busy. numpy reads this
# when it is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.3.0"
