"""General-purpose interpolators beside the lakebed: same soundings, same questions.

pykrige and scikit-learn are wanted for this only (`pip install pykrige scikit-learn`). Run as a program,
`python tests/bench/lakebed_peers.py 10000`, it prints how long each takes from a new sounding to the
bottom along a 40 m cast, over that many soundings of an invented bed.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from companion.lakebed.surface import Surface


def track(n, seed=0, box=1500.0):
    """East, north, depth of n soundings 1.5 m apart along a wandering track over an invented bed."""
    rng = np.random.default_rng(seed)
    course = np.cumsum(rng.normal(0, 0.03, n))
    east, north = (
        np.abs((np.cumsum(1.5 * part(course)) + rng.uniform(0, box)) % (2 * box) - box)
        for part in (np.sin, np.cos)
    )
    return east, north, bed(east, north) + rng.normal(0, 0.15, n)


def bed(east, north):
    """An invented bed: rolling ground and a ledge."""
    ledge = 2.0 * np.tanh((east - 500 + 40 * np.sin(north / 100)) / 4)
    return 8 + 3 * np.sin(east / 60) * np.cos(north / 90) + ledge


def cast(east, north):
    """Forty-one places along a 40 m cast to the north-east of a place."""
    along = np.arange(41.0) * np.sqrt(0.5)
    return east + along, north + along


class Ours:
    """The lakebed: soundings are added one by one, nothing is fitted when asked."""

    name = "lakebed"

    def learn(self, east, north, depth):
        self.surface = Surface()
        for row in zip(east.tolist(), north.tolist(), depth.tolist(), strict=True):
            self.surface.add(*row)

    def ask(self, east, north):
        bottom = self.surface.at(east, north)
        return bottom.depth, np.hypot(bottom.sigma, self.surface.variation.noise)

    def new_sounding_to_answer(self, east, north):
        self.surface.add(east, north, 8.0)
        self.surface.along(east, north, 45.0, 40.0)


class Peer:
    """What has to be fitted again for every new sounding."""

    def new_sounding_to_answer(self, east, north):
        self.learn(*(np.append(old, new) for old, new in zip(self.known, (east, north, 8.0), strict=True)))
        self.ask(*cast(east, north))


class SklearnProcess(Peer):
    """scikit-learn's GaussianProcessRegressor, Matern 3/2 and noise, its kernel fitted once on 300 points."""

    name = "scikit-learn"
    kernel = None

    def learn(self, east, north, depth):
        from sklearn.gaussian_process import GaussianProcessRegressor
        from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

        self.known = east, north, depth
        places = np.c_[east, north]
        if self.kernel is None:
            kernel = ConstantKernel(1.0, (1e-2, 1e3)) * Matern(30.0, (2.0, 500.0), nu=1.5) + WhiteKernel(
                0.05, (1e-5, 1.0)
            )
            some = np.random.default_rng(0).permutation(len(depth))[:300]
            first = GaussianProcessRegressor(kernel, normalize_y=True, random_state=0)
            self.kernel = first.fit(places[some], depth[some]).kernel_
        self.process = GaussianProcessRegressor(self.kernel, optimizer=None, normalize_y=True)
        self.process.fit(places, depth)

    def ask(self, east, north):
        return self.process.predict(np.c_[east, north], return_std=True)


class PykrigeOrdinary(Peer):
    """pykrige's OrdinaryKriging, its exponential variogram fitted by itself; all points in one system."""

    name = "pykrige"

    def learn(self, east, north, depth):
        from pykrige.ok import OrdinaryKriging

        self.known = east, north, depth
        self.kriging = OrdinaryKriging(east, north, depth, variogram_model="exponential")

    def ask(self, east, north):
        depth, variance = self.kriging.execute("points", east, north, backend="vectorized")
        return np.asarray(depth), np.sqrt(np.maximum(np.asarray(variance), 0.0))


class PykrigeNearest(PykrigeOrdinary):
    """The same, each answer from the 50 nearest soundings."""

    name = "pykrige, nearest 50"

    def ask(self, east, north):
        depth, variance = self.kriging.execute("points", east, north, backend="loop", n_closest_points=50)
        return np.asarray(depth), np.sqrt(np.maximum(np.asarray(variance), 0.0))


PEERS = {"sklearn": (SklearnProcess,), "pykrige": (PykrigeOrdinary, PykrigeNearest)}
"""By the module they need."""


def seconds_to_answer(model, n, repeats=1):
    """Return the median time from a new sounding to the bottom along a cast, s, n soundings known."""
    east, north, depth = track(n)
    model.learn(east, north, depth)
    taken = []
    for i in range(repeats):
        start = time.perf_counter()
        model.new_sounding_to_answer(float(east[i * 7]), float(north[i * 7]))
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


if __name__ == "__main__":
    size = int(sys.argv[1])
    base = seconds_to_answer(Ours(), size, 50)
    print(f"{size} soundings: {Ours.name} {1e3 * base:.2f} ms", flush=True)
    wanted = [peer for peers in PEERS.values() for peer in peers]
    for kind in wanted:
        taken = seconds_to_answer(kind(), size)
        print(f"  {kind.name} {1e3 * taken:.0f} ms, {taken / base:.0f} times as long", flush=True)
