"""Local kriging: depth and its standard deviation from the nearest cells, with what varies fitted.

Depth is a local trend (mean and slope with wide normal priors) plus a random part whose correlation
falls with distance, half exponential (broken ground) and half Matern 3/2 (smooth ground), plus noise.
Distance is shortened along the contours, which run further than the bottom keeps its depth across them.
Range and noise share are those of greatest likelihood over patches of the lake, summed as the lake is
explored; the sill is scaled to each neighbourhood, so a flat is known better than a ledge. This is
Gaussian process regression with a linear mean integrated out (Rasmussen & Williams 2006, Gaussian
Processes for Machine Learning, sections 2.7 and 5.4, from memory). Metres throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import lapack

from companion.lakebed.cells import FloatArray

_RANGES = (6.0, 10.0, 16.0, 25.0, 40.0, 63.0, 100.0)
_NOISES = (0.002, 0.01, 0.04, 0.15, 0.5)
_MEAN_PRIOR = 100.0  # variance of the local mean, in sills
_SLOPE_PRIOR = 0.05**2  # variance of the local slope, in sills per square metre
_CONTOUR_STRETCH = 1.5  # how much further the bottom resembles itself along a contour than across
_STRETCH_FROM = 8  # cells, below which no direction is worth having
_SHARED_ERROR = 0.3  # share of a sounding's error that more soundings in one cell do not average out
_PRIOR_CELLS = 20.0
_PRIOR_SILL = 1.0
_FADING = 0.98
_LEAST_VIEW = 10.0  # m over which the slope's direction is judged, at least
_SQRT3 = 3.0**0.5


@dataclass(frozen=True, slots=True)
class Variation:
    """How the bottom varies: `range` m, `sill` m2, noise variance of one sounding as a share of the sill."""

    range: float = 40.0
    sill: float = _PRIOR_SILL
    noise_share: float = 0.04

    @property
    def noise(self) -> float:
        """Standard deviation of one sounding about the bottom, m."""
        return float(np.sqrt(self.sill * self.noise_share))


@dataclass(frozen=True, slots=True)
class Support:
    """What an estimate leans on: places m, depths m and how many soundings each stands for, shape (n,)."""

    east: FloatArray
    north: FloatArray
    depth: FloatArray
    count: FloatArray

    def pick(self, which: slice | npt.NDArray[np.bool_] | npt.NDArray[np.intp]) -> Support:
        """Return part of the support, by any numpy index."""
        return Support(self.east[which], self.north[which], self.depth[which], self.count[which])

    def noise_weight(self) -> FloatArray:
        """Noise variance of each depth in units of one sounding's: it falls with the count, to a floor."""
        return _SHARED_ERROR + (1.0 - _SHARED_ERROR) / self.count


@dataclass(frozen=True, slots=True)
class _Frame:
    """Coordinates about a middle, m: first down the slope, then along the contour and shortened."""

    east: float
    north: float
    down_east: float
    down_north: float
    stretch: float

    def __call__(self, east: FloatArray, north: FloatArray) -> tuple[FloatArray, FloatArray]:
        east, north = east - self.east, north - self.north
        down = east * self.down_east + north * self.down_north
        return down, (north * self.down_east - east * self.down_north) / self.stretch


def _frame(support: Support, east: float, north: float, over: float) -> _Frame:
    """Return the frame of the plane that fits the support best, weighted to within `over` m of a place."""
    if len(support.depth) < _STRETCH_FROM:
        return _Frame(east, north, 1.0, 0.0, 1.0)
    x, y = support.east - east, support.north - north
    weight = np.exp(-0.5 * (x * x + y * y) / over**2)
    design = np.stack((np.ones_like(x), x, y))
    # One square metre of weight in place of data keeps a single track from leaving the plane undecided.
    normal = (design * weight) @ design.T + np.diag((1e-6, 1.0, 1.0))
    _, down_east, down_north = np.linalg.solve(
        normal, (design * weight) @ (support.depth - support.depth.mean())
    )
    steep = max(float(np.hypot(down_east, down_north)), 1e-9)
    return _Frame(east, north, float(down_east) / steep, float(down_north) / steep, _CONTOUR_STRETCH)


def _distances(a: Support, east: FloatArray, north: FloatArray) -> FloatArray:
    return np.hypot(a.east[:, None] - east, a.north[:, None] - north)


def _correlation(distance: FloatArray, reach: float) -> FloatArray:
    h = distance / reach
    smooth = _SQRT3 * h
    return 0.5 * np.exp(-h) + 0.5 * (1.0 + smooth) * np.exp(-smooth)


def _trend(a: Support, east: FloatArray, north: FloatArray) -> FloatArray:
    """Covariance from the unknown mean and slope, in sills; coordinates are taken about the query."""
    product = a.east[:, None] * east + a.north[:, None] * north
    product *= _SLOPE_PRIOR
    product += _MEAN_PRIOR
    return product


