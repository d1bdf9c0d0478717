"""An SQLite file read page by page, without SQLite, which gives up where a page is damaged.

The layout is that of SQLite's "Database File Format": pages of one size, each table a
tree of them, whose leaves hold rows by ascending rowid. Where a page on the way to
leaves is lost, the leaves are found by looking at every page that no tree leads to.
Nothing here raises over what stands in the file.

SQLite's own program has a `.recover`, but Debian 12 builds it without the virtual table
that this reads pages with: 3.40.1-2 gives "SQL logic error" and no rows even of a sound
file.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from functools import cached_property
from pathlib import Path
from typing import Any, NamedTuple

SQLITE_MAGIC = b"SQLite format 3\x00"
USUAL_SIZE = 4096
"""Bytes of a page, where the file's beginning no longer tells."""
_HEADER_BYTES = 100
_LEAF, _INTERIOR = 0x0D, 0x05
_DEEPEST = 20
"""Levels of a tree: more than the largest file has."""
_NUMBERS = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
"""Bytes of the integers, by serial type."""

Row = tuple[int, tuple[Any, ...]]
"""A rowid and the values stored with it, in the order of the table's columns."""


class Gap(NamedTuple):
    """Rows that no tree leads to any more: rowids above `after`, to `upto` (None: to the table's end)."""

    after: int
    upto: int | None

    def __contains__(self, rowid: object) -> bool:
        """Tell whether a row with this id would be one of them."""
        return (
            isinstance(rowid, int)
            and self.after < rowid
            and (self.upto is None or rowid <= self.upto)
        )


class Leaf(NamedTuple):
    """A page with rows, and the rowids it may have."""

    page: int
    rowids: Gap


class Tree(NamedTuple):
    """The pages below a table's root: leaves, gaps where nothing is readable, and all its pages."""

    leaves: list[Leaf]
    gaps: list[Gap]
    pages: set[int]


class _BrokenError(Exception):
    """A page or a row in it is not what it ought to be."""


