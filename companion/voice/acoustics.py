"""The speech model's own acoustic network: phone posteriors, learned from thousands of hours of people.

The decoder (vosk) uses it for words and reports nothing else of it. Read from the
model's file, it scores whole phrases as people speak them, where a network that learned
from synthesized voices alone is often wrong: of 116 short sentences by people, each
among all the commands, it finds 115 in quiet and 114 at 5 dB, the other one 107 and 98
(`tests/bench/voice`, talk for choosing).

The file am/final.mdl is Kaldi's, binary: after the transition model come named layers,
each with matrices ("FM", rows, columns) and vectors ("FV", size) of 32-bit numbers. The
network is a factored time-delay network (Povey and others, Interspeech 2018). The
decoder uses its first output (`companion.voice.biphones`). Its second output, made for
training, is the probability of each state at a step, and each state belongs to one
phone. Its i-vector, which describes the speaker, stays at zero, as at the beginning of
all speech.
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

from companion.voice.sound import SAMPLE_RATE_HZ, Samples

Floats = NDArray[np.float32]

PHONE_COUNT = 39
"""Phones of English that the model tells apart, those of ARPAbet in the order of the alphabet."""
SILENCE_PHONES, WORD_POSITIONS = 10, 4
"""The model's phones of silence and noise, and after them its phones a sound, by position in a word."""
PROBABILITY_FLOOR = 1e-10
"""The least probability of a phone."""
FRAME_SAMPLES, HOP_SAMPLES, FFT_SIZE = 400, SAMPLE_RATE_HZ // 100, 512
"""Samples of a frame (25 ms), from one to the next (10 ms), and of its Fourier transform."""
MEL_BANDS = 40
PREEMPHASIS, LIFTER = 0.97, 22.0
IVECTOR_DIM = 30
"""Size of the i-vector, which is zero here."""
TDNN_LAYERS = range(2, 13)
SUBSAMPLING_LAYER = 5
"""The layer from which on every third frame is computed: layer 6 is the first to look at more than one."""
BYPASS_SCALE = 0.75
"""The share of a layer's input that is added to its output."""
BATCHNORM_EPSILON = 1e-3


class Layer(NamedTuple):
    """The parameters of a named layer; those it lacks are empty.

    Attributes:
        weights: (outputs, inputs times the frames it looks at).
        bias: added to each output.
        offsets: the frames it looks at, relative to each.
        scale, shift: the batch normalization of its output.
    """

    weights: Floats
    bias: Floats
    offsets: tuple[int, ...]
    scale: Floats
    shift: Floats


class Outputs(NamedTuple):
    """The outputs of the network, every 30 ms.

    Attributes:
        sounds: the log posterior of no phone and of each phone, (steps, 1 + phones).
        states: the score of each state as the decoder uses it, natural log up to a
            constant, (steps, states).
    """

    sounds: Floats
    states: Floats


NO_OUTPUTS = Outputs(
    np.zeros((0, 1 + PHONE_COUNT), np.float32), np.zeros((0, 0), np.float32)
)


