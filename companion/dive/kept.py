"""Computed arrays kept from one run to the next, known by what they were computed from.

Nothing is kept until `keep_on` has named a shelf: whoever starts the program says where
that is.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
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


class NotKeptError(Exception):
    """Something would have to be made, where only what is kept was asked for."""


_shelves: list[TableStore] = []
_may_make: ContextVar[bool] = ContextVar("_may_make", default=True)


def keep_on(shelf: TableStore | None) -> None:
    """Keep from now on what is computed on a shelf; None: keep nothing."""
    _shelves.clear()
    if shelf is not None:
        _shelves.append(shelf)


@contextmanager
def only_kept() -> Iterator[None]:
    """Have `kept` make nothing in this thread: it raises `NotKeptError` instead."""
    before = _may_make.set(False)
    try:
        yield
    finally:
        _may_make.reset(before)


def kept(what: str, inputs: object, make: Callable[[], Arrays]) -> Arrays:
    """Return the arrays made from some inputs, from the shelf where they are there, else made and kept.

    Args:
        what: a word for the kind of thing, for the name.
        inputs: everything they depend on but the code, as msgspec can encode it.
        make: makes them.

    Raises:
        NotKeptError: they are not kept, and `only_kept` is in force.
    """
    if not _shelves:
        return _made(make)
    digest = hashlib.sha256(msgspec.json.encode(inputs, enc_hook=_encoded)).hexdigest()
    name = f"{what}-{digest[:32]}"
    found = _shelves[0].load(name)
    if found is None:
        found = _made(make)
        _shelves[0].save(name, found)
    return found


def _made(make: Callable[[], Arrays]) -> Arrays:
    if not _may_make.get():
        raise NotKeptError
    return make()


def _encoded(value: object) -> object:
    if isinstance(value, np.ndarray):
        return value.tolist()
    raise NotImplementedError(type(value))