class Pages:
    """The pages of an SQLite file, numbered from 1; `close` it after use."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("rb")
        self.size = _page_size(self._file.read(_HEADER_BYTES))
        self.count = -(-path.stat().st_size // self.size)

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    @cached_property
    def trees(self) -> dict[str, Tree]:
        """Every table whose root is still known, by its name."""
        found = [self._tree(1)]
        rows = [row for leaf in found[0].leaves for row in self.rows(leaf)]
        tables = {
            values[1]: self._tree(values[3])
            for _, values in rows
            if len(values) == 5 and values[0] == "table" and isinstance(values[3], int)
        }
        return {"sqlite_schema": found[0], **tables}

    def strays(self) -> Iterator[Leaf]:
        """Yield the pages with rows that no tree leads to, less those that SQLite has set free."""
        known = self._free.union(*(tree.pages for tree in self.trees.values()))
        for number in range(1, self.count + 1):
            if number not in known and self._kind(number) == _LEAF:
                yield Leaf(number, Gap(-(2**63), None))

    def rows(self, leaf: Leaf) -> Iterator[Row]:
        """Yield the rows of a leaf that can be read."""
        page = self._page(leaf.page)
        for at in self._cells(leaf.page, page, 8):
            try:
                row = self._row(page, at)
            except (_BrokenError, IndexError, struct.error, UnicodeDecodeError):
                continue
            if row[0] in leaf.rowids:
                yield row

    def promised(self, leaf: Leaf) -> int:
        """Return how many rows a leaf says it has."""
        return len(self._cells(leaf.page, self._page(leaf.page), 8))

    def _page(self, number: int) -> bytes:
        """Return a page; one cut short, or that the disk does not give, ends in zeros."""
        try:
            self._file.seek((number - 1) * self.size)
            return self._file.read(self.size).ljust(self.size, b"\0")
        except OSError:
            return bytes(self.size)

    def _kind(self, number: int) -> int:
        return self._page(number)[_start_of(number)]

    def _cells(self, number: int, page: bytes, head: int) -> list[int]:
        """Return where the cells of a page begin, none when its head cannot be true."""
        start = _start_of(number)
        many = int.from_bytes(page[start + 3 : start + 5])
        if start + head + 2 * many > self.size:
            return []
        return list(struct.unpack_from(f">{many}H", page, start + head))

    def _tree(self, root: int) -> Tree:
        tree = Tree([], [], set())
        self._grow(tree, root, Gap(0, None), 0)
        return tree

    def _grow(self, tree: Tree, number: int, rowids: Gap, deep: int) -> None:
        """Add what a page leads to; whatever is wrong about it, its rowids are a gap."""
        kind = 0
        leads: list[tuple[int, Gap]] = []
        if 1 <= number <= self.count:
            kind = self._kind(number)
        if kind == _INTERIOR and deep < _DEEPEST:
            leads = self._branches(number, rowids)
        if number in tree.pages or not (
            leads or (kind == _LEAF and self._is_leaf(number, rowids))
        ):
            tree.gaps.append(rowids)
            return
        tree.pages.add(number)
        if kind == _LEAF:
            tree.leaves.append(Leaf(number, rowids))
        for child, part in leads:
            self._grow(tree, child, part, deep + 1)

    def _is_leaf(self, number: int, rowids: Gap) -> bool:
        """Tell noise that begins like a leaf from one: a leaf has readable rows, or is an empty root."""
        leaf = Leaf(number, rowids)
        return next(self.rows(leaf), None) is not None or (
            rowids == Gap(0, None) and self._page(number)[3:5] == b"\0\0"
        )

    def _branches(self, number: int, rowids: Gap) -> list[tuple[int, Gap]]:
        """Return the children of a page and the rowids of each; none when it is damaged."""
        page, start, after = self._page(number), _start_of(number), rowids.after
        found = []
        try:
            for at in self._cells(number, page, 12):
                key, _ = _varint(page, at + 4)
                if key not in Gap(after, rowids.upto):
                    return []
                found.append((int.from_bytes(page[at : at + 4]), Gap(after, key)))
                after = key
        except IndexError:
            return []
        last = int.from_bytes(page[start + 8 : start + 12])
        return [*found, (last, Gap(after, rowids.upto))]

    @cached_property
    def _free(self) -> set[int]:
        """Pages in SQLite's list of free ones: what stands in them was deleted, or moved elsewhere."""
        header, free, trunk = self._page(1), set[int](), 0
        if header.startswith(SQLITE_MAGIC):
            trunk = int.from_bytes(header[32:36])
        while 1 < trunk <= self.count and trunk not in free:
            free.add(trunk)
            page = self._page(trunk)
            trunk, many = struct.unpack_from(">2I", page)
            if many > self.size // 4 - 2:
                break
            free.update(struct.unpack_from(f">{many}I", page, 8))
        return free

    def _row(self, page: bytes, at: int) -> Row:
        length, at = _varint(page, at)
        rowid, at = _varint(page, at)
        if not 0 < length <= self.count * self.size:
            raise _BrokenError
        return rowid, _values(self._payload(page, at, length))

    def _payload(self, page: bytes, at: int, length: int) -> bytes:
        """Return a row's bytes, from its own page and those it runs over into."""
        least = (self.size - 12) * 32 // 255 - 23
        here = length
        if length > self.size - 35:
            here = least + (length - least) % (self.size - 4)
            if here > self.size - 35:
                here = least
        found, left = [page[at : at + here]], length - here
        if len(found[0]) < here:
            raise _BrokenError
        following = 0
        if left:
            following = int.from_bytes(page[at + here : at + here + 4])
        while left > 0:
            if not 1 < following <= self.count:
                raise _BrokenError
            over = self._page(following)
            found.append(over[4 : 4 + min(left, self.size - 4)])
            left -= len(found[-1])
            following = int.from_bytes(over[:4])
        if following:
            raise _BrokenError
        return b"".join(found)


def _page_size(header: bytes) -> int:
    """Return the bytes of a page by the file's header, or `USUAL_SIZE` where that cannot be true."""
    size = int.from_bytes(header[16:18])
    if size == 1:  # 65536 does not fit two bytes
        size = 65536
    if not header.startswith(SQLITE_MAGIC) or size < 512 or size & (size - 1):
        return USUAL_SIZE
    return size


def _start_of(number: int) -> int:
    """Return where a page's own head begins: on the first page the file's header comes before it."""
    return _HEADER_BYTES if number == 1 else 0


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """Return the integer of one to nine bytes that begins there, and where it ends."""
    value = 0
    for n in range(8):
        byte = data[at + n]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + n + 1
    value = value << 8 | data[at + 8]
    if value >> 63:
        value -= 1 << 64
    return value, at + 9


def _values(record: bytes) -> tuple[Any, ...]:
    end, at = _varint(record, 0)
    body, values = end, []
    while at < end:
        serial, at = _varint(record, at)
        value, body = _value(record, body, serial)
        values.append(value)
    if at != end or body != len(record):
        raise _BrokenError
    return tuple(values)


def _value(record: bytes, at: int, serial: int) -> tuple[Any, int]:
    if serial == 0:
        return None, at
    if serial in (8, 9):
        return serial - 8, at
    if serial in _NUMBERS:
        end = at + _NUMBERS[serial]
        return int.from_bytes(record[at:end], signed=True), end
    if serial == 7:
        return struct.unpack_from(">d", record, at)[0], at + 8
    if serial < 12:
        raise _BrokenError
    end = at + (serial - 12) // 2
    if serial % 2:
        return record[at:end].decode(), end
    return record[at:end], end
