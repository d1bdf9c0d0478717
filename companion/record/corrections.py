"""Corrections in the logbook: kept beside the logged things, which stay as they were."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import msgspec

from companion.events import Logged
from companion.record.amendments import Amendment, Corrected, corrected
from companion.record.tables import Tables

AMENDMENTS_OF_TRIP = (
    "SELECT number, t, clip, payload FROM amendments WHERE trip = ? ORDER BY id"
)
INSERT_AMENDMENT = (
    "INSERT INTO amendments (trip, number, t, clip, payload) VALUES (?, ?, ?, ?, ?)"
)


class LoggedEntry(msgspec.Struct, frozen=True):
    """A logged thing read back, and whether it was taken back afterwards."""

    event: Logged
    undone: bool


def logged_entries(tables: Tables, trip: int) -> list[LoggedEntry]:
    """Return a trip's logged things in order, also those that were taken back."""
    rows = tables.rows(
        "SELECT payload, undone FROM events WHERE trip = ? AND event = 'logged' ORDER BY id",
        trip,
    )
    with tables.plain_errors():
        return [
            LoggedEntry(
                msgspec.json.decode(row["payload"], type=Logged), bool(row["undone"])
            )
            for row in rows
        ]


class Corrections:
    """The corrections in a logbook's tables."""

    def __init__(self, tables: Tables) -> None:
        self._tables = tables

    def add(self, trip: int, amendment: Amendment) -> None:
        """Correct a logged thing afterwards: it stays as it was, the correction is kept beside it.

        Raises:
            LogbookError: the trip has no such number.
        """
        found = self._tables.rows(
            "SELECT t, clip FROM events WHERE trip = ? AND number = ? AND event = 'logged'",
            trip,
            amendment.number,
        )
        if not found:
            what = f"trip {trip} has no number {amendment.number}"
            raise self._tables.error(what, "give one that was logged")
        text = msgspec.json.encode(amendment).decode()
        with self._tables.transaction() as tables:
            values = [trip, amendment.number, found[0]["t"], found[0]["clip"], text]
            tables.execute(INSERT_AMENDMENT, values)

    def of_trip(self, trip: int) -> list[Amendment]:
        """Return a trip's corrections, oldest first.

        After a replay a thing may have another number: it is known by its clip, else by
        its time. One whose thing is no longer logged is left out (`stray`).
        """
        return [
            msgspec.structs.replace(one, number=number)
            for one, number in self._numbered(trip)
            if number is not None
        ]

    def stray(self, trip: int) -> list[Amendment]:
        """Return the corrections of things that the trip, replayed since, no longer logs."""
        return [one for one, number in self._numbered(trip) if number is None]

    def corrected(self, trip: int) -> list[Corrected]:
        """Return a trip's logged things in order, as logged and as they stand after all corrections."""
        entries = [
            (entry.event, entry.undone) for entry in logged_entries(self._tables, trip)
        ]
        return corrected(entries, self.of_trip(trip))

    def _numbered(self, trip: int) -> list[tuple[Amendment, int | None]]:
        """Return each correction and the number its thing has now."""
        logged = [entry.event for entry in logged_entries(self._tables, trip)]
        with self._tables.plain_errors():
            return [
                (
                    msgspec.json.decode(row["payload"], type=Amendment),
                    _number_now(row, logged),
                )
                for row in self._tables.rows(AMENDMENTS_OF_TRIP, trip)
            ]


def _number_now(amendment: Mapping[str, Any], logged: Iterable[Logged]) -> int | None:
    """Return the number of the thing a correction is about: it has the same clip, or without one its time."""
    clip, t = amendment["clip"], amendment["t"]
    same = [
        one
        for one in logged
        if one.clip == clip and (clip is not None or abs(one.t - t) < 1.0)
    ]
    return min(
        (one.number for one in same),
        key=lambda n: abs(n - amendment["number"]),
        default=None,
    )