def _factor(covariance: FloatArray) -> FloatArray:
    factor, failed = lapack.dpotrf(covariance, lower=1, overwrite_a=1)
    if failed:
        raise np.linalg.LinAlgError("covariance of the soundings is not positive definite")
    return np.asarray(factor)


def _forward(factor: FloatArray, right: FloatArray) -> FloatArray:
    solved, _ = lapack.dtrtrs(factor, right, lower=1)
    return np.asarray(solved)


class Structure:
    """Learns range, sill and noise from patches of cells as the lake is explored."""

    def __init__(self) -> None:
        shape = (len(_RANGES), len(_NOISES))
        self._misfit = np.full(shape, _PRIOR_CELLS * _PRIOR_SILL)
        self._logdet = np.zeros(shape)
        self._cells = _PRIOR_CELLS
        self.variation = Variation()

    def learn(self, patch: Support) -> None:
        """Take a patch of up to some 60 cells (more only costs time) and refit."""
        if len(patch.depth) < 8:
            return
        misfit, logdet = self._likelihoods(patch)
        self._misfit = _FADING * self._misfit + misfit
        self._logdet = _FADING * self._logdet + logdet
        self._cells = _FADING * self._cells + len(patch.depth)
        self._refit()

    def to_list(self) -> list[list[float]]:
        """Return what was learnt as plain numbers, to be saved."""
        return [self._misfit.ravel().tolist(), self._logdet.ravel().tolist(), [self._cells]]

    def from_list(self, saved: list[list[float]]) -> None:
        """Take back what `to_list` gave.

        Raises:
            ValueError: it is not of the right length.
        """
        misfit, logdet, (cells,) = saved
        shape = self._misfit.shape
        self._misfit, self._logdet = np.reshape(misfit, shape), np.reshape(logdet, shape)
        self._cells = cells
        self._refit()

    def _likelihoods(self, patch: Support) -> tuple[FloatArray, FloatArray]:
        frame = _frame(patch, float(patch.east.mean()), float(patch.north.mean()), _LEAST_VIEW)
        east, north = frame(patch.east, patch.north)
        centred = Support(east, north, patch.depth - patch.depth.mean(), patch.count)
        distance, trend = _distances(centred, east, north), _trend(centred, east, north)
        weight = centred.noise_weight()
        misfit, logdet = np.empty_like(self._misfit), np.empty_like(self._logdet)
        for i, reach in enumerate(_RANGES):
            smooth = _correlation(distance, reach) + trend
            for j, share in enumerate(_NOISES):
                factor = _factor(smooth + np.diag(share * weight))
                rest = _forward(factor, centred.depth)
                misfit[i, j] = rest @ rest
                logdet[i, j] = 2.0 * np.log(np.diag(factor)).sum()
        return misfit, logdet

    def _refit(self) -> None:
        score = self._cells * np.log(self._misfit / self._cells) + self._logdet
        i, j = np.unravel_index(int(np.argmin(score)), score.shape)
        sill = float(self._misfit[i, j] / self._cells)
        self.variation = Variation(_RANGES[i], max(sill, 1e-4), _NOISES[j])


def krige(
    support: Support, east: FloatArray, north: FloatArray, model: Variation
) -> tuple[FloatArray, FloatArray]:
    """Return depth and its standard deviation, m, at places of shape (q,), from a support of at least one.

    The deviation is that of the bottom, without the noise of one more sounding.
    """
    over = max(_LEAST_VIEW, 0.5 * float(np.hypot(np.ptp(east), np.ptp(north))))
    frame = _frame(support, float(east.mean()), float(north.mean()), over)
    mean = float(support.depth.mean())
    near = Support(*frame(support.east, support.north), support.depth - mean, support.count)
    east, north = frame(east, north)
    covariance = _correlation(_distances(near, near.east, near.north), model.range)
    covariance += _trend(near, near.east, near.north)
    covariance[np.diag_indices(len(near.depth))] += model.noise_share * near.noise_weight()
    across = _correlation(_distances(near, east, north), model.range) + _trend(near, east, north)
    factor = _factor(covariance)
    solved = _forward(factor, np.column_stack((near.depth, across)))
    rest, across = solved[:, 0], solved[:, 1:]
    own = 1.0 + _MEAN_PRIOR + _SLOPE_PRIOR * (east**2 + north**2)
    spread = np.maximum(own - np.einsum("ij,ij->j", across, across), 1e-9)
    sill = (_PRIOR_CELLS * model.sill + float(rest @ rest)) / (_PRIOR_CELLS + len(rest))
    return mean + rest @ across, np.sqrt(sill * spread)
