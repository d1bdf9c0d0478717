"""What is understood, in figures."""

import companion  # noqa: F401  (before numpy, which then keeps to one thread: see there)