class Acoustics:
    """The acoustic network of a speech model."""

    def __init__(self, layers: dict[str, Layer], sounds: NDArray[np.intp]) -> None:
        """Take the layers by their names, and the phone of each state, 0 for none."""
        self._layers = layers
        self._sounds = np.eye(1 + PHONE_COUNT, dtype=np.float32)[sounds]

    def forward(self, samples: Samples) -> Outputs:
        """Return the outputs for some sound; no steps for less than a frame."""
        if len(samples) < FRAME_SAMPLES:
            return NO_OUTPUTS
        x = self._affine("prefinal-l", self._hidden(cepstra(samples)))
        shares = self._last("xent", "output-xent.affine", x)
        shares -= shares.max(axis=1, keepdims=True)
        np.exp(shares, out=shares)
        shares = shares @ self._sounds / shares.sum(axis=1, keepdims=True)
        logs = np.asarray(np.log(np.maximum(shares, PROBABILITY_FLOOR)), np.float32)
        return Outputs(logs, self._last("chain", "output.affine", x))

    def _last(self, branch: str, output: str, x: Floats) -> Floats:
        x = self._affine(f"prefinal-{branch}.affine", x)
        x = self._rectified(f"prefinal-{branch}.batchnorm1", x)
        x = self._affine(f"prefinal-{branch}.linear", x)
        return self._affine(output, self._batchnorm(f"prefinal-{branch}.batchnorm2", x))

    def _hidden(self, frames: Floats) -> Floats:
        slopes, curves = (
            _at(frames, 1) - _at(frames, -1),
            _at(frames, -2) + _at(frames, 2) - 2 * frames,
        )
        x = self._batchnorm("delta", np.concatenate([frames, slopes, curves], axis=1))
        x = self._affine("tdnn1.affine", np.pad(x, ((0, 0), (0, IVECTOR_DIM))))
        x = self._rectified("tdnn1.batchnorm", x)
        for n in TDNN_LAYERS:
            x = x[::3].copy() if n == SUBSAMPLING_LAYER else x
            apart = 3 if n >= SUBSAMPLING_LAYER else 1
            narrow = self._affine(f"tdnnf{n}.linear", x, apart)
            wide = self._affine(f"tdnnf{n}.affine", narrow, apart)
            x *= np.float32(BYPASS_SCALE)
            x += self._rectified(f"tdnnf{n}.batchnorm", wide)
        return x

    def _affine(self, name: str, x: Floats, apart: int = 1) -> Floats:
        layer = self._layers[name]
        seen = [_at(x, offset // apart) for offset in layer.offsets]
        out = (np.concatenate(seen, axis=1) if seen else x) @ layer.weights.T
        if len(layer.bias):
            out += layer.bias
        return out

    def _rectified(self, name: str, x: Floats) -> Floats:
        return self._batchnorm(name, np.maximum(x, 0.0, out=x))

    def _batchnorm(self, name: str, x: Floats) -> Floats:
        """Return what it is given, normalized in place: new arrays take as long again."""
        x *= self._layers[name].scale
        x += self._layers[name].shift
        return x


def _at(x: Floats, offset: int) -> Floats:
    """Return the frames shifted by an offset; beyond the ends the last one is repeated."""
    return x if offset == 0 else x[np.clip(np.arange(len(x)) + offset, 0, len(x) - 1)]


def cepstra(samples: Samples) -> Floats:
    """Return the 40 mel-frequency cepstra of each frame, as Kaldi makes them for this model, (frames, 40)."""
    frames = framed(samples)
    frames = frames - frames.mean(axis=1, keepdims=True)
    before = np.concatenate([frames[:, :1], frames[:, :-1]], axis=1)
    window, bands, cosines = _constants()
    spectrum = np.fft.rfft(
        (frames - np.float32(PREEMPHASIS) * before) * window, FFT_SIZE
    )
    power = (np.abs(spectrum) ** 2).astype(np.float32) @ bands
    return np.asarray(
        np.log(np.maximum(power, np.finfo(np.float32).eps)) @ cosines, np.float32
    )


@lru_cache(maxsize=1)
def _constants() -> tuple[Floats, Floats, Floats]:
    """Return the window of a frame, the share of each of its bins in each band, and the cosines of these.

    The window is Povey's, a raised cosine to the power of 0.85; the bands are triangles
    evenly spaced on the mel scale from 20 to 7,600 Hz, 1127 ln(1 + f/700); the cosines
    (DCT-II) are weighed by a lifter of 22.
    """
    window = (
        0.5 - 0.5 * np.cos(2 * np.pi * np.arange(FRAME_SAMPLES) / (FRAME_SAMPLES - 1))
    ) ** 0.85
    low, high, bins = (
        1127.0 * np.log(1.0 + np.asarray(hertz) / 700.0)
        for hertz in (
            20.0,
            7600.0,
            np.arange(FFT_SIZE // 2 + 1) * SAMPLE_RATE_HZ / FFT_SIZE,
        )
    )
    edges = np.linspace(low, high, MEL_BANDS + 2)
    n = np.arange(MEL_BANDS)
    cosines = np.cos(np.pi / MEL_BANDS * (n[:, None] + 0.5) * n) * np.sqrt(
        np.where(n, 2.0, 1.0) / MEL_BANDS
    )
    cosines = cosines * (1.0 + 0.5 * LIFTER * np.sin(np.pi * n / LIFTER))
    bands = mel_filterbank(edges, bins)
    return (
        window.astype(np.float32),
        bands.astype(np.float32),
        cosines.astype(np.float32),
    )


def mel_filterbank(
    edges: NDArray[np.float64], at: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the share of each place in each band, (places, bands): from an edge up to the next, and down."""
    rise = (at[:, None] - edges[:-2]) / (edges[1:-1] - edges[:-2])
    fall = (edges[2:] - at[:, None]) / (edges[2:] - edges[1:-1])
    return np.maximum(0.0, np.minimum(rise, fall))


def framed(samples: Samples) -> Floats:
    """Return frames of `FRAME_SAMPLES`, each `HOP_SAMPLES` after the one before, (frames, samples)."""
    return np.lib.stride_tricks.sliding_window_view(
        samples.astype(np.float32), FRAME_SAMPLES
    )[::HOP_SAMPLES]


@lru_cache(maxsize=1)
def acoustics(model: Path) -> Acoustics | None:
    """Return the network of a speech model; None for a model of another layout.

    Raises:
        OSError: the model's file cannot be read.
    """
    data = mapped(model / "am" / "final.mdl")
    try:
        network = Acoustics(_layers(data), _sounds(transition_model(data)))
        network.forward(np.zeros(SAMPLE_RATE_HZ, np.int16))
    except (KeyError, ValueError, IndexError, struct.error):
        return None
    return network


def mapped(path: Path) -> memoryview:
    """Return a file's content, mapped into memory: the system may drop pages of it.

    Raises:
        OSError: the file cannot be read.
    """
    with path.open("rb") as file:
        if not path.stat().st_size:
            return memoryview(b"")
        return memoryview(mmap(file.fileno(), 0, access=ACCESS_READ))


_NUMBER = np.dtype([("size", "i1"), ("value", "<i4")])
_NAME = re.compile(rb"<ComponentName> ([^ ]+) <[A-Za-z]+> ")


def transition_model(data: memoryview) -> NDArray[np.intp]:
    """Return the transition model: for each state its phone, 0, and its outputs on entry and afterwards.

    Raises:
        ValueError: there is none, or its phones are not those of English.
    """
    start = _after(data, b"<Tuples> ")
    if start is None:
        raise ValueError("the model lists no states")
    (count,) = struct.unpack_from("<xi", data, start)
    listed = (
        np.frombuffer(data, _NUMBER, 4 * count, start + 5)["value"]
        .reshape(count, 4)
        .astype(np.intp)
    )
    if listed[:, 0].max() != SILENCE_PHONES + WORD_POSITIONS * PHONE_COUNT:
        raise ValueError("the model has other sounds than those of English")
    return listed


def _sounds(listed: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the phone of each state of the network, 0 for none."""
    phones, states = np.repeat(listed[:, 0], 2), listed[:, 2:].ravel()
    sounds = np.zeros(states.max() + 1, np.intp)
    sounds[states] = np.where(
        phones > SILENCE_PHONES, 1 + (phones - SILENCE_PHONES - 1) // WORD_POSITIONS, 0
    )
    return sounds


def _layers(data: memoryview) -> dict[str, Layer]:
    found = list(_NAME.finditer(data))
    ends = [*(name.start() for name in found[1:]), len(data)]
    return {
        name[1].decode("ascii"): _layer(data[name.end() : end])
        for name, end in zip(found, ends, strict=True)
    }


def _layer(data: memoryview) -> Layer:
    weights = _matrix(data, b"<LinearParams> ", b"<Params> ")
    mean, variance = _vector(data, b"<StatsMean> "), _vector(data, b"<StatsVar> ")
    scale = 1.0 / np.sqrt(variance + np.float32(BATCHNORM_EPSILON))
    return Layer(
        weights, _vector(data, b"<BiasParams> "), _offsets(data), scale, -mean * scale
    )


def _after(data: memoryview, *tags: bytes) -> int | None:
    """Return where in a layer that follows one of the tags; None where it has none."""
    found = re.search(b"|".join(map(re.escape, tags)), data)
    return found.end() if found else None


def _matrix(data: memoryview, *tags: bytes) -> Floats:
    at = _after(data, *(tag + b"FM " for tag in tags))
    if at is None:
        return np.zeros((0, 0), np.float32)
    rows, columns = struct.unpack_from("<xixi", data, at)
    flat = np.frombuffer(data, "<f4", rows * columns, at + 10)
    return flat.reshape(rows, columns).copy()  # aligned: a fifth of the time less


def _vector(data: memoryview, tag: bytes) -> Floats:
    at = _after(data, tag + b"FV ")
    if at is None:
        return np.zeros(0, np.float32)
    (size,) = struct.unpack_from("<xi", data, at)
    return np.frombuffer(data, "<f4", size, at + 5).copy()


def _offsets(data: memoryview) -> tuple[int, ...]:
    at = _after(data, b"<TimeOffsets> ")
    if at is None:
        return ()
    (count,) = struct.unpack_from("<xi", data, at)
    return struct.unpack_from(f"<{count}i", data, at + 5)
