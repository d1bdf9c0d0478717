"""Whether a quantity is there: lost when its last value is too old, back when it has stayed a while."""

from __future__ import annotations

BACK_AFTER_S = 2.0
"""How long a quantity has to be there again before it counts as back."""
TOLD_AFTER_S = 10.0
"""How long it has to have been lost before that is worth a word: a fleeting loss mends itself."""
BACK_TOLD_AFTER_S = 10.1
"""How long the word of its loss stands before its return is told."""
NEVER_S = float("inf")


class Presence:
    """Follows one quantity.

    Args:
        maximum_age: how old its last value may be, s.

    Attributes:
        maximum_age: how old its last value may be, s.
        lost: whether it is lost.
        untold: when its loss is to be spoken of, logic s, unless it comes back;
            infinite when it is not.
        back_untold: when its return is to be spoken of, where its loss was; infinite
            when it is not.
    """

    def __init__(self, maximum_age: float) -> None:
        self.maximum_age = maximum_age
        self._seen: float | None = None
        self._again_since: float | None = None
        self.lost = False
        self.untold = self.back_untold = NEVER_S
        self._told_at: float | None = None

    @property
    def seen(self) -> float | None:
        """Return when its last value came, logic s."""
        return self._seen

    @property
    def expires(self) -> float:
        """Return when it will count as lost, logic s, if nothing more comes."""
        if self.lost or self._seen is None:
            return NEVER_S
        return self._seen + self.maximum_age

    def lose(self, t: float) -> None:
        """Count it as lost from logic time t, s."""
        self.lost, self._again_since = True, None
        if self._told_at is None:
            self.untold = t + TOLD_AFTER_S
        self.back_untold = NEVER_S

    def loss_told(self, t: float, *, spoken: bool) -> None:
        """Note that its loss was due to be spoken of at logic time t, s, and whether it was."""
        self.untold = NEVER_S
        self._told_at = t if spoken else None

    def back_told(self) -> None:
        """Note that its return was due to be spoken of."""
        self.back_untold, self._told_at = NEVER_S, None

    def accept(self, t: float) -> bool:
        """Note a value at logic time t, s; return whether with it the quantity is back."""
        if self.lost and self._seen is not None:
            if self._again_since is None or t - self._seen > self.maximum_age:
                self._again_since = t
            self.lost = t - self._again_since < BACK_AFTER_S
            self._seen = t
            if not self.lost:
                self.untold = NEVER_S
                if self._told_at is not None:
                    self.back_untold = max(t, self._told_at + BACK_TOLD_AFTER_S)
            return not self.lost
        self._seen = t
        return False
