"""Kriging: depth and its standard deviation from soundings around.

The bottom is taken for self-affine: two places h metres apart differ by a variance of 2
s (h/10)^1.75, whatever h is (power variogram; Chiles & Delfiner 1999, Geostatistics,
section 2.5, from memory). It has no range, so the far shore of a gap is not forgotten,
and where soundings are dense they screen what lies behind them. On a slope that stands
out of its own scatter the bottom resembles itself further along the contours than down
the slope. s is scaled to each neighbourhood, so a flat is known better than a ledge;
what it is for the lake is summed as the lake is explored. This is Gaussian process
regression with an unknown mean (Rasmussen & Williams 2006, section 2.7, from memory). A
sounding that its neighbours contradict is doubted by as much as it is off. Metres
throughout.

Exponent, noise and stretch were chosen on four recorded logs and twelve pieces of coast
thinned in three ways, and on an invented ledge; not on the sets that
`tests/bench/lakebed_peers.py` shows. Tried and no better between tracks: exponents by
likelihood, sums of two scales, a slope that goes on, Matern covariances, one direction
for a whole lake, noise that grows with depth. A smoother bottom (1.875, 1.9) errs as
much there and puts a ledge's edge a metre further out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from importlib.machinery import PathFinder
from importlib.util import find_spec, module_from_spec
from types import ModuleType

import numpy as np
import numpy.typing as npt

from companion.lakebed.cells import FloatArray

UNIT_M = 10.0
"""The distance at which `Variation.sill` is half the variance of a difference in depth."""

EXPONENT = 1.75
"""Of the variogram."""
SOUNDING_NOISE_M = 0.18
"""Standard deviation of one sounding about the bottom where it is even."""
CONTOUR_STRETCH = 2.0
"""How much further the bottom resembles itself along a contour than across, where there is no doubt of it."""
PLACE_SHARE = 0.03
"""Variance of a sounding that comes of its place's error, in sills: the rougher, the more."""
BLOCK_ERROR = 0.1
"""How far, in the variogram over half its side, a mean over a square is off the bottom at its middle."""
_MEAN_VARIANCE = 3e4  # of the unknown mean, in sills: far more than the variogram comes to in a neighbourhood
_SHARED_ERROR = 0.3  # share of a sounding's error that more soundings in one cell do not average out
_PRIOR_CELLS = 20.0
_PRIOR_SILL = 0.15
_FADING = 0.98
_STRETCH_FROM = 8  # soundings, below which no direction is worth having
_VIEW_M = 12.0  # over which the slope's direction is judged
_SLOPE_DOUBT = 4.0  # how many variances of the slope weigh as much as its square
_SLOPE_NOISE_M = 0.14  # of soundings about the slope's plane, at the least
_DOUBTED_FROM = (
    4.0  # standard deviations between a sounding and what its neighbours say
)
_DOUBT_ROUNDS = 2
_CHI2_MEDIAN = 0.455
_LEAST_SQUARE_M2 = 1e-12


@dataclass(frozen=True, slots=True)
class Variation:
    """The bottom's variation: `sill`, half the variance of differences in depth over 10 m, m2."""

    sill: float = _PRIOR_SILL

    @property
    def noise(self) -> float:
        """Standard deviation of one sounding about the bottom, m."""
        return math.sqrt(SOUNDING_NOISE_M**2 + PLACE_SHARE * self.sill)


@dataclass(frozen=True, slots=True)
class Support:
    """The soundings behind an estimate: places m, depths m and noise in units of one sounding's, shape (n,).

    `spread` is the side of the square each is a mean over, m; 0 for a cell.
    """

    east: FloatArray
    north: FloatArray
    depth: FloatArray
    count: FloatArray
    spread: FloatArray

    def pick(
        self, which: slice | npt.NDArray[np.bool_] | npt.NDArray[np.intp]
    ) -> Support:
        """Return part of the support, by any numpy index."""
        return Support(
            self.east[which],
            self.north[which],
            self.depth[which],
            self.count[which],
            self.spread[which],
        )

    def noise(self) -> tuple[FloatArray, FloatArray]:
        """Return the noise variance of each depth: in shares of one sounding's, and in sills besides.

        It falls with the count, to a floor. A mean over a square stands for its middle
        only roughly.
        """
        shares = _SHARED_ERROR + (1.0 - _SHARED_ERROR) / self.count
        half = np.maximum((0.5 * self.spread) ** 2, _LEAST_SQUARE_M2)
        return shares, BLOCK_ERROR * _variogram(half)


