"""A stop of the reel on a cast under way: how the casts may go with it, and which one clears a top.

A stop is told, or it was advised and may have been made. Times are s
since the retrieve began, unless they are said to be logic time.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from companion import dive
from companion.casting.ground import Floats
from companion.dive.calibration import normal_quantiles
from companion.dive.likelihood import Casts

STOP_SAID_SIGMA_S = 0.3
"""How well it is told when the hand did it, one sigma. Common practice."""
OPEN_STOP_S, OPEN_STOP_SIGMA = 5.0, 0.6
"""How long a stop lasts whose end is not told: median, and sigma of its logarithm. Common practice."""
OBEYED_SHARE = 0.7
"""Chance that an advised stop is made. Common practice, no source."""
OBEYED_SIGMA_S, OBEYED_LENGTH_SIGMA = 1.0, 0.25
"""How well an advised stop is kept to: its beginning, s, and the sigma of its length's logarithm."""
TOP_CLEARANCE_M = 0.3
"""By how much a lure should come over a tree top."""
TOP_SPREAD_MOST_M = 3.0
"""How far from its marked place a stop looks after a top, at most."""
LEAST_RAISED_M = 0.3
"""A rod that is held up has its tip so much higher than usual at least."""
SHALLOW_M = 0.1
"""Nearer to the surface it makes no difference how the rod is held."""
BACK_ON_PATH_S = 8.0
"""How long after a stop the lure swims its old way again (`companion.dive.stop.AFTER_STOP_S`)."""
BACK_ON_PATH_M = 8.0
"""The same as a way, m: over it a cast without a touch teaches nothing."""
FADING_S = 4.0
"""Time in which what is left of a rise after that fades."""
_SOLVED_LATELY = 8
"""What was solved last is kept: a thread beside the engine solves it first."""
_DURING = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
"""Instants of a stop, as shares of it."""
_AFTER_S = np.array([0.5, 1.0, 2.0, 3.5, 5.5, 8.0])
"""Instants after it, s."""


class ReelStop(NamedTuple):
    """A stop of the reel, and how well it is known.

    Attributes:
        begins: s since the retrieve began.
        length: s, in the median.
        begins_sigma: s.
        length_sigma: of the logarithm of the length.
        share: chance that it was made.
    """

    begins: float
    length: float
    begins_sigma: float = STOP_SAID_SIGMA_S
    length_sigma: float = OPEN_STOP_SIGMA
    share: float = 1.0

    @property
    def told(self) -> bool:
        """Return whether somebody said that it was made."""
        return self.share >= 1.0

    @property
    def back_at(self) -> float:
        """Return when the lure swims its old way again, s since the retrieve began."""
        return self.begins + self.length + BACK_ON_PATH_S

    def ended(self, t: float) -> ReelStop:
        """Return the same stop after it was told that the reel turns again, t s since the retrieve began."""
        length = max(t - self.begins, dive.STOP_RAMP_S)
        return self._replace(
            length=length, length_sigma=min(STOP_SAID_SIGMA_S / length, OPEN_STOP_SIGMA)
        )


def open_stop(begins: float) -> ReelStop:
    """Return a stop whose end is not told yet."""
    return ReelStop(begins, OPEN_STOP_S)


def advised_stop(stop: dive.Stop, stopped_before: float = 0.0) -> ReelStop:
    """Return an advised stop as one that was perhaps made, on a reel that stood still for some time, s."""
    begins = stop.begins + stopped_before
    return ReelStop(
        begins, stop.length, OBEYED_SIGMA_S, OBEYED_LENGTH_SIGMA, OBEYED_SHARE
    )


@lru_cache(maxsize=_SOLVED_LATELY)
def tracks_of(
    rig: tuple[dive.Line, dive.Lure, dive.Retrieve], begins: float
) -> dive.StopTracks | None:
    """Return the tracks of a rig's lure when the reel stops; None where they cannot be solved."""
    try:
        return dive.stop_tracks(*rig, max(begins, 0.1))
    except dive.DiveError:
        return None


