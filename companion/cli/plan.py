"""`companion plan`: where to lie, which rod to take, which way to cast."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import click
import msgspec
import numpy as np

from companion.casting.deflection import lost_for
from companion.casting.plan import (
    BEARINGS_DEG,
    LEAST_CLEAR_SHARE,
    Plan,
    PlanningGround,
    Target,
    ground,
    plan,
)
from companion.casting.planning import CLEAR_HEIGHT_M
from companion.casting.pose import Current
from companion.casting.swim import MANNER_NAMES, Manner, Wish
from companion.cli.common import (
    command,
    config_option,
    logbook_option,
    settings_in_force,
    users_logbook,
    warn,
    warn_of,
)
from companion.config import Settings
from companion.dive.evidence import Belief
from companion.lakebed import waypoints
from companion.lakebed.bed import Bed
from companion.lakebed.exchange import place_named
from companion.lakebed.marks import Mark
from companion.lakebed.relief import Relief, relief
from companion.lakebed.soundings import Mounting
from companion.lakebed.waters import Area
from companion.lakebed.waypoints import Waypoint
from companion.pictures import plan as pictures
from companion.pictures.png import png
from companion.record.lakes import Lakes
from companion.record.learning import Conditions, put_onto
from companion.record.logbook import Logbook
from companion.tackle import RodReach, calibrations, reaches_adrift
from companion.tackle.quantities import Quantity
from companion.units import Units, fine_compass

PLAN_AREA_M = 300.0
"""Side of the square that is planned over around a place, m, and of the largest lake planned as a whole."""
NEAR_HEIGHT_M = 0.3
"""How near to the bottom a metre counts unless told, m."""
DIG_M, STAND_OFF_M = 0.9, 10.0
"""How far a rod may dig, and how far the boat stays off, unless told, m."""
PLAN_GRID_M = 2.0
"""Distance of the grid's points, m."""
MARK_EDGE_REACH = 60.0
"""How far along an edge from the mark on it is fished, m."""
HIT_DEPTH_SHARE = 0.85
"""How deep the bottom is, as a share of a lure's reach, for which it is told how long a hit loses it."""
WHOLE_MAP = "the whole map"
"""The target when none is named."""
_EDGES = ("ledge", "grass edge")


def _length(text: str) -> float:
    """Return the metres of a length with its unit, such as "11 ft"."""
    try:
        return Quantity("length", -50.0, 500.0).read(text)
    except ValueError as error:
        raise click.BadParameter(f'"{text}": {error}') from error


def _lengths(
    _ctx: click.Context, _param: click.Parameter, value: str | tuple[str, ...] | None
) -> float | tuple[float, ...] | None:
    """Take one length, or as many as an option has, the shallower first."""
    if isinstance(value, tuple):
        return tuple(sorted(_length(text) for text in value))
    if value is None:
        return None
    return _length(value)


def _latlon(
    _ctx: click.Context, _param: click.Parameter, value: str | None
) -> tuple[float, float] | None:
    """Take a latitude and longitude in degrees, such as "-47.2000,-126.4000"."""
    if value is None:
        return None
    try:
        return place_named(value)
    except ValueError as error:
        raise click.BadParameter(str(error)) from error


class _Asked(NamedTuple):
    """The target as it was typed; lengths in m."""

    at: tuple[float, float] | None
    mark: str | None
    edge: float | None
    breaks: bool
    between: tuple[float, float] | None
    within: float | None
    boat: tuple[float, float] | None


