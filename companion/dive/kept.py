"""Computed arrays kept from one run to the next, known by what they were computed from.

Nothing is kept until `keep_on` has named a shelf: whoever starts the program says where
that is.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from typing import Any, Protocol

import msgspec
import numpy as np
from numpy.typing import NDArray

Arrays = Mapping[str, NDArray[Any]]


class TableStore(Protocol):
    """A store of arrays by name. It keeps silent about what it cannot read or write."""

    def load(self, name: str) -> Arrays | None:
        """Return the arrays kept under a name; None: there are none, or none that are whole."""

    def save(self, name: str, arrays: Arrays) -> None:
        """Keep arrays under a name."""


_shelves: list[TableStore] = []


def keep_on(shelf: TableStore | None) -> None:
    """Keep from now on what is computed on a shelf; None: keep nothing."""
    _shelves[:] = [] if shelf is None else [shelf]


def kept(what: str, inputs: object, make: Callable[[], Arrays]) -> Arrays:
    """Return the arrays made from some inputs, from the shelf where they are there, else made and kept.

    Args:
        what: a word for the kind of thing, for the name.
        inputs: everything they depend on but the code, as msgspec can encode it.
        make: makes them.
    """
    if not _shelves:
        return make()
    digest = hashlib.sha256(msgspec.json.encode(inputs, enc_hook=_encoded)).hexdigest()
    name = f"{what}-{digest[:32]}"
    found = _shelves[0].load(name)
    if found is None:
        found = make()
        _shelves[0].save(name, found)
    return found


def _encoded(value: object) -> object:
    if isinstance(value, np.ndarray):
        return value.tolist()
    raise NotImplementedError(type(value))
