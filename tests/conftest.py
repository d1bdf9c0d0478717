"""What all tests have in common."""

import companion  # noqa: F401  (before any test imports numpy, which then keeps to one thread: see there)