def _variogram(squared: FloatArray) -> FloatArray:
    """Return half the variance of the difference over a distance, in sills, from its square, m2.

    (h/10)^`EXPONENT`, for h over its own fourth root, times h, is just that, and roots
    are several times quicker than powers, where these are not the processor's own.
    """
    power = squared * (1.0 / UNIT_M**2)
    root = np.sqrt(power)
    for _ in range(2):
        np.sqrt(root, out=root)
    power /= root
    return power


@dataclass(frozen=True, slots=True)
class Frame:
    """Coordinates down the slope and along the contour, the latter shortened."""

    down_east: float = 1.0
    down_north: float = 0.0
    stretch: float = 1.0

    def turn(
        self, east: FloatArray, north: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return places, east and north of a middle, in these coordinates, m."""
        down = east * self.down_east + north * self.down_north
        return down, (north * self.down_east - east * self.down_north) / self.stretch


def frames(support: Support, begins: npt.NDArray[np.intp]) -> list[Frame]:
    """Return the frame of the plane that fits best around the middle of each of several neighbourhoods.

    Args:
        support: all their soundings, one neighbourhood's after another's, each counted
            from its own middle.
        begins: where each begins; none is empty.
    """
    x, y, count = support.east, support.north, np.diff(begins, append=len(support.east))
    owner = np.repeat(np.arange(len(begins)), count)
    rest = support.depth - _medians(support.depth, owner, begins, count)[owner]
    weight = np.exp(-0.5 / _VIEW_M**2 * (x * x + y * y))
    design = np.stack((np.ones_like(x), x, y))
    weighed = design * weight
    products = weighed[:, None] * np.concatenate((design, rest[None]))
    sums = np.moveaxis(np.add.reduceat(products, begins, axis=2), 2, 0)
    normal, right = sums[:, :, :3], sums[:, :, 3:]
    # One square metre of weight in place of data keeps a single track from leaving the
    # plane undecided.
    normal[:, (0, 1, 2), (0, 1, 2)] += (1e-6, 1.0, 1.0)
    inverse = np.linalg.inv(normal)
    plane = (inverse @ right)[:, :, 0]
    off = rest - np.einsum("in,ni->n", design, plane[owner])
    scatter = np.add.reduceat(weight * off * off, begins)
    scatter /= np.maximum(normal[:, 0, 0], 1e-9)
    unsure = (scatter + _SLOPE_NOISE_M**2) * (inverse[:, 1, 1] + inverse[:, 2, 2])
    square = plane[:, 1] ** 2 + plane[:, 2] ** 2
    # Sure of the direction by as much as the slope stands out of its own error.
    sure = square / (square + _SLOPE_DOUBT * unsure)
    steep = np.sqrt(square)
    found = [Frame()] * len(begins)
    for i in np.flatnonzero((count >= _STRETCH_FROM) & (steep > 1e-9)).tolist():
        east, north = (plane[i, 1:] / steep[i]).tolist()
        found[i] = Frame(east, north, 1.0 + (CONTOUR_STRETCH - 1.0) * float(sure[i]))
    return found


@cache
def _lapack() -> ModuleType:
    """Return scipy's LAPACK routines alone: what is imported around them takes 17 MB and 0.17 s."""
    scipy = find_spec("scipy")
    folders = [
        f"{one}/linalg" for one in (scipy and scipy.submodule_search_locations) or ()
    ]
    found = PathFinder.find_spec("_flapack", folders)
    if found is None or found.loader is None:
        return import_module("scipy.linalg.lapack")
    lapack = module_from_spec(found)
    found.loader.exec_module(lapack)
    return lapack


def _medians(
    values: FloatArray,
    owner: npt.NDArray[np.intp],
    begins: npt.NDArray[np.intp],
    count: npt.NDArray[np.intp],
) -> FloatArray:
    """Return the median of each owner's values."""
    ordered, middle = values[np.lexsort((values, owner))], count // 2
    return np.asarray(
        0.5 * (ordered[begins + middle] + ordered[begins + count - 1 - middle])
    )


def _median(values: FloatArray) -> float:
    """Return the median of a few finite values; numpy's own takes ten times as long over them."""
    ordered, middle = np.sort(values), len(values) // 2
    return 0.5 * float(ordered[middle] + ordered[-1 - middle])


def _factor(covariance: FloatArray, noise: FloatArray) -> FloatArray:
    """Return the lower Cholesky factor of a covariance with noise on its diagonal."""
    noisy = covariance.copy()
    noisy.flat[:: len(noise) + 1] += noise
    # Symmetric, so it is its own transpose, which lies in memory as LAPACK wants it.
    factor, failed = _lapack().dpotrf(noisy.T, lower=1, overwrite_a=1)
    if failed:
        raise np.linalg.LinAlgError(
            "covariance of the soundings is not positive definite"
        )
    return np.asarray(factor)


def _forward(factor: FloatArray, right: FloatArray) -> FloatArray:
    solved, _ = _lapack().dtrtrs(factor, right, lower=1)
    return np.asarray(solved)


class Structure:
    """Learns how much a lake's bottom varies from patches of cells as it is explored."""

    def __init__(self) -> None:
        self._misfit, self._cells = _PRIOR_CELLS * _PRIOR_SILL, _PRIOR_CELLS
        self.variation = Variation()

    def learn(self, patch: Support) -> None:
        """Take a patch of up to some 60 cells (more only costs time)."""
        if len(patch.depth) < 8:
            return
        local = Local(patch, self.variation)
        self._misfit = _FADING * self._misfit + local.misfit
        self._cells = _FADING * self._cells + len(patch.depth)
        self._refit()

    def to_list(self) -> list[float]:
        """Return what was learnt as plain numbers, to be saved."""
        return [self._misfit, self._cells]

    def from_list(self, saved: list[float]) -> None:
        """Take back what `to_list` gave.

        Raises:
            ValueError: it is not of the right length.
        """
        self._misfit, self._cells = saved
        self._refit()

    def _refit(self) -> None:
        # In steps of a tenth, so that every estimate need not be made anew for a change
        # that nobody sees.
        steps = math.log(max(self._misfit / self._cells, 1e-5)) / math.log(1.1)
        self.variation = Variation(1.1 ** round(steps))


def _off(factor: FloatArray, rest: FloatArray, sill: float) -> FloatArray:
    """Return by how many standard deviations each depth is off what all others say of it.

    From the inverse of the covariance (Dubrule 1983, Mathematical Geology 15, 687, from
    memory).
    """
    inverse, _ = _lapack().dpotri(factor, lower=1)
    precision = np.diag(inverse)
    solved, _ = _lapack().dpotrs(factor, rest, lower=1)
    square = _median(solved**2 / precision) / _CHI2_MEDIAN
    return np.asarray(solved / np.sqrt(precision * max(square, sill)))


def _any_far_off(factor: FloatArray, innovations: FloatArray, sill: float) -> bool:
    """Tell whether `_off` could be more than `_DOUBTED_FROM` for any depth, without its whole inverse.

    The square of a diagonal element of the factor is more than that depth's variance
    given all others, which is asked for only where the former leaves it open.
    """
    solved, _ = _lapack().dtrtrs(factor, innovations, lower=1, trans=1)
    most = _DOUBTED_FROM * math.sqrt(sill)
    some = np.flatnonzero(np.abs(solved) * factor.diagonal() > most)
    columns = np.zeros((len(solved), len(some)), order="F")
    columns[some, np.arange(len(some))] = 1.0
    columns = _forward(factor, columns)
    precision = np.einsum("ij,ij->j", columns, columns)
    return bool((np.abs(solved[some]) > most * np.sqrt(precision)).any())


class Local:
    """The bottom as a neighbourhood has it, solved once, asked at many places; all counted from its middle.

    Distance is shortened along the contours, for the bottom keeps its depth along them.

    `sill` is how much the bottom varies here, `misfit` the sum of squares of what each
    sounding brought that those before it did not foretell, `noisy_as` the sill their
    share of noise was taken from, m2 each.
    """

    __slots__ = (
        "_down",
        "_factor",
        "_frame",
        "_mean",
        "_weights",
        "misfit",
        "noisy_as",
        "sill",
    )

    def __init__(
        self, support: Support, model: Variation, frame: Frame | None = None
    ) -> None:
        self._frame = frame or frames(support, np.zeros(1, np.intp))[0]
        self._down = self._frame.turn(support.east, support.north)
        self._mean = _median(support.depth)
        rest, count = support.depth - self._mean, len(support.depth)
        covariance = self._covariance(support.east, support.north)
        self.sill = model.sill
        noise = support.noise()
        # The share of noise is not known before the neighbourhood's own variation is.
        for _ in range(2):
            self.noisy_as = self.sill
            innovations = self._solve(covariance, rest, noise)
            self.misfit = float(innovations @ innovations)
            self.sill = (_PRIOR_CELLS * model.sill + self.misfit) / (
                _PRIOR_CELLS + count
            )
        self._weights, _ = _lapack().dtrtrs(self._factor, innovations, lower=1, trans=1)

    def estimate(
        self, east: FloatArray, north: FloatArray, some: slice | npt.NDArray[np.intp]
    ) -> tuple[FloatArray, FloatArray]:
        """Return the depth at places of shape (q,), m, and the bottom's variance at `some` of them, m2.

        The variance is without the noise of one more sounding.
        """
        covariance = self._covariance(east, north)
        known = _forward(self._factor, covariance[:, some])
        unknown = np.maximum(_MEAN_VARIANCE - np.einsum("ij,ij->j", known, known), 1e-9)
        return self._mean + self._weights @ covariance, self.sill * unknown

    def _solve(
        self,
        covariance: FloatArray,
        rest: FloatArray,
        parts: tuple[FloatArray, FloatArray],
    ) -> FloatArray:
        """Factor the covariance, doubting what is far off, and return the innovations."""
        model, sill = Variation(self.sill), max(self.sill, _PRIOR_SILL)
        shares, of_squares = parts
        noise = (model.noise**2 / model.sill) * shares + of_squares
        for _ in range(_DOUBT_ROUNDS):
            innovations = self._factored(covariance, noise, rest)
            if not _may_hold_doubtful(innovations, sill) or not _any_far_off(
                self._factor, innovations, sill
            ):
                return innovations
            off = np.abs(_off(self._factor, rest, sill))
            doubted = off > _DOUBTED_FROM
            if not doubted.any():
                return innovations
            noise = np.where(
                doubted, noise * off**2 + (off / _DOUBTED_FROM) ** 2, noise
            )
        return self._factored(covariance, noise, rest)

    def _factored(
        self, covariance: FloatArray, noise: FloatArray, rest: FloatArray
    ) -> FloatArray:
        self._factor = _factor(covariance, noise)
        return _forward(self._factor, rest)

    def _covariance(self, east: FloatArray, north: FloatArray) -> FloatArray:
        covariance = _variogram(
            squares_between(self._down, self._frame.turn(east, north))
        )
        return np.subtract(_MEAN_VARIANCE, covariance, out=covariance)


def squares_between(
    places: tuple[FloatArray, FloatArray], others: tuple[FloatArray, FloatArray]
) -> FloatArray:
    """Return the squared distance of every place from every other, m2, of nought a little more."""
    (x, y), (u, v) = places, others
    left, right = np.ones((len(x), 4)), np.ones((4, len(u)))
    left[:, 0], left[:, 1], left[:, 2] = -2.0 * x, -2.0 * y, x * x + y * y
    right[0], right[1], right[3] = u, v, u * u + v * v
    apart = left @ right
    return np.maximum(apart, _LEAST_SQUARE_M2, out=apart)


def _may_hold_doubtful(innovations: FloatArray, sill: float) -> bool:
    """Tell at a quick look, before the thorough one, whether one sounding is far outside what others are."""
    squares = innovations**2
    usual = max(_median(squares) / _CHI2_MEDIAN, sill)
    return len(squares) > 4 and float(squares.max()) > 9.0 * usual
