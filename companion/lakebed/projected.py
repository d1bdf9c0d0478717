"""Soundings on other planes and in grids: eastings and northings through PROJ, XYZ text and GeoTIFF.

Nothing here reads or writes files. Depths are metres below the surface. A grid's
heights may be depths or elevations: where most are below nought they are elevations.
"""

from __future__ import annotations

import io
import math
import re
from typing import Any

import numpy as np
from numpy.typing import NDArray

from companion.lakebed.cells import FloatArray
from companion.lakebed.exchange import (
    DEEPEST_WATER_M,
    MOST_POINTS,
    UNKNOWN_HEIGHTS,
    DepthPoint,
    Imported,
    ToDegrees,
)

_UTM = re.compile(r"(?:wgs ?84 ?/? ?)?utm(?: zone)? ?(\d{1,2}) ?([ns])", re.IGNORECASE)
_NUMBERS = re.compile(r"[\s,;]+")
_GEOGRAPHIC, _PROJECTED = "GeographicTypeGeoKey", "ProjectedCSTypeGeoKey"
_AREA = 1  # a raster's value stands for the middle of its pixel, else for its corner (GeoTIFF 1.1, 7.1.2)
_NO_DATA = 42113  # the tag of GDAL's


def to_degrees(zone: str) -> ToDegrees:
    """Return what turns coordinates of a zone, such as "UTM 17N" or "EPSG:32617", into degrees.

    Raises:
        ValueError: there is no such zone, or pyproj is not installed.
    """
    code = zone
    if utm := _UTM.fullmatch(zone.strip()):
        hemisphere = {True: 326, False: 327}[utm[2] in "nN"]
        code = f"EPSG:{hemisphere}{int(utm[1]):02d}"
    try:
        import pyproj  # noqa: PLC0415  a quarter of a second that only charts need
    except ImportError as error:
        raise ValueError(
            "projected coordinates: expected the package pyproj to be installed"
        ) from error
    try:
        transformer = pyproj.Transformer.from_crs(code, "EPSG:4326", always_xy=True)
    except pyproj.exceptions.ProjError as error:
        raise ValueError(
            f'zone "{zone}": expected one such as "UTM 17N" or "EPSG:32617"'
        ) from error

    def transform(east: FloatArray, north: FloatArray) -> tuple[FloatArray, FloatArray]:
        lon, lat = transformer.transform(east, north)
        return np.asarray(lat), np.asarray(lon)

    return transform


def soundings_from_xyz(
    text: str, degrees: ToDegrees | None = None, unit_m: float = 1.0
) -> Imported[DepthPoint]:
    """Read soundings from lines of x, y and z: longitude and latitude, or as `degrees` takes them.

    `z` counts in `unit_m`, m.
    """
    read: Imported[DepthPoint] = Imported()
    rows: list[tuple[float, float, float]] = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        if len(rows) >= MOST_POINTS:
            read.problems.append(
                f"line {number}: only {MOST_POINTS} rows are taken; split the file"
            )
            break
        try:
            x, y, z = (float(part) for part in _NUMBERS.split(line.strip())[:3])
        except ValueError:
            read.problems.append(
                f"line {number}: expected three numbers, x y z; left out"
            )
            continue
        rows.append((x, y, z))
    told = np.array(rows).reshape(-1, 3)
    told = told[_is_known(told[:, 2])]
    _add(read, told * (1.0, 1.0, unit_m), degrees)
    return read


def soundings_from_geotiff(
    data: bytes, degrees: ToDegrees | None = None, unit_m: float = 1.0
) -> Imported[DepthPoint]:
    """Read soundings from the first band of a GeoTIFF with square axes; its zone goes before `degrees`.

    Its values count in `unit_m`, m.
    """
    read: Imported[DepthPoint] = Imported()
    try:
        import tifffile  # noqa: PLC0415  only charts need it
    except ImportError:
        read.problems.append("a GeoTIFF: expected the package tifffile to be installed")
        return read
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as file:
            page = file.pages[0]
            keys, empty = page.geotiff_tags, page.tags.get(_NO_DATA)
            if page.imagewidth * page.imagelength > MOST_POINTS:
                problem = f"{page.imagewidth} by {page.imagelength} points: expected at most {MOST_POINTS}"
                read.problems.append(f"{problem}; cut out your water")
                return read
            places = _places(keys, page.imagelength, page.imagewidth)
            values = np.asarray(page.asarray(), float).reshape(
                page.imagelength, page.imagewidth, -1
            )[..., 0]
            degrees = _zone_of(keys) or degrees
            no_data = math.nan
            if empty is not None:
                no_data = float(empty.value)
    except Exception as error:  # whatever a damaged file leads the library to
        read.problems.append(
            f"not a GeoTIFF that can be read: {error}; expected a grid of depths with its place"
        )
        return read
    known = _is_known(values) & (values != no_data)
    _add(
        read,
        np.column_stack((*(part[known] for part in places), values[known] * unit_m)),
        degrees,
    )
    return read


def _is_known(heights: FloatArray) -> NDArray[np.bool_]:
    return np.isfinite(heights) & ~np.isin(heights, UNKNOWN_HEIGHTS)


def _places(
    keys: dict[str, Any], rows: int, columns: int
) -> tuple[FloatArray, FloatArray]:
    """Return x and y of every pixel, shape (rows, columns)."""
    if "ModelPixelScale" not in keys or "ModelTiepoint" not in keys:
        raise ValueError("no pixel scale and tie point")
    (wide, high, *_), (i, j, _, x, y, *_) = (
        keys["ModelPixelScale"],
        keys["ModelTiepoint"],
    )
    middle = 0.5 * (int(keys.get("GTRasterTypeGeoKey", _AREA)) == _AREA)
    xs = x + (np.arange(columns) + middle - i) * wide
    ys = y - (np.arange(rows) + middle - j) * high
    east, north = np.meshgrid(xs, ys)
    return east, north


def _zone_of(keys: dict[str, Any]) -> ToDegrees | None:
    """Return what the file itself says of its coordinates; None when it says nothing."""
    code = keys.get(_PROJECTED, keys.get(_GEOGRAPHIC))
    if code is None:
        return None
    return to_degrees(f"EPSG:{int(code)}")


def _add(
    read: Imported[DepthPoint], rows: FloatArray, degrees: ToDegrees | None
) -> None:
    """Add rows of x, y and z, leaving out what is no water, counted in one line each."""
    read.unit_taken = True
    x, y, z = rows.T
    lat, lon, depth = y, x, z
    if degrees is not None:
        lat, lon = degrees(x, y)
    if len(z) and np.median(z) < 0.0:
        depth = -z
    placed = (np.abs(lat) <= 90.0) & (np.abs(lon) <= 180.0)
    wet = (depth > 0.0) & (depth <= DEEPEST_WATER_M)
    if not placed.all():
        read.problems.append(
            f"{np.count_nonzero(~placed)} places are no latitude and longitude; left out; "
            'are they in a zone? say it, such as --zone "UTM 17N"'
        )
    if not wet.all():
        read.problems.append(
            f"{np.count_nonzero(~wet)} heights are not below the surface; left out"
        )
    good = placed & wet
    read.items += [
        DepthPoint(*row) for row in np.column_stack((lat, lon, depth))[good].tolist()
    ]
