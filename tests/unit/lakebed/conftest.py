"""An invented bottom whose truth is known, and a boat that idles over it once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.signal import lfilter

from companion.lakebed.gates import TrackGate
from companion.lakebed.soundings import Sounding


@dataclass(frozen=True)
class Bed:
    """A shelf of about 5 m, a ramp 4 m wide down to about 9 m, rolling ground, a hump. Invented."""

    ramp: float = 4.0

    def edge(self, north):
        """East of the ramp's shallow edge, m."""
        return 100.0 + 15.0 * np.sin(north / 40.0)

    def depth(self, east, north):
        ramp = np.clip((east - self.edge(north)) / self.ramp, 0.0, 1.0)
        roll = 0.35 * np.sin(east / 17.0) * np.cos(north / 23.0) + 0.01 * east
        hump = 2.5 * np.exp(-((east - 160.0) ** 2 + (north - 70.0) ** 2) / (2 * 9.0**2))
        return 4.5 + 4.0 * ramp + roll - hump

    def first_echo(self, east, north, half_beam):
        """The nearest bottom in a sounder's cone of twice `half_beam` rad, by search over rings of places."""
        below = self.depth(east, north)
        nearest = below.copy()
        for bearing in np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False):
            for share in np.linspace(0.05, 1.0, 16):
                aside = share * below * np.tan(half_beam)
                there = self.depth(
                    east + aside * np.sin(bearing), north + aside * np.cos(bearing)
                )
                seen = aside <= 1.0001 * there * np.tan(half_beam)
                nearest = np.where(
                    seen, np.minimum(nearest, np.hypot(there, aside)), nearest
                )
        return nearest

    def idle(self, seed, *, apart=10.0, box=200.0, level=0.0, first=0.0, half_beam=0.0):
        """Rows t, east, north, depth of a boat on lines `apart` m apart, 1 Hz at 1.3 m/s.

        The sounder has a cone of twice `half_beam` rad, 0 a plumb line. Positions err
        by 1 m, wandering over a minute; depths by 0.1 m at random and are sent to 0.1
        m.
        """
        rng = np.random.default_rng(seed)
        along = np.arange(0.0, box, 1.3)
        lines = np.arange(first, box + 0.1, apart)
        east = np.concatenate(
            [along if i % 2 == 0 else along[::-1] for i in range(len(lines))]
        )
        north = np.repeat(lines, len(along)) + 1.5 * np.sin(east / 20.0)
        keep = np.exp(-1 / 60.0)
        wander = lfilter(
            [np.sqrt((1 - keep**2) / 2)],
            [1, -keep],
            rng.normal(0, 1, (2, len(east) + 300)),
            axis=1,
        )[:, 300:]
        echo = (
            self.first_echo(east, north, half_beam)
            if half_beam
            else self.depth(east, north)
        )
        depth = echo + level + rng.normal(0, 0.1, len(east))
        return np.column_stack(
            (
                np.arange(len(east)),
                east + wander[0],
                north + wander[1],
                np.round(depth, 1),
            )
        )


@pytest.fixture
def bed():
    return Bed()


@pytest.fixture
def feed():
    """Feed rows t, east, north, depth through a gate into a surface; give the gate back."""

    def through(surface, rows):
        gate = TrackGate()
        for row in rows.tolist():
            for s in gate.push(Sounding(*row)):
                surface.add(s.east, s.north, s.depth)
        for s in gate.flush():
            surface.add(s.east, s.north, s.depth)
        return gate

    return through
