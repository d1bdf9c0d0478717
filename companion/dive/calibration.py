"""What touches teach: the lure's lift, the true cast and the line's drag, narrowed by Bayes' rule on a grid.

Two things are shared by every line a lure is fished on: how deep it really goes where
its owner or its package states a depth (that fixes the lift ratio), and how much line
drag counts against lure drag (only the ratio of the two shapes a path). Each rig, a rod
with its line, adds its own true cast and how far its line's thickness is off. All four
are given as natural logarithms of what is true over what was assumed, with independent
normal priors. Three more unknowns excuse what is no fault of the lure: by how much all
depths are off that the sounder and the map tell, how much further all casts go than
told (both common to all rods of the boat), and how much faster or slower a rod's reel
is turned than was told. What is learned on one rig reaches the others through the
physics: the shared part of the posterior is common to all, and each rig's path is
computed from it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from copy import copy
from dataclasses import replace
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from companion.dive.evidence import (
    CAST_SCATTER,
    SPEED_SCATTER,
    Belief,
    CalibratedRig,
    Estimate,
    Evidence,
    NoTouch,
    RigBelief,
    Stated,
    Touch,
)
from companion.dive.kept import kept
from companion.dive.likelihood import (
    FURTHER,
    FURTHER_PRIOR,
    OFFSET_PRIOR,
    OFFSETS_M,
    PACE_PRIOR,
    PACES,
    Casts,
    Drawn,
    Grid,
    grid_of,
    log_sum,
)
from companion.dive.rig import Line, Lure, Retrieve
from companion.dive.table import dragged

Floats = NDArray[np.float64]

_NORMAL = NormalDist()


class Calibration:
    """The belief about one lure on its rigs, updated with each touch.

    Attributes:
        posterior: the odds of every combination of the unknowns.

    Raises:
        ValueError: no rig is given, two have one name, or evidence names a rig that is
            not there.
    """

    def __init__(
        self,
        stated: Stated,
        rigs: Sequence[CalibratedRig],
        evidence: Iterable[Evidence] = (),
    ) -> None:
        self.stated = stated
        self.rigs = {rig.name: rig for rig in rigs}
        if not rigs or len(self.rigs) < len(rigs):
            raise ValueError(
                "a calibration needs at least one rig, each with a name of its own"
            )
        self.evidence: list[Evidence] = []
        self._believed: tuple[int, Belief] | None = None
        self._grids = {rig.name: grid_of(stated, rig) for rig in rigs}
        self.posterior = _Posterior(self._grids)
        self._take_up(evidence)

    @classmethod
    def resume(cls, belief: Belief, rigs: Sequence[CalibratedRig] = ()) -> Calibration:
        """Take up a stored belief, with further rigs when the lure has been tied to other lines since."""
        known = {rig.name: rig for rig in (*belief.rigs, *rigs)}
        return cls(belief.stated, list(known.values()), belief.evidence)

    def with_rig(self, rig: CalibratedRig) -> Calibration:
        """Return a calibration that knows the same and has one more rig; this one stays as it is.

        Raises:
            ValueError: it has a rig of that name.
        """
        if rig.name in self.rigs:
            raise ValueError(f'there is a rig called "{rig.name}" already')
        more = self.copy()
        more.rigs[rig.name] = rig
        more.posterior.add(rig.name, grid_of(self.stated, rig))
        return more

    def copy(self) -> Calibration:
        """Return a calibration that believes the same and learns nothing more, for another thread."""
        copied = copy(self)
        copied.rigs, copied.evidence = dict(self.rigs), list(self.evidence)
        copied.posterior = self.posterior.copy()
        copied._grids = copied.posterior.grids
        return copied

    def _take_up(self, evidence: Iterable[Evidence]) -> None:
        """Take in what was seen before, rig by rig; what it says together is kept for the next time."""
        self.evidence = list(evidence)
        for name in {seen.rig for seen in self.evidence}:
            grid, mine = (
                self._grid_of(name),
                [seen for seen in self.evidence if seen.rig == name],
            )
            inputs = self.stated, self.rigs[name], mine

            def say(
                grid: Grid = grid, mine: list[Evidence] = mine
            ) -> dict[str, Floats]:
                return {
                    "log": np.sum([grid.log_likelihood(seen) for seen in mine], axis=0)
                }

            self.posterior.see(name, np.array(kept("seen by pace", inputs, say)["log"]))

    def _grid_of(self, rig: str) -> Grid:
        if rig not in self._grids:
            raise ValueError(f'no rig is called "{rig}"; known: {", ".join(self.rigs)}')
        return self._grids[rig]

    def learn(self, seen: Evidence) -> None:
        """Take in a touch, or a cast that came back without one.

        Raises:
            ValueError: its rig is not one of this calibration's.
        """
        self.posterior.see(seen.rig, log_likelihood(self, seen))
        self.evidence.append(seen)

    def unlearn(self, seen: Evidence) -> None:
        """Take back one piece of evidence.

        Raises:
            ValueError: it was never taken in.
        """
        self.evidence.remove(seen)
        self.posterior.see(seen.rig, -log_likelihood(self, seen))

    def forget(self, rig: str | None = None) -> None:
        """Forget what was learned on one rig, or everything."""
        remaining = [seen for seen in self.evidence if rig and seen.rig != rig]
        self.evidence = []
        self.posterior.forget()
        self._take_up(remaining)

    def belief(self) -> Belief:
        """Return all that was learned, as data to store or show; kept until something else is."""
        changes = self.posterior.changes
        if self._believed is None or self._believed[0] != changes:
            self._believed = changes, _belief_in(self)
        return self._believed[1]

    def reach(self, rig: str) -> Estimate:
        """Return the reach, m, of a rig on its usual cast."""
        return self._estimate(rig, lambda grid: grid.reach)

    def reach_as_told(self, rig: str) -> Estimate:
        """Return the reach, m, as depths are told on this boat: less what all of them are off by."""
        weight = self.posterior.weight_by_offset(rig)
        return _estimate(self._grids[rig].reach[..., None] - OFFSETS_M, weight)

    def best(self, rig: str) -> tuple[Line, Lure, Retrieve]:
        """Return the line, lure and retrieve that stand for what is believed: their reach is `reach`."""
        drag, cast = self._means(rig)
        assumed = self.rigs[rig]
        retrieve = replace(
            assumed.retrieve, cast=assumed.retrieve.cast * float(np.exp(cast))
        )
        return (
            dragged(assumed.line, drag),
            self.lure_reaching(rig, self.reach(rig).best),
            retrieve,
        )

    def best_as_told(self, rig: str) -> tuple[Line, Lure, Retrieve]:
        """Return the same as depths are told on this boat: their reach is `reach_as_told`."""
        line, _, retrieve = self.best(rig)
        return line, self.lure_reaching(rig, self.reach_as_told(rig).best), retrieve

    def lure_reaching(self, rig: str, reach: float) -> Lure:
        """Return the lure with the lift ratio that reaches a depth, m, on the line and cast of `best`."""
        return replace(
            self.stated.lure,
            lift_ratio=self._grids[rig].lift_for(reach, *self._means(rig)),
        )

    def path(
        self, rig: str, reach: float, drift: float = 0.0
    ) -> tuple[Floats, Floats, Floats]:
        """Return the usual retrieve that reaches a depth, m: t, s, distance from the rod tip and depth, m.

        It reaches that depth from a boat at rest; with a drift, m/s towards where the
        lure landed, it is what becomes of it.
        """
        return self._grids[rig].path(reach, *self._means(rig), drift)

    def casts(
        self,
        rig: str,
        n: int,
        length: float | None = None,
        length_sigma: float = 0.0,
        drift: float = 0.0,
    ) -> Casts:
        """Return n casts as they may go, the scatter from cast to cast included; the same at every call.

        Args:
            rig: which rig.
            n: how many.
            length: of the cast, m, when it is known better than "as usual".
            length_sigma: relative standard deviation of that.
            drift: speed of the boat towards where the lure lands, m/s.
        """
        grid, weight = self._grids[rig], self.posterior.full_weight(rig)
        order = np.argsort(grid.reach, axis=None)
        by_cell = weight.reshape(len(order), -1)
        share = np.cumsum(by_cell.sum(axis=1)[order])
        even = (np.arange(n) + 0.5) / n
        cells = order[
            np.minimum(np.searchsorted(share, even * share[-1]), len(order) - 1)
        ]
        # Multiples of irrational numbers spread evenly, and not in step with the reach
        # or each other.
        steps = (0.7548777, 0.5698403, 0.4142136)
        shares = [(even + np.arange(1, n + 1) * step) % 1.0 for step in steps]
        scatter, pace = normal_quantiles(shares[0]), normal_quantiles(shares[1])
        within = np.cumsum(by_cell[cells], axis=1)
        drawn = (within < (shares[2] * within[:, -1])[:, None]).sum(axis=1)
        offsets, paces = np.divmod(np.minimum(drawn, within.shape[1] - 1), len(PACES))
        usual = np.broadcast_to(grid.cast_log, grid.prior.shape).ravel()[cells]
        cast_log = usual + CAST_SCATTER * scatter
        if length is not None:
            cast_log = (
                np.log(length / self.rigs[rig].retrieve.cast) + length_sigma * scatter
            )
        faster = np.exp(SPEED_SCATTER * pace + PACES[paces])
        return grid.casts(cells, OFFSETS_M[offsets], cast_log, faster, drift)

    def _means(self, rig: str) -> tuple[float, float]:
        """Return the means of ln drag (the line's thickness included) and ln cast."""
        grid, weight = self._grids[rig], self.posterior.weight(rig)
        return (
            float(np.sum(weight * (grid.drag_log + grid.thickness))),
            float(np.sum(weight * grid.cast_log)),
        )

    def _rig_belief(self, rig: str) -> RigBelief:
        mine = [seen for seen in self.evidence if seen.rig == rig]
        return RigBelief(
            reach=self.reach(rig),
            cast=self._estimate(rig, lambda grid: grid.cast),
            before=_estimate(self._grids[rig].reach, np.exp(self._grids[rig].prior)),
            touches=sum(isinstance(seen, Touch) for seen in mine),
            without_touch=sum(isinstance(seen, NoTouch) for seen in mine),
        )

    def _estimate(self, rig: str, what: Callable[[Grid], Floats]) -> Estimate:
        return _estimate(what(self._grids[rig]), self.posterior.weight(rig))


def _belief_in(known: Calibration) -> Belief:
    first = next(iter(known.rigs))
    return Belief(
        stated=known.stated,
        rigs=tuple(known.rigs.values()),
        evidence=tuple(known.evidence),
        lift_ratio=known._estimate(first, lambda grid: np.exp(grid.lift_log)),
        drag_factor=known._estimate(first, lambda grid: np.exp(grid.drag_log)),
        by_rig={name: known._rig_belief(name) for name in known.rigs},
    )


def log_likelihood(known: Calibration, seen: Evidence) -> Floats:
    """Return ln of how likely a piece of evidence is, shape `Grid.seen_shape`; the last are kept.

    Raises:
        ValueError: its rig is not one of the calibration's.
    """
    return _log_likelihood(known._grid_of(seen.rig), seen)


def drawn_lures(known: Calibration, n: int) -> Drawn:
    """Return n lures drawn from what is believed, the same at every call."""
    rig = next(iter(known.rigs))
    grid, weight = known._grids[rig], known.posterior.full_weight(rig)
    order = np.argsort(grid.reach, axis=None)
    share = np.cumsum(weight.reshape(len(order), -1)[order].ravel())
    at = np.searchsorted(share, (np.arange(n) + 0.5) / n * share[-1])
    cells, wrong = np.divmod(
        np.minimum(at, len(share) - 1), len(OFFSETS_M) * len(PACES)
    )
    offset, pace = np.divmod(wrong, len(PACES))
    lift, drag, cast = (
        np.broadcast_to(axis, grid.prior.shape).ravel()[order[cells]]
        for axis in (grid.lift, grid.drag, grid.cast_log)
    )
    return Drawn(lift, drag, cast, offset, pace)


def likely_adrift(
    known: Calibration, seen: Evidence, drawn: Drawn, drifts: Floats
) -> Floats:
    """Return p(seen) for each of the lures drawn and each drift of the boat, m/s, (n, drifts)."""
    grid = known._grid_of(seen.rig)
    return np.stack(
        [grid.likely_of(seen, drawn, float(drift)) for drift in drifts], axis=1
    )


@lru_cache(maxsize=4)
def _log_likelihood(grid: Grid, seen: Evidence) -> Floats:
    return grid.log_likelihood(seen)


class _Posterior:
    """The odds on the grids of a lure's rigs.

    Attributes:
        grids: by the rig's name.
        seen: ln of how likely what was seen is on each, shape `Grid.seen_shape`.
        changes: how often the odds have changed.
    """

    def __init__(self, grids: dict[str, Grid]) -> None:
        self.grids = grids
        self._elsewhere = np.zeros((len(OFFSETS_M), len(FURTHER)))
        self.changes = 0
        self.forget()

    def forget(self) -> None:
        """Forget what was seen."""
        self.seen = {
            name: np.zeros(grid.seen_shape) for name, grid in self.grids.items()
        }
        self._by_offset: dict[str, Floats] = {}
        self.changes += 1

    def add(self, rig: str, grid: Grid) -> None:
        """Take in one more rig, with which nothing was seen."""
        self.grids[rig], self.seen[rig] = grid, np.zeros(grid.seen_shape)
        self.changes += 1

    def see(self, rig: str, log_likelihood: Floats) -> None:
        """Take in ln of how likely something seen with a rig is, shape `Grid.seen_shape`."""
        self.seen[rig] = self.seen[rig] + log_likelihood
        self._by_offset.clear()
        self.changes += 1

    @property
    def elsewhere(self) -> Floats:
        """Return ln of the odds that other lures give to what is common to all rods of the boat.

        By the bottom's offset and by how much further casts go.
        """
        return self._elsewhere

    @elsewhere.setter
    def elsewhere(self, told: Floats) -> None:
        if np.array_equal(told, self._elsewhere):
            return
        self._elsewhere = told
        self._by_offset.clear()
        self.changes += 1

    def copy(self) -> _Posterior:
        """Return the same, which learns nothing more."""
        copied = copy(self)
        copied.grids, copied.seen = dict(self.grids), dict(self.seen)
        copied._by_offset = dict(self._by_offset)
        return copied

    def weight(self, rig: str) -> Floats:
        """Return the posterior on one rig's grid."""
        return np.asarray(self.weight_by_offset(rig).sum(axis=-1))

    def weight_by_offset(self, rig: str) -> Floats:
        """Return the same with offsets; kept until something else is seen, for it is asked often."""
        if rig not in self._by_offset:
            self._by_offset[rig] = self.full_weight(rig).sum(axis=-1)
        return self._by_offset[rig]

    def full_weight(self, rig: str) -> Floats:
        """Return the same with offsets and paces; the others' evidence comes in by the shared axes."""
        grid, common = self.grids[rig], self._common(without=rig)
        # By depth, drag, cast and offset; how much further all casts go is summed over.
        by_cast = log_sum(common[:, :, None] + grid.by_further.T[:, None, :], (4,))
        log_weight = (
            grid.thickness_prior[..., None, None]
            + by_cast[:, :, None, :, :, None]
            + PACE_PRIOR
            + self.seen[rig]
        )
        weight = np.exp(log_weight - log_weight.max())
        return np.asarray(weight / weight.sum())

    def _common(self, without: str | None = None) -> Floats:
        """Return ln of the odds by depth, drag, offset and how much further casts go, but for one rig."""
        prior = next(iter(self.grids.values())).shared_prior[:, :, None, None]
        odds = prior + OFFSET_PRIOR[:, None] + FURTHER_PRIOR + self.elsewhere
        told = (
            self._told_by(name)
            for name, seen in self.seen.items()
            if name != without and seen.any()
        )
        return np.asarray(sum(told, odds))

    def _told_by(self, rig: str) -> Floats:
        """Return ln of how likely what a rig has told is, by the same, the rest summed over."""
        grid = self.grids[rig]
        own = grid.thickness_prior[..., None, None] + PACE_PRIOR + self.seen[rig]
        by_cast = np.moveaxis(log_sum(own, (2, 5)), 2, 3)
        return log_sum(by_cast[..., None, :] + grid.by_further, (4,))

    def log_evidence(self) -> float:
        """Return ln of how likely all that was seen is, beside what another prior gives it."""
        return float(log_sum(self._common(), (0, 1, 2, 3)))

    def common_log_likelihood(self) -> Floats:
        """Return ln of how likely what was seen is by what is common to all rods of the boat.

        Shape as `elsewhere`.
        """
        told = [self._told_by(name) for name, seen in self.seen.items() if seen.any()]
        if not told:
            return np.zeros_like(self.elsewhere)
        prior = next(iter(self.grids.values())).shared_prior[:, :, None, None]
        found = log_sum(np.asarray(prior + sum(told)), (0, 1))
        return np.asarray(found - found.max())


def share_common(of_lures: Iterable[Calibration]) -> None:
    """Let the lures of a boat tell each other what is common to all its rods.

    That is by how much all depths are off that it is told, and how much further than
    told all casts go.
    """
    lures = list(of_lures)
    told = [lure.posterior.common_log_likelihood() for lure in lures]
    for place, lure in enumerate(lures):
        others = told[:place] + told[place + 1 :]
        lure.posterior.elsewhere = sum(others, np.zeros_like(told[place]))


def normal_quantiles(shares: Floats) -> Floats:
    """Return what a normal number is below with these probabilities, in standard deviations, shape (n,)."""
    return np.array([_NORMAL.inv_cdf(float(share)) for share in shares])


def _estimate(values: Floats, weight: Floats) -> Estimate:
    """Return the 5, 50 and 95 % points of values on the grid under a weight that broadcasts with them."""
    values, weight = (array.ravel() for array in np.broadcast_arrays(values, weight))
    order = np.argsort(values)
    share = np.cumsum(weight[order])
    low, best, high = np.interp(
        (0.05, 0.5, 0.95), (share - 0.5 * weight[order]) / share[-1], values[order]
    )
    return Estimate(best=float(best), low=float(low), high=float(high))
