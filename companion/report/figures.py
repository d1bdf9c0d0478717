"""The report's figures as plain data, for `--json`: the same numbers as in the page, each with its event."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec

from companion.dive.evidence import Estimate
from companion.events import Heard
from companion.pictures.drawing import rounded
from companion.report.counts import RateTable, Row, shown
from companion.report.findings import Findings
from companion.report.rods import RodStory
from companion.report.summary import summary


def figures(found: Findings) -> dict[str, Any]:
    """Return what a report says as data that JSON can hold; lengths in m, weights in kg."""
    day = found.day
    return {
        "trip": msgspec.to_builtins(day.entry),
        "invented": day.invented,
        "summary": summary(found),
        "things": [
            {
                "number": thing.original.number,
                "anchor": day.anchor(thing.original),
                "stands": thing.stands,
                "now": msgspec.to_builtins(thing.event),
                "as_logged": msgspec.to_builtins(thing.original),
                "amendments": msgspec.to_builtins(thing.amendments),
            }
            for thing in day.things
        ],
        "stray_amendments": msgspec.to_builtins(day.strays),
        "casts": [
            {
                "number": cast.event.number,
                "ended": round(cast.ended, 3),
                "bearing": cast.bearing,
                "hour_said": cast.hour_said,
                "catches": [one.number for one in cast.catches],
                "touches": [one.number for one in cast.touches],
            }
            for cast in found.casts
        ],
        "off_casts": [one.number for one in found.off],
        "rods": [rod_figures(story) for story in found.stories],
        "brought": [table_figures(table) for table in found.tables],
        "heard": [
            {"anchor": day.anchor(one), **msgspec.to_builtins(one)}
            for one in day.events
            if isinstance(one, Heard)
        ],
    }


def rod_figures(story: RodStory) -> dict[str, Any]:
    """Return a rod's reach before and after, with its evidence."""
    return {
        "rod": story.rod,
        "lure": story.lure,
        "line": story.line,
        "told": story.told_reach,
        "described": _band(story.described),
        "morning": _band(story.morning),
        "evening": _band(story.evening),
        "touches": story.touches,
        "without_touch": story.without_touch,
        "evidence": [one.number for one in story.evidence],
    }


def table_figures(table: RateTable) -> dict[str, Any]:
    """Return a table of what brought bites."""
    made: dict[str, Any] = {
        "question": table.question,
        "how": table.how,
        "effort": {
            "cast": "casts",
            "lure hour": "hours of lure in the water",
            "hour": "hours",
        }[table.by],
        "rows": [_row(row) for row in table.rows],
        "unknown": None,
    }
    if table.unknown is not None:
        made["unknown"] = _row(table.unknown)
    return made


def _row(row: Row) -> dict[str, Any]:
    return {
        "class": shown(row.label),
        "bites": [one.number for one in row.strikes],
        "effort": round(row.effort, 4),
        "casts": _numbers(row),
        "low": round(row.low, 4),
        "high": rounded(row.high, 4),
        "verdict": row.verdict or None,
    }


def _numbers(row: Row) -> Sequence[int]:
    return [one.number for one in row.tries]


def _band(band: Estimate | None) -> dict[str, float] | None:
    if band is None:
        return None
    return {name: round(getattr(band, name), 3) for name in ("best", "low", "high")}