@lru_cache(maxsize=_SOLVED_LATELY)
def stop_over(
    rig: tuple[dive.Line, dive.Lure, dive.Retrieve],
    distance: float,
    depth: float,
    place_sigma: float,
    margin: float = TOP_CLEARANCE_M,
) -> dive.Stop | None:
    """Return the stop that lets the lure of a rig come over a top; None where none does.

    Args:
        rig: as it is believed to be, its retrieve with the length and the drift of the
            cast.
        distance: of the top from where the rod tip was at the landing, m.
        depth: of the top, m.
        place_sigma: the standard deviation of its place along any line, m.
        margin: by how much the lure should come over it, m.
    """
    top = dive.TreeTop(distance, depth, min(place_sigma, TOP_SPREAD_MOST_M))
    try:
        return dive.stop_to_clear(*rig, top, margin)
    except dive.DiveError:
        return None


@lru_cache(maxsize=_SOLVED_LATELY)
def paths_over(
    rig: tuple[dive.Line, dive.Lure, dive.Retrieve],
    tip_up: float,
    top: dive.TreeTop,
    margin: float,
) -> tuple[dive.Path, dive.Path] | None:
    """Return a rig's paths with its rod held as usual and up, where that lets its lure over a top; else None.

    Args:
        rig: as it is believed to be, its retrieve with the length and the drift of the
            cast.
        tip_up: height of a tip held up, m.
        top: what to come over.
        margin: by how much the lure should come over it, m.
    """
    line, lure, retrieve = rig
    if tip_up < retrieve.tip_height + LEAST_RAISED_M:
        return None
    try:
        usual = dive.solve(*rig)
        up = dive.solve(line, lure, replace(retrieve, tip_height=tip_up))
    except dive.DiveError:
        return None
    cleared = dive.clearance(up, top)
    if cleared is None or cleared < margin:
        return None
    return usual, up


def with_rod_perhaps_up(casts: Casts, usual: dive.Path, up: dive.Path) -> Casts:
    """Return casts with the rod held up on as many as follow advice, as two paths of the rig differ."""
    made = _draws(len(casts.t))[0] < OBEYED_SHARE
    deep, less = (np.interp(-casts.away, -path.x, path.z) for path in (usual, up))
    share = np.where(deep > SHALLOW_M, less / np.maximum(deep, SHALLOW_M), 1.0)
    return casts._replace(
        depth=np.where(made[:, None], casts.depth * share, casts.depth)
    )


def rig_of_cast(
    rig: tuple[dive.Line, dive.Lure, dive.Retrieve],
    length: float,
    through_water: float,
    over_ground: float,
) -> tuple[dive.Line, dive.Lure, dive.Retrieve]:
    """Return a rig with a cast of a length, m, from a boat that nears the lure at these speeds, m/s."""
    line, lure, retrieve = rig
    current = through_water - over_ground
    return (
        line,
        lure,
        replace(retrieve, cast=length, drift=-through_water, current=current),
    )


def with_stop(casts: Casts, stop: ReelStop, tracks: dive.StopTracks | None) -> Casts:
    """Return casts as they may go with a stop of the reel.

    Each of them is stopped as the stop's doubt has it, or not at all; the rise of the
    lure, and how it is drawn down again, is that of `tracks` at the same time, beside
    the way without a stop.
    """
    n = len(casts.t)
    made, early, long = _draws(n)
    begins = np.maximum(stop.begins + stop.begins_sigma * early, 0.05)
    length = np.where(
        made < stop.share, stop.length * np.exp(stop.length_sigma * long), 0.0
    )
    length = np.where(begins < casts.t[:, -1], length, 0.0)
    seen = np.where(length > 0.0, length, 1.0)[:, None] * _DURING
    instants = np.concatenate([seen, seen[:, -1:] + _AFTER_S], axis=1) + begins[:, None]
    clock = np.where(casts.t > begins[:, None], casts.t + length[:, None], casts.t)
    last = clock[:, -1:]
    t = np.sort(
        np.concatenate(
            [clock, np.minimum(instants, last - 1e-3 * (1.0 + np.arange(11)))], axis=1
        )
    )
    since = t - begins[:, None]
    reeled = t - np.clip(since, 0.0, length[:, None])
    away, depth = along_rows(casts, reeled)
    further, deeper = _off_path(tracks, np.maximum(since, 0.0), length)
    stopped = (length > 0.0)[:, None] & (since > 0.0)
    return Casts(
        t,
        np.where(stopped, away + further, away),
        np.where(stopped, np.maximum(depth + deeper, 0.0), depth),
    )


