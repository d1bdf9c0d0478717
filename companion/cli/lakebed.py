"""`companion lakebed`: the bottom as it is known, as a picture and for other programs."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

import click
import msgspec
import numpy as np

from companion.cli.common import (
    command,
    config_option,
    logbook_option,
    settings_in_force,
    users_logbook,
    warn,
)
from companion.lakebed import exchange, waypoints
from companion.lakebed.cells import FloatArray
from companion.lakebed.exchange import DepthPoint, MarkPoint
from companion.lakebed.relief import contours, depth_span, relief
from companion.lakebed.waters import Area
from companion.pictures import lakebed as pictures
from companion.pictures.png import png
from companion.pictures.watermap import CLOSELY_HATCHED_M
from companion.record.lakes import Lakes
from companion.record.logbook import Logbook
from companion.tackle.quantities import Quantity
from companion.units import FOOT, LengthUnit, Units

_GAP_S, _GAP_M = 30.0, 150.0
_USUAL_WIDTH: Mapping[LengthUnit, str] = {"feet": "300 yd", "metres": "300 m"}

_path = click.Path(path_type=Path, dir_okay=False)


@command("lakebed")
@click.argument("pictures_to_draw", nargs=-1, type=_path, metavar="[PICTURE]...")
@click.option(
    "--lake",
    type=int,
    help="The lake of this number; else that of --around, or with most soundings.",
)
@click.option(
    "--around", help='The middle of the picture: "LATITUDE, LONGITUDE" in degrees.'
)
@click.option("--across", help="How wide it is then.  [default: <300 yd|300 m>]")
@click.option(
    "--soundings",
    type=_path,
    help="Write the soundings, a mean for each cell: .csv or .geojson.",
)
@click.option(
    "--contours", "contour_file", type=_path, help="Write depth contours: .geojson."
)
@click.option(
    "--marks", type=_path, help="Write the marks: .gpx, .csv, .geojson or .nmea."
)
@click.option(
    "--json", "as_json", is_flag=True, help="Print what is known of each lake as JSON."
)
@logbook_option
@config_option
def lakebed_command(
    pictures_to_draw: tuple[Path, ...],
    *,
    lake: int | None,
    around: str | None,
    across: str | None,
    soundings: Path | None,
    contour_file: Path | None,
    marks: Path | None,
    as_json: bool,
    logbook_path: Path | None,
    config_path: Path | None,
) -> None:
    """Example: companion lakebed lake.png --marks marks.gpx

    Tells what is known of each lake, and draws one into PICTURE (.png, .svg or .html):
    depth in bands, hatched where it is less sure, with the last trip's track and the
    marks. Not for navigation.
    """
    unit = settings_in_force(config_path).units
    path = users_logbook(logbook_path)
    if not path.is_file():
        raise click.UsageError(
            f"{path}: there is no such logbook; give one with --logbook"
        )
    with Logbook(path) as logbook:
        lakes = Lakes(logbook)
        areas = lakes.areas()
        _tell(areas, unit, as_json=as_json)
        wanted = (*pictures_to_draw, soundings, contour_file, marks)
        if any(wanted):
            place = None if around is None else _place(around)
            area, box = _chosen(areas, lake, place, path), None
            if place is not None:
                box = _box(area, place, across or _USUAL_WIDTH[unit])
            _draw(area, logbook, pictures_to_draw, box, unit)
            _write(soundings, _SOUNDINGS, area)
            _write(contour_file, _CONTOURS[unit], area)
            _write(marks, _mark_forms(unit), area)
        for problem in lakes.problems:
            warn(problem)


def _tell(areas: Iterable[Area], unit: LengthUnit, *, as_json: bool) -> None:
    found = [_summary(area) for area in areas]
    if as_json:
        click.echo(msgspec.json.encode(found).decode())
        return
    units = Units(unit)
    for one in found:
        shallowest, deepest = one["shallowest"], one["deepest"]
        deep = ""
        if deepest is not None:
            deep = f", {units.short_depth(shallowest)} to {units.short_depth(deepest)}"
        click.echo(
            f"lake {one['lake']} at {one['lat']:.4f}, {one['lon']:.4f}: "
            f"{one['cells']} cells sounded{deep}; {one['marks']} marks"
        )
    if not found:
        click.echo("no lake is known yet; see: companion learn --help")


def _summary(area: Area) -> dict[str, Any]:
    sounded = area.surface.sounded()
    shallowest, deepest = depth_span(area.surface, sounded)
    return {
        "lake": area.number,
        "lat": area.plane.lat,
        "lon": area.plane.lon,
        "cells": len(sounded),
        "cell_side": area.surface.cell_side,
        "shallowest": _to_cm(shallowest),
        "deepest": _to_cm(deepest),
        "marks": len(area.marks),
    }


def _to_cm(depth: float) -> float | None:
    if math.isnan(depth):
        return None
    return round(depth, 2)


def _chosen(
    areas: list[Area], lake: int | None, place: tuple[float, float] | None, path: Path
) -> Area:
    """Return the lake of a number, else the nearest to a place, else the one with most soundings."""
    if not areas:
        raise click.UsageError(
            f"{path}: no lake is known there yet; see: companion learn --help"
        )
    if lake is None and place is not None:
        return min(areas, key=lambda area: math.hypot(*area.place(*place)))
    if lake is None:
        return max(areas, key=lambda area: area.surface.cells)
    found = next((area for area in areas if area.number == lake), None)
    if found is None:
        raise click.UsageError(
            f"there is no lake {lake}; lakes: {', '.join(str(a.number) for a in areas)}"
        )
    return found


def _place(around: str) -> tuple[float, float]:
    try:
        return exchange.place_named(around)
    except ValueError as error:
        raise click.UsageError(f"--around {error}") from error


def _box(area: Area, place: tuple[float, float], across: str) -> pictures.Bounds:
    try:
        half = 0.5 * Quantity("length", 10.0, 20_000.0).read(across)
    except ValueError as error:
        raise click.UsageError(f'--across "{across}": {error}') from error
    east, north = area.place(*place)
    return east - half, north - half, east + half, north + half


def _draw(
    area: Area,
    logbook: Logbook,
    paths: Iterable[Path],
    box: pictures.Bounds | None,
    unit: LengthUnit,
) -> None:
    chart = None
    for path in paths:
        form = _PICTURES.get(path.suffix.lower())
        if form is None:
            raise click.UsageError(
                f"{path}: expected a name that ends in {', '.join(_PICTURES)}"
            )
        chart = chart or pictures.chart(
            area, f"Lake {area.number}, as sounded", _tracks(logbook, area), box
        )
        if chart is None:
            raise click.UsageError(
                "nothing is known there; see what is with: companion lakebed"
            )
        path.write_bytes(form(chart, unit))
        click.echo(f"drawn: {path}")


def _tracks(logbook: Logbook, area: Area) -> list[FloatArray]:
    """Return where the boat went on the last trip that was on this area, m on its plane, cut at gaps."""
    for trip in reversed(logbook.trips()):
        fixes = [
            (r.t, *area.place(r.fix.lat, r.fix.lon))
            for r in logbook.readings(trip.id)
            if r.fix is not None
        ]
        rows = np.array(fixes).reshape(-1, 3)
        rows = rows[np.hypot(rows[:, 1], rows[:, 2]) < 30_000.0]
        if len(rows) > 1:
            gap = (np.diff(rows[:, 0]) > _GAP_S) | (
                np.hypot(*np.diff(rows[:, 1:], axis=0).T) > _GAP_M
            )
            pieces = np.split(rows[:, 1:], np.flatnonzero(gap) + 1)
            return [piece for piece in pieces if len(piece) > 1]
    return []


def _write(
    path: Path | None, forms: Mapping[str, Callable[[Area], str]], area: Area
) -> None:
    if path is None:
        return
    form = forms.get(path.suffix.lower())
    if form is None:
        raise click.UsageError(
            f"{path}: expected a name that ends in {' or '.join(forms)}"
        )
    path.write_text(form(area), encoding="utf-8")
    click.echo(f"written: {path}")


def _depth_points(area: Area) -> Iterable[DepthPoint]:
    for east, north, depth, _ in area.surface.sounded().tolist():
        yield DepthPoint(*area.plane.to_latlon(east, north), depth)


def _mark_points(area: Area) -> Iterable[MarkPoint]:
    for mark in area.marks:
        yield MarkPoint(
            *area.where(mark), mark.kind, mark.top, mark.note, mark.utc, mark.radius
        )


def _contour_text(area: Area, every: float) -> str:
    grid = relief(area.surface, 2.0, most_points=100_000)
    found = []
    if grid is not None:
        found = contours(grid, every, surer_than=CLOSELY_HATCHED_M)
    return exchange.contours_to_geojson(found, area.plane)


_PICTURES: Mapping[str, Callable[[pictures.LakebedPicture, LengthUnit], bytes]] = {
    ".png": lambda chart, unit: png(pictures.svg(chart, unit)),
    ".svg": lambda chart, unit: pictures.svg(chart, unit).encode(),
    ".html": lambda chart, unit: pictures.html(chart, unit).encode(),
}
_SOUNDINGS: Mapping[str, Callable[[Area], str]] = {
    ".csv": lambda area: exchange.soundings_to_csv(_depth_points(area)),
    ".geojson": lambda area: exchange.soundings_to_geojson(_depth_points(area)),
}


def _mark_forms(unit: LengthUnit) -> Mapping[str, Callable[[Area], str]]:
    """Return what writes marks, by the end of the file's name."""
    return {
        ".gpx": lambda area: waypoints.marks_to_gpx(_mark_points(area), unit),
        ".csv": lambda area: exchange.marks_to_csv(_mark_points(area)),
        ".geojson": lambda area: exchange.marks_to_geojson(_mark_points(area)),
        ".nmea": lambda area: waypoints.marks_to_nmea(_mark_points(area), unit),
    }


_CONTOURS: Mapping[LengthUnit, Mapping[str, Callable[[Area], str]]] = {
    "feet": {".geojson": lambda area: _contour_text(area, 2.0 * FOOT)},
    "metres": {".geojson": lambda area: _contour_text(area, 0.5)},
}
