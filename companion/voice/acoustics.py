"""The speech model's own network: which sound is spoken, as thousands of hours of people's speech taught it.

The decoder (vosk) asks it for words and tells nothing else of it. Read from the model's file it says how well
whole phrases fit what people speak, where a network that learned from synthesized voices alone is often
wrong: of 116 short sentences by people, each among all the commands, it finds 115 in quiet and 114 at 5 dB,
the other one 107 and 98 (`tests/bench/voice`, talk for choosing).

The file am/final.mdl is Kaldi's, binary: after a table of states come named layers, each with matrices
("FM", rows, columns) and vectors ("FV", size) of 32-bit numbers. The network is factored and delayed along
time (Povey and others, Interspeech 2018). Its first output is what the decoder goes by
(`companion.voice.biphones`); its second, made for training, is the probability of each state at a time, and
each state belongs to one sound. What it knows of the speaker (its i-vector) is left at zero, as at the
beginning of all speech.
"""

from __future__ import annotations

import re
import struct
from functools import lru_cache
from mmap import ACCESS_READ, mmap
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from companion.voice.sound import RATE, Samples

Floats = NDArray[np.float32]

COUNT = 39
"""Sounds of English the model tells apart, those of ARPAbet in the order of the alphabet."""
SILENT, WAYS = 10, 4
"""Phones of the model that are no sound; after them each sound has four, by where in a word it is."""
STEP = 0.03
"""From one step of the network to the next, s."""
LEAST = 1e-10
"""No sound is told to be less probable than this."""
SPAN, HOP, SIZE = 400, RATE // 100, 512
"""Samples of a frame (25 ms), from one to the next (10 ms), and of its Fourier transform."""
BANDS = 40
PREEMPHASIS, LIFTER = 0.97, 22.0
SPEAKER = 30
"""Numbers that say who speaks, all of them 0 here."""
LAYERS = range(2, 13)
SPARSER = 6
"""From this layer on every third frame is enough."""
PAST = 0.75
"""How much of a layer's input is added to its output."""
EPSILON = 1e-3


class Layer(NamedTuple):
    """What a named layer holds; what it has not is empty.

    Attributes:
        weights: (outputs, inputs times the frames it looks at).
        bias: added to each output.
        offsets: frames it looks at, counted from each.
        scale, shift: what makes its output's mean 0 and its variance 1.
    """

    weights: Floats
    bias: Floats
    offsets: tuple[int, ...]
    scale: Floats
    shift: Floats


class Outputs(NamedTuple):
    """What the network makes of sound, every 30 ms.

    Attributes:
        sounds: the natural log of each sound's probability, (steps, 1 + sounds).
        states: the score of each state as the decoder uses it, natural log up to a constant, (steps, states).
    """

    sounds: Floats
    states: Floats


NO_OUTPUTS = Outputs(np.zeros((0, 1 + COUNT), np.float32), np.zeros((0, 0), np.float32))


