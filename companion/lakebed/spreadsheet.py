"""Tables of others, as text: their columns by what the heading means, with the unit it tells.

A table is CSV with a header, as spreadsheets and loggers write it: parted by commas,
semicolons, tabs or bars, the last three with decimal commas or points, with lines of
remarks above the header or without.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

from companion.units import FATHOM, FOOT

_DELIMITERS = ",;\t|"
_REMARK = re.compile(r"\s*(#.*|sep=.)?\s*", re.IGNORECASE)
"""A line above the header that is none: blank, a remark, or a spreadsheet's delimiter."""
_DECIMAL_COMMA = re.compile(r"\s*[+-]?\d+,\d+\s*")
_BRACKETED = re.compile(r"(.*?)[ _]*[(\[] *(.*?) *[)\]]")
_UNITS_M = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), 1.0),
    **dict.fromkeys(("ft", "foot", "feet"), FOOT),
    **dict.fromkeys(("fm", "fathom", "fathoms"), FATHOM),
}
_ALSO = {"water_depth": "depth", "depth_below_surface": "depth", "sounding": "depth"}
_LENGTH = re.compile(
    r"(depth|water_?depth|depth_below_surface|sounding|z|elevation|top|radius)"
    rf"_*(?:in_)?({'|'.join(_UNITS_M)})?"
)
"""The heading of a length, and its unit: "depth_ft", "Depth in feet", "DepthFeet"."""


class ColumnHeading(NamedTuple):
    """The meaning of a column's heading: its name, and the unit of a length, m, where it tells one."""

    name: str
    unit_m: float | None = None


class SpreadsheetRow(NamedTuple):
    """A row of a table: where it stands, its cells by name, and the units of its lengths, m."""

    where: str
    cells: Mapping[str, Any]
    units: Mapping[str, float | None]


@lru_cache(maxsize=256)
def heading_of(text: str) -> ColumnHeading:
    """Return what a heading means; what is in brackets is a unit, as in "Depth (ft)", or a remark."""
    name = text.strip().lower()
    bracketed = _BRACKETED.fullmatch(name)
    if bracketed:
        name = bracketed[1]
        if bracketed[2] in _UNITS_M:
            name = f"{name} {bracketed[2]}"
    name = name.replace(" ", "_")
    length = _LENGTH.fullmatch(name)
    if length is None:
        return ColumnHeading(name)
    quantity = length[1].replace("waterdepth", "water_depth")
    return ColumnHeading(_ALSO.get(quantity, quantity), _UNITS_M.get(length[2]))


def by_meaning(
    told: Mapping[str, Any],
) -> tuple[dict[str, Any], dict[str, float | None]]:
    """Return values by the names their headings mean, and the units of lengths; the first of two counts."""
    cells: dict[str, Any] = {}
    units: dict[str, float | None] = {}
    for text, value in told.items():
        name, unit_m = heading_of(text)
        if name not in cells:
            cells[name], units[name] = value, unit_m
    return cells, units


class Spreadsheet:
    """A table, read from its text a row at a time.

    `names` are those of its columns; `problem` is why there are none.
    """

    def __init__(self, text: str) -> None:
        text = text.removeprefix("\ufeff")
        begin, self._skipped = 0, 0
        while (end := text.find("\n", begin)) >= 0 and _REMARK.fullmatch(
            text, begin, end
        ):
            begin, self._skipped = end + 1, self._skipped + 1
        header = text[begin:].partition("\n")[0]
        self._delimiter = max(_DELIMITERS, key=header.count)
        self._reader = csv.reader(
            io.StringIO(text[begin:], newline=""), delimiter=self._delimiter
        )
        self.names: list[str] = []
        self.problem: str | None = None
        self._units: dict[str, float | None] = {}
        try:
            self._name_columns(next(self._reader, []))
        except csv.Error as error:
            self.problem = f"{self.where}: {error}; expected the names of columns"

    def rows(self, most: int, problems: list[str]) -> Iterator[SpreadsheetRow]:
        """Yield at most so many rows; a line for what ends them early goes to `problems`."""
        try:
            for number, row in enumerate(filter(None, self._reader)):
                if number >= most:
                    problems.append(
                        f"{self.where}: only {most} rows are taken; split the file"
                    )
                    return
                there = [*zip(self.names, self._with_points(row), strict=False)]
                cells = dict.fromkeys(self.names) | dict(reversed(there))
                yield SpreadsheetRow(self.where, cells, self._units)
        except csv.Error as error:
            problems.append(f"{self.where}: {error}; expected CSV, the rest left out")

    def lacks(self, wanted: Mapping[str, Sequence[str]]) -> str | None:
        """Return what is wanted of its columns and not there; None when all is."""
        return next(
            (
                what
                for what, names in wanted.items()
                if not set(names) & set(self.names)
            ),
            None,
        )

    @property
    def where(self) -> str:
        """Return where reading has got to, as a message names it."""
        return f"line {max(self._reader.line_num, 1) + self._skipped}"

    def _name_columns(self, header: Iterable[str]) -> None:
        for text in header:
            name, unit_m = heading_of(text)
            self.names.append(name)  # the first of two counts
            self._units.setdefault(name, unit_m)

    def _with_points(self, row: Sequence[str]) -> list[str]:
        """Return cells with a point where a number has a decimal comma."""
        if self._delimiter == ",":
            return list(row)
        return [
            cell.replace(",", ".") if _DECIMAL_COMMA.fullmatch(cell) else cell
            for cell in row
        ]
