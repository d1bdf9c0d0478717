"""A clock that a test moves."""


class MovedClock:
    """Stands where it was moved to, and never goes back."""

    def __init__(self, start: float = 0.0) -> None:
        self._now = start

    def now(self) -> float:
        """Return logic time, s."""
        return self._now

    def move_to(self, t: float) -> None:
        """Move to logic time `t`, s; an earlier instant leaves the clock where it is."""
        self._now = max(self._now, t)