@command("plan")
@click.option(
    "--at",
    callback=_latlon,
    metavar="LAT,LON",
    help="Fish this place, LAT,LON in degrees.",
)
@click.option("--mark", help="Fish this mark: its number, note or kind.")
@click.option(
    "--edge",
    callback=_lengths,
    metavar="LENGTH",
    help='Fish the line where the bottom has this depth, such as "<9 ft|2.7 m>".',
)
@click.option(
    "--breaks",
    is_flag=True,
    help="Fish the upper edges of what drops off steeply.",
)
@click.option(
    "--between",
    callback=_lengths,
    metavar="SHALLOW DEEP",
    nargs=2,
    help='Only where the bottom is between two depths; takes both, such as "<8 ft|2.4 m>" "<12 ft|3.6 m>".',
)
@click.option(
    "--within",
    callback=_lengths,
    metavar="LENGTH",
    help="How far from place or line the lure still counts as there.",
)
@click.option(
    "--height",
    callback=_lengths,
    metavar="LENGTH",
    help="How near to bottom or timber counts.  [default: <1 ft|0.3 m>, with --clear <5 ft|1.5 m>]",
)
@click.option(
    "--dig",
    callback=_lengths,
    metavar="LENGTH",
    help="How far too deep a rod may dig.  [default: <3 ft|0.9 m>]",
)
@click.option(
    "--clear", is_flag=True, help="The lure has to stay clear of bottom and timber."
)
@click.option(
    "--depth-band",
    callback=_lengths,
    metavar="SHALLOW DEEP",
    nargs=2,
    help="The lure has to swim, clear, between two depths; takes both, as --between does.",
)
@click.option(
    "--stand-off",
    callback=_lengths,
    metavar="LENGTH",
    help="How far the boat stays off.  [default: <11 yd|10 m>]",
)
@click.option(
    "--from",
    "boat",
    callback=_latlon,
    metavar="LAT,LON",
    help="The boat stays here, LAT,LON.",
)
@click.option(
    "--anywhere",
    is_flag=True,
    help="Boat and cast may go where nothing is mapped, too.",
)
@click.option(
    "--manner", type=click.Choice(MANNER_NAMES), help="Only casts over such ground."
)
@click.option(
    "--level",
    callback=_lengths,
    metavar="LENGTH",
    help="Today's water above the map's.  [default: none]",
)
@click.option(
    "--soundings",
    type=click.Path(path_type=Path),
    multiple=True,
    help="A lake from this file instead of the logbook: any that can be learned.",
)
@click.option(
    "--svg",
    "svg_path",
    type=click.Path(path_type=Path),
    help="Draw the best three into this file.",
)
@click.option(
    "--png", "png_path", type=click.Path(path_type=Path), help="The same as pixels."
)
@click.option(
    "--waypoints",
    "waypoint_path",
    type=click.Path(path_type=Path),
    help="Write where to lie, and a route through it, for a plotter: .nmea or .gpx.",
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@logbook_option
@config_option
def plan_command(
    *,
    at: tuple[float, float] | None,
    mark: str | None,
    edge: float | None,
    breaks: bool,
    between: tuple[float, float] | None,
    within: float | None,
    height: float | None,
    dig: float | None,
    clear: bool,
    depth_band: tuple[float, float] | None,
    stand_off: float | None,
    boat: tuple[float, float] | None,
    anywhere: bool,
    manner: Manner | None,
    level: float | None,
    soundings: tuple[Path, ...],
    svg_path: Path | None,
    png_path: Path | None,
    waypoint_path: Path | None,
    as_json: bool,
    logbook_path: Path | None,
    config_path: Path | None,
) -> None:
    """Example: companion plan --edge "<9 ft|2.7 m>" --svg plan.svg

    Says where to lie, which rod to take and which way to cast, so that most of the lure's way is where it
    is wanted: near the bottom (--height), above timber (--clear) or in a band of depth (--depth-band).
    Without a target all of the map is searched, up to <330 yd|300 m> square.
    """
    settings = settings_in_force(config_path)
    area, beliefs = _known(settings, logbook_path, soundings, at or boat)
    area.surface.begin_trip(level or 0.0)
    asked = _Asked(at, mark, edge, breaks, between, within, boat)
    if height is None:
        height = CLEAR_HEIGHT_M if clear else NEAR_HEIGHT_M
    dig = DIG_M if dig is None else dig
    off = STAND_OFF_M if stand_off is None else stand_off
    lies = _placed(area, boat)
    try:
        wish = Wish(height, dig, clear, depth_band, off, manner=manner, boat=lies)
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    units = Units(settings.units)
    bottom = _relief(area, _middle(area, asked), units)
    target = _target(area, asked, bottom, units, clear=clear)
    on = ground(bottom, _tree_tops(area), level=level or 0.0, anywhere=anywhere)
    rods = _reaches(settings, beliefs)
    found = plan(on, rods, target, wish)
    staying = clear or depth_band is not None
    refused = partial(_refusal, on, rods, target, wish)
    _print(found, area, settings, refused, clear=staying, as_json=as_json)
    if not as_json:
        _tell_of_hits(found, rods, settings)
    if svg_path is not None or png_path is not None:
        picture = pictures.svg(found, on, target, settings.units, clear=staying)
        _draw(picture, svg_path, png_path)
    if waypoint_path is not None:
        _waypoints(found, area, waypoint_path)


def _reaches(settings: Settings, beliefs: Mapping[str, Belief]) -> tuple[RodReach, ...]:
    """Return what the rods reach from a boat held in the current that is set."""
    learned = calibrations(settings.rods, beliefs)
    held = Current(settings.water.current, settings.water.current_towards).held
    return reaches_adrift(settings.rods, learned, held, BEARINGS_DEG)


def _known(
    settings: Settings,
    logbook_path: Path | None,
    soundings: Sequence[Path],
    near: tuple[float, float] | None,
) -> tuple[Area, dict[str, Belief]]:
    """Return the lake to plan on, its soundings and marks read, and what was learned of the lures."""
    book = users_logbook(logbook_path)
    if book.is_file():
        with Logbook(book) as logbook:
            lakes = Lakes(logbook)
            area = _lake(_bed(settings, lakes, soundings), near)
            for problem in lakes.problems:
                warn(problem)
            return area, logbook.beliefs()
    if logbook_path is not None or not soundings:
        raise click.UsageError(
            f"{book}: there is no such logbook; give one with --logbook, or --soundings FILE"
        )
    return _lake(_sounded(settings, soundings), near), {}


def _lake(bed: Bed, near: tuple[float, float] | None) -> Area:
    """Return the water a place lies on; without a place the only one, or the best mapped of several."""
    known = [area for area in bed.areas if area.surface.extent is not None]
    if not known:
        raise click.UsageError(
            "nothing is mapped yet: run trips over the water, or give --soundings FILE"
        )
    if near is None:
        area = max(known, key=lambda one: one.surface.cells)
        found = bed.open_area(area.plane.lat, area.plane.lon)
        if len(known) > 1:
            warn(
                f"{len(known)} waters are mapped; this is the best known one. Choose with --at LAT,LON"
            )
        return found or area
    found = bed.open_area(*near)
    if found is None or found.surface.extent is None:
        raise click.UsageError(f"nothing is mapped near {near[0]:.5f},{near[1]:.5f}")
    return found


def _bed(settings: Settings, lakes: Lakes, soundings: Sequence[Path]) -> Bed:
    """Return a bed of the soundings in files, or without them of the lakes that are known."""
    if soundings:
        return _sounded(settings, soundings)
    return Bed(lakes.areas())


def _sounded(settings: Settings, files: Sequence[Path]) -> Bed:
    """Return a bed of the soundings in files."""
    offsets = settings.boat.offsets()
    bed = Bed(mounting=Mounting(forward=offsets.forward, starboard=offsets.starboard))
    for path in files:
        if not path.is_file():
            raise click.UsageError(f"{path}: there is no such file")
        outcome = put_onto(bed, path, Conditions(transducer=offsets.transducer))
        warn_of(path.name, outcome.problems)
        if outcome.dropped:
            warn(f"{path}: dropped: {outcome.reasons}")
        if outcome.metres_assumed:
            warn(f"{path}: its depths name no unit: taken for metres")
    return bed


def _placed(
    area: Area, place: tuple[float, float] | None
) -> tuple[float, float] | None:
    if place is None:
        return None
    return area.place(*place)


def _middle(area: Area, asked: _Asked) -> tuple[float, float] | None:
    """Return the place around which to plan, m; None for all of the lake."""
    if asked.mark is not None:
        mark = _mark(area, asked.mark)
        return mark.east, mark.north
    return _placed(area, asked.at or asked.boat)


def _mark(area: Area, words: str) -> Mark:
    """Return the mark of a number, note or kind; the newest where several are alike."""
    alike = [
        m
        for m in area.marks
        if words.lower() in (str(m.number), m.note.lower(), m.kind)
    ]
    if not alike:
        known = (
            ", ".join(f"{m.number} {m.note or m.kind}" for m in area.marks) or "none"
        )
        raise click.UsageError(f'there is no mark "{words}"; marks here: {known}')
    return max(alike, key=lambda m: m.number)


def _tree_tops(area: Area) -> list[Mark]:
    return [mark for mark in area.marks if mark.kind == "tree top"]


def _relief(area: Area, middle: tuple[float, float] | None, units: Units) -> Relief:
    """Return the bottom around a place, or all of it."""
    extent = area.surface.extent
    assert extent is not None
    west, south, east, north = extent
    if middle is None and max(east - west, north - south) > PLAN_AREA_M + 100.0:
        raise click.UsageError(
            f"the map is {units.distance(east - west)} by {units.distance(north - south)}: say where, "
            "with --at or --mark"
        )
    e, n = middle or ((west + east) / 2.0, (south + north) / 2.0)
    half = max(east - west, north - south) / 2.0
    if middle:
        half = PLAN_AREA_M / 2.0
    found = relief(area.surface, PLAN_GRID_M, (e - half, n - half, e + half, n + half))
    assert found is not None
    return found


def _target(
    area: Area, asked: _Asked, bottom: Relief, units: Units, *, clear: bool
) -> Target:
    mark = near = None
    if asked.mark is not None:
        mark = _mark(area, asked.mark)
    if asked.at or mark:
        near = _middle(area, asked)
    depth = asked.edge
    if (
        depth is None
        and mark is not None
        and mark.kind in _EDGES
        and mark.top is not None
    ):
        depth = mark.top + area.surface.level
    name = _name(asked, mark, near=near is not None, edge=depth is not None)
    target = Target(name)
    if depth is not None:
        edge = Target.edge(bottom, depth, near, MARK_EDGE_REACH)
        if edge is None:
            raise click.UsageError(
                f"the bottom is nowhere {units.depth(depth)} deep on this map; try another --edge"
            )
        target = Target(name, edge.lines)
    elif asked.breaks:
        drops = Target.breaks(bottom, near, MARK_EDGE_REACH)
        if drops is None:
            raise click.UsageError(
                "nothing drops off steeply on this map that is surely known; try --edge"
            )
        target = drops
    elif mark is not None and mark.kind == "tree top" and clear:
        target = Target.over(name, mark)
    elif near is not None:
        target = Target.at(name, *near)
    return Target(name, target.lines, asked.within or target.within, asked.between)


def _name(asked: _Asked, mark: Mark | None, *, near: bool, edge: bool) -> str:
    if mark is not None:
        return mark.note or f"the {mark.kind}"
    if edge:
        return "the edge"
    if asked.breaks:
        return "the breaks"
    if near:
        return "the place"
    return WHOLE_MAP


def _refusal(
    on: PlanningGround, rods: Sequence[RodReach], target: Target, wish: Wish
) -> str:
    """Return why there is no plan, and what comes nearest to one."""
    if wish.clear or wish.band is not None:
        nearest = max(
            plan(on, rods, target, wish, least_clear=0.0),
            key=lambda one: one.clear,
            default=None,
        )
        if nearest is not None:
            return (
                f"no cast worth making: the lure should stay clear in {LEAST_CLEAR_SHARE:.0%} of casts, and "
                f"on the best one ({nearest.name}, cast {fine_compass(nearest.bearing)}) it does in "
                f"{nearest.clear:.0%}; try a rod that runs shallower, or a smaller --within"
            )
    return "no cast worth making: no rod gets there; see how deep each gets with: companion reach"


def _print(
    found: Sequence[Plan],
    area: Area,
    settings: Settings,
    refused: Callable[[], str],
    *,
    clear: bool,
    as_json: bool,
) -> None:
    if as_json:
        click.echo(
            msgspec.json.encode([_with_place(one, area) for one in found]).decode()
        )
        return
    if not found:
        click.echo(refused())
        return
    click.echo(pictures.table(found, settings.units, clear=clear), nl=False)
    for letter, one in zip(pictures.PLAN_LETTERS, found, strict=False):
        lat, lon = area.plane.to_latlon(one.east, one.north)
        click.echo(f"{letter}  {_where_to_lie(one, f'{lat:.5f},{lon:.5f}', settings)}")
    click.echo("Estimates for fishing; not for navigation.")


def _tell_of_hits(
    found: Sequence[Plan], rods: Sequence[RodReach], settings: Settings
) -> None:
    """Tell of each rod found whose lure is thrown off widely for how long a hit loses the bottom."""
    planned = {one.rod for one in found}
    wide = {rod.number for rod in settings.rods if rod.lure.deflection == "wide"}
    told = {rod.rod: rod for rod in reversed(rods) if rod.rod in planned & wide}
    for number in sorted(told):
        rod = told[number]
        x, z = np.array(rod.path).T
        depth = HIT_DEPTH_SHARE * float(z.max())
        away = float(x[int(np.argmax(z >= depth))])
        lost = lost_for(x, z, away, depth, "wide")
        far = "from there on"
        if lost is not None:
            far = f"for about {Units(settings.units).distance(lost)}"
        click.echo(f"{rod.name}: after a hit its lure is off the bottom {far}")


def _where_to_lie(one: Plan, place: str, settings: Settings) -> str:
    """Return where to hold the boat and where to cast, in a sentence."""
    off = Units(settings.units).distance(one.stand_off)
    side, towards = fine_compass(one.bearing + 180.0), fine_compass(one.bearing)
    if one.target == WHOLE_MAP:
        return f"hold the boat at {place}, and cast {one.name} {towards}: it fishes about {off} away"
    return f"hold the boat at {place}, {off} {side} of {one.target}, and cast {one.name} {towards}"


def _with_place(one: Plan, area: Area) -> dict[str, Any]:
    """Return a plan as plain data, with the boat's latitude and longitude."""
    lat, lon = area.plane.to_latlon(one.east, one.north)
    told: dict[str, Any] = msgspec.to_builtins(one)
    return {"lat": round(lat, 7), "lon": round(lon, 7)} | told


def _waypoints(found: Sequence[Plan], area: Area, path: Path) -> None:
    """Write the places to lie at; the route is a list of them, and no way that was checked."""
    write = _WAYPOINT_FORMS.get(path.suffix.lower())
    if write is None:
        raise click.UsageError(
            f"{path}: expected a name that ends in {' or '.join(_WAYPOINT_FORMS)}"
        )
    places = []
    for letter, one in zip(pictures.PLAN_LETTERS, found, strict=False):
        target = one.target.removeprefix("the ")
        if one.target == WHOLE_MAP:
            target = ""
        name = f"be here {letter} {target}".rstrip()
        places.append(Waypoint(*area.plane.to_latlon(one.east, one.north), name))
    path.write_text(write(places, "plan"), encoding="utf-8")


_WAYPOINT_FORMS: Mapping[str, Callable[[Sequence[Waypoint], str], str]] = {
    ".nmea": waypoints.waypoints_to_nmea,
    ".gpx": waypoints.waypoints_to_gpx,
}


def _draw(drawing: str, svg_path: Path | None, png_path: Path | None) -> None:
    if svg_path is not None:
        svg_path.write_text(drawing, encoding="utf-8")
    if png_path is not None:
        png_path.write_bytes(png(drawing))