def along_rows(casts: Casts, t: Floats) -> tuple[Floats, Floats]:
    """Return distance and depth of every cast at times of its own, shape (casts, times), or (casts, 1)."""
    step = np.stack(
        [
            np.searchsorted(row, at, side="right")
            for row, at in zip(casts.t, t, strict=True)
        ]
    )
    right = np.clip(step, 1, casts.t.shape[1] - 1)
    rows = np.arange(len(t))[:, None]
    before, after = casts.t[rows, right - 1], casts.t[rows, right]
    share = np.clip((t - before) / np.maximum(after - before, 1e-9), 0.0, 1.0)
    nearer, further = 1.0 - share, share
    return (
        casts.away[rows, right - 1] * nearer + casts.away[rows, right] * further,
        casts.depth[rows, right - 1] * nearer + casts.depth[rows, right] * further,
    )


def _off_path(
    tracks: dive.StopTracks | None, since: Floats, length: Floats
) -> tuple[Floats, Floats]:
    """Return how much further and deeper a lure is than without the stop, m, shape (casts, times).

    `since` is s since the stop began, `length` that of each cast's stop.
    """
    if tracks is None:
        return np.zeros_like(since), np.zeros_like(since)
    by_length = np.array(
        [_off_by(tracks, k, since, length) for k in range(1, len(tracks.lengths))]
    )
    lengths = tracks.lengths[1:]
    right = np.clip(np.searchsorted(lengths, length), 1, len(lengths) - 1)
    share = np.clip(
        (length - lengths[right - 1]) / (lengths[right] - lengths[right - 1]), 0.0, 1.0
    )
    rows = np.arange(len(length))
    low, high = by_length[right - 1, :, rows], by_length[right, :, rows]
    mixed = low + share[:, None, None] * (high - low)
    return mixed[:, 0], mixed[:, 1]


def _off_by(tracks: dive.StopTracks, k: int, since: Floats, length: Floats) -> Floats:
    """Return how far off its path the lure is with a track's stop, m, shape (2, casts, times).

    What comes after a stop is taken at the same time after it, whatever the length.
    """
    free, own = tracks.free, float(tracks.lengths[k])
    further = tracks.away[k] - np.interp(-tracks.line_out[k], -free.line_out, free.x)
    deeper = tracks.depth[k] - np.interp(-tracks.line_out[k], -free.line_out, free.z)
    after = since - length[:, None]
    at = np.where(after > 0.0, own + after, np.minimum(since, own))
    last = float(tracks.since[k, -1])
    fading = np.exp(-np.maximum(at - last, 0.0) / FADING_S)
    return np.stack(
        [np.interp(at, tracks.since[k], off) * fading for off in (further, deeper)]
    )


@lru_cache(maxsize=4)
def _draws(n: int) -> tuple[Floats, Floats, Floats]:
    """Return whether, when and how long, drawn n times: a share and two normal numbers, each shape (n,)."""
    even = (np.arange(n) + 0.5) / n
    shares = [
        (even + np.arange(1, n + 1) * step) % 1.0
        for step in (math.sqrt(2.0), math.sqrt(3.0), math.e)
    ]
    return shares[0], normal_quantiles(shares[1]), normal_quantiles(shares[2])
