"""Corrections made after the trip: the logged thing stays as it was, the correction stands beside it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import msgspec

from companion.events import Fix, Logged, LoggedWhat


class Amendment(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A correction of the logged thing `number` in a trip; what is None stays as it was logged.

    Attributes:
        number: of the logged thing.
        what: what it was instead.
        rod: the rod it was on, with the `lure` and `line` that rod carries.
        lure: see `rod`.
        line: see `rod`.
        lure_depth: where the lure was on that rod, m below the surface; None: not
            known.
        lure_at: its place, likewise.
        lure_bottom: the mapped depth there, m, likewise.
        size: a fish's weight, kg, or the depth of a mark or the length of a cast, m.
        taken_back: True takes it back, False lets it stand again.
        note: something to add.
        utc: when the correction was made, ISO 8601.
    """

    number: int
    what: LoggedWhat | None = None
    rod: str | None = None
    lure: str | None = None
    line: str | None = None
    lure_depth: float | None = None
    lure_at: Fix | None = None
    lure_bottom: float | None = None
    size: float | None = None
    taken_back: bool | None = None
    note: str | None = None
    utc: str | None = None

    @property
    def is_empty(self) -> bool:
        """Return whether it corrects nothing."""
        return self == Amendment(number=self.number, utc=self.utc)

    def rod_alone(self, number: int) -> Amendment:
        """Return the same change of rod, and of where the lure was, for another thing of that catch."""
        return msgspec.structs.replace(
            self, number=number, what=None, size=None, taken_back=None, note=None
        )


class Corrected(NamedTuple):
    """A logged thing as it was logged and as it now stands.

    `stands` is False once it was taken back, on the water or afterwards.
    """

    original: Logged
    event: Logged
    stands: bool
    amendments: tuple[Amendment, ...] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        """Return what was added to it, oldest first."""
        return tuple(one.note for one in self.amendments if one.note)


def corrected(
    entries: Iterable[tuple[Logged, bool]], amendments: Sequence[Amendment]
) -> list[Corrected]:
    """Return logged things (each with whether it was taken back) with their corrections, oldest first.

    A thing that was on another rod than logged has its lure where the correction says,
    if anywhere: where it was logged is where the other rod's was.
    """
    return [
        _corrected(
            logged,
            undone,
            tuple(one for one in amendments if one.number == logged.number),
        )
        for logged, undone in entries
    ]


def _corrected(
    logged: Logged, undone: bool, amendments: tuple[Amendment, ...]
) -> Corrected:
    event, stands = logged, not undone
    for one in amendments:
        changes: dict[str, object] = {}
        if one.what not in (None, event.what):
            changes |= _of_its_kind(logged, one.what)
        changes |= {
            name: value
            for name in ("what", "rod", "lure", "line", "size")
            if (value := getattr(one, name)) is not None
        }
        if one.rod is not None:
            lures = logged if one.rod == logged.rod else one
            changes |= {
                name: getattr(lures, name)
                for name in ("lure_depth", "lure_at", "lure_bottom")
            }
        event = msgspec.structs.replace(event, **changes)
        if one.taken_back is not None:
            stands = not one.taken_back
    return Corrected(logged, event, stands, amendments)


def _of_its_kind(logged: Logged, what: LoggedWhat | None) -> dict[str, object]:
    """Return the size and detail of a thing that was another: a weight is no length, nor an hour a depth."""
    if what == logged.what:
        return {"size": logged.size, "detail": logged.detail}
    return {"size": None, "detail": None}
