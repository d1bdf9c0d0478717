"""What has to be solved before the trip goes on with what was said.

A trip that a boat records says at its start that what is solved comes later. From then
on a command that needs a table of a rod, or the way of a lure at a stop, waits with all
that is said after it, while depths are read on; another thread solves, and a line in
the recording tells the instant at which the command is carried out. So a replay, which
solves it then, gives the same events. Any other recording has everything at once.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import NamedTuple

from companion.casting.solving import Solve


class _Waiting(NamedTuple):
    solve: Solve
    go_on: Callable[[float], None]


class Solves:
    """Keeps what waits for something to be solved, in order.

    Attributes:
        come_later: what is solved waits for the recording's word; else it comes at
            once.
    """

    def __init__(self) -> None:
        self.come_later = False
        self._waiting: deque[_Waiting] = deque()
        self._new: list[Solve] = []

    @property
    def waits(self) -> bool:
        """Return whether something waits."""
        return bool(self._waiting)

    def ask(self, t: float, solve: Solve, go_on: Callable[[float], None]) -> None:
        """Have something solved that is asked for at logic time t, s.

        `go_on` is then called with the logic time at which it is there.
        """
        if not self.come_later:
            go_on(t)
            return
        self._waiting.append(_Waiting(solve, go_on))
        self._new.append(solve)

    def go_on_with_first(self, t: float) -> None:
        """Go on at logic time t, s, with the first that waits."""
        if self._waiting:
            first = self._waiting.popleft()
            self._new = [one for one in self._new if one is not first.solve]
            first.go_on(t)

    def finish(self, t: float) -> None:
        """Go on with all that waits, and from now on with everything at once."""
        self.come_later = False
        while self._waiting:
            self.go_on_with_first(t)

    def take_new(self) -> Sequence[Solve]:
        """Return what nobody works at yet, in order; it counts as taken."""
        new, self._new = self._new, []
        return new