class Acoustics:
    """The network of a speech model."""

    def __init__(self, layers: dict[str, Layer], sounds: NDArray[np.intp]) -> None:
        """Take the layers by their names, and of each state its sound, 0 for none."""
        self._layers = layers
        self._sounds = np.eye(1 + COUNT, dtype=np.float32)[sounds]

    def heard(self, samples: Samples) -> Outputs:
        """Return what the network makes of sound; of too little for a frame, no steps."""
        if len(samples) < SPAN:
            return NO_OUTPUTS
        x = self._affine("prefinal-l", self._hidden(cepstra(samples)))
        shares = self._last("xent", "output-xent.affine", x)
        shares = np.exp(shares - shares.max(axis=1, keepdims=True))
        shares = shares @ self._sounds / shares.sum(axis=1, keepdims=True)
        logs = np.asarray(np.log(np.maximum(shares, LEAST)), np.float32)
        return Outputs(logs, self._last("chain", "output.affine", x))

    def _last(self, branch: str, output: str, x: Floats) -> Floats:
        x = self._even(
            f"prefinal-{branch}.batchnorm1", np.maximum(self._affine(f"prefinal-{branch}.affine", x), 0.0)
        )
        return self._affine(
            output, self._even(f"prefinal-{branch}.batchnorm2", self._affine(f"prefinal-{branch}.linear", x))
        )

    def _hidden(self, frames: Floats) -> Floats:
        slopes, curves = _at(frames, 1) - _at(frames, -1), _at(frames, -2) + _at(frames, 2) - 2 * frames
        x = self._even("delta", np.concatenate([frames, slopes, curves], axis=1))
        x = np.pad(x, ((0, 0), (0, SPEAKER)))
        x = self._even("tdnn1.batchnorm", np.maximum(self._affine("tdnn1.affine", x), 0.0))
        for n in LAYERS:
            x = x[::3] if n == SPARSER else x
            apart = 3 if n >= SPARSER else 1
            narrow = self._affine(f"tdnnf{n}.linear", x, apart)
            wide = np.maximum(self._affine(f"tdnnf{n}.affine", narrow, apart), 0.0)
            x = np.float32(PAST) * x + self._even(f"tdnnf{n}.batchnorm", wide)
        return x

    def _affine(self, name: str, x: Floats, apart: int = 1) -> Floats:
        layer = self._layers[name]
        seen = [_at(x, offset // apart) for offset in layer.offsets]
        out = (np.concatenate(seen, axis=1) if seen else x) @ layer.weights.T
        return out + layer.bias if len(layer.bias) else out

    def _even(self, name: str, x: Floats) -> Floats:
        layer = self._layers[name]
        return x * layer.scale + layer.shift


def _at(x: Floats, offset: int) -> Floats:
    """Return what each frame sees so many frames on; beyond the ends the last is there again."""
    return x if offset == 0 else x[np.clip(np.arange(len(x)) + offset, 0, len(x) - 1)]


def cepstra(samples: Samples) -> Floats:
    """Return the 40 mel-frequency cepstra of each frame, as Kaldi makes them for this model, (frames, 40)."""
    frames = framed(samples)
    frames = frames - frames.mean(axis=1, keepdims=True)
    before = np.concatenate([frames[:, :1], frames[:, :-1]], axis=1)
    window, bands, cosines = _constants()
    spectrum = np.fft.rfft((frames - np.float32(PREEMPHASIS) * before) * window, SIZE)
    power = (np.abs(spectrum) ** 2).astype(np.float32) @ bands
    return np.asarray(np.log(np.maximum(power, np.finfo(np.float32).eps)) @ cosines, np.float32)


@lru_cache(maxsize=1)
def _constants() -> tuple[Floats, Floats, Floats]:
    """Return the window of a frame, the share of each of its bins in each band, and the cosines of these.

    The window is Povey's, a raised cosine to the power of 0.85; the bands are triangles evenly spaced on the
    mel scale from 20 to 7,600 Hz, 1127 ln(1 + f/700); the cosines (DCT-II) are weighed by a lifter of 22.
    """
    window = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(SPAN) / (SPAN - 1))) ** 0.85
    low, high, bins = (
        1127.0 * np.log(1.0 + np.asarray(hertz) / 700.0)
        for hertz in (20.0, 7600.0, np.arange(SIZE // 2 + 1) * RATE / SIZE)
    )
    edges = np.linspace(low, high, BANDS + 2)
    n = np.arange(BANDS)
    cosines = np.cos(np.pi / BANDS * (n[:, None] + 0.5) * n) * np.sqrt(np.where(n, 2.0, 1.0) / BANDS)
    cosines = cosines * (1.0 + 0.5 * LIFTER * np.sin(np.pi * n / LIFTER))
    bands = triangles(edges, bins)
    return window.astype(np.float32), bands.astype(np.float32), cosines.astype(np.float32)


def triangles(edges: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the share of each place in each band, (places, bands): from an edge up to the next, and down."""
    rise = (at[:, None] - edges[:-2]) / (edges[1:-1] - edges[:-2])
    fall = (edges[2:] - at[:, None]) / (edges[2:] - edges[1:-1])
    return np.maximum(0.0, np.minimum(rise, fall))


def framed(samples: Samples) -> Floats:
    """Return frames of `SPAN` samples, each `HOP` after the one before, (frames, samples)."""
    return np.lib.stride_tricks.sliding_window_view(samples.astype(np.float32), SPAN)[::HOP]


@lru_cache(maxsize=1)
def acoustics(model: Path) -> Acoustics | None:
    """Return the network of a speech model; None for a model whose network is laid out otherwise.

    Raises:
        OSError: the model's file cannot be read.
    """
    data = mapped(model / "am" / "final.mdl")
    try:
        network = Acoustics(_layers(data), _sounds(tuples(data)))
        network.heard(np.zeros(RATE, np.int16))
    except (KeyError, ValueError, IndexError, struct.error):
        return None
    return network


def mapped(path: Path) -> memoryview:
    """Return what is in a file without holding it in memory: the system may drop what it has read of it.

    Raises:
        OSError: the file cannot be read.
    """
    with path.open("rb") as file:
        if not path.stat().st_size:
            return memoryview(b"")
        return memoryview(mmap(file.fileno(), 0, access=ACCESS_READ))


_NUMBER = np.dtype([("size", "i1"), ("value", "<i4")])
_NAME = re.compile(rb"<ComponentName> ([^ ]+) <[A-Za-z]+> ")


def tuples(data: memoryview) -> NDArray[np.intp]:
    """Return a model's table of states: of each its phone, 0, and the outputs it begins and goes on with.

    Raises:
        ValueError: there is none, or it has other sounds than those of English.
    """
    start = _after(data, b"<Tuples> ")
    if start is None:
        raise ValueError("the model lists no states")
    (count,) = struct.unpack_from("<xi", data, start)
    listed = np.frombuffer(data, _NUMBER, 4 * count, start + 5)["value"].reshape(count, 4).astype(np.intp)
    if listed[:, 0].max() != SILENT + WAYS * COUNT:
        raise ValueError("the model has other sounds than those of English")
    return listed


def _sounds(listed: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the sound of each state of the network, 0 for none."""
    phones, states = np.repeat(listed[:, 0], 2), listed[:, 2:].ravel()
    sounds = np.zeros(states.max() + 1, np.intp)
    sounds[states] = np.where(phones > SILENT, 1 + (phones - SILENT - 1) // WAYS, 0)
    return sounds


def _layers(data: memoryview) -> dict[str, Layer]:
    found = list(_NAME.finditer(data))
    ends = [*(name.start() for name in found[1:]), len(data)]
    return {
        name[1].decode("ascii"): _layer(data[name.end() : end]) for name, end in zip(found, ends, strict=True)
    }


def _layer(data: memoryview) -> Layer:
    weights = _matrix(data, b"<LinearParams> ", b"<Params> ")
    mean, variance = _vector(data, b"<StatsMean> "), _vector(data, b"<StatsVar> ")
    scale = 1.0 / np.sqrt(variance + np.float32(EPSILON))
    return Layer(weights, _vector(data, b"<BiasParams> "), _offsets(data), scale, -mean * scale)


def _after(data: memoryview, *tags: bytes) -> int | None:
    """Return where in a layer that follows one of the tags; None where it has none."""
    found = re.search(b"|".join(map(re.escape, tags)), data)
    return found.end() if found else None


def _matrix(data: memoryview, *tags: bytes) -> Floats:
    at = _after(data, *(tag + b"FM " for tag in tags))
    if at is None:
        return np.zeros((0, 0), np.float32)
    rows, columns = struct.unpack_from("<xixi", data, at)
    return np.frombuffer(data, "<f4", rows * columns, at + 10).reshape(rows, columns)


def _vector(data: memoryview, tag: bytes) -> Floats:
    at = _after(data, tag + b"FV ")
    if at is None:
        return np.zeros(0, np.float32)
    (size,) = struct.unpack_from("<xi", data, at)
    return np.frombuffer(data, "<f4", size, at + 5)


def _offsets(data: memoryview) -> tuple[int, ...]:
    at = _after(data, b"<TimeOffsets> ")
    if at is None:
        return ()
    (count,) = struct.unpack_from("<xi", data, at)
    return struct.unpack_from(f"<{count}i", data, at + 5)
