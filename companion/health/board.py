"""How the board itself is: its heat and its supply, as far as the kernel tells."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from companion.health.findings import Finding

TOO_HOT_C = 80.0
"""Temperature at which boards begin to slow down, unless the board tells its own."""


def board_findings(system: Path = Path("/sys/class")) -> Iterator[Finding]:
    """Yield how hot the board is and whether its supply sags, as far as the kernel tells."""
    zones = [
        zone
        for zone in system.glob("thermal/thermal_zone*")
        if _number(zone / "temp") is not None
    ]
    if zones:
        yield _heat(min(zones, key=_margin))
    alarms = [
        alarm
        for alarm in map(_number, system.glob("hwmon/hwmon*/in*_lcrit_alarm"))
        if alarm is not None
    ]
    if any(alarms):
        yield Finding(
            "power",
            "fail",
            "the supply sags below what the board needs",
            "see hardware/wiring.md, Power",
        )
    elif alarms:
        yield Finding("power", "pass", "no alarm of low voltage")


def _heat(zone: Path) -> Finding:
    part, degrees = "heat", (_number(zone / "temp") or 0) / 1000.0
    margin = _margin(zone)
    seen = f"{degrees:.0f} °C"
    if margin <= 0.0:
        return Finding(
            part,
            "fail",
            seen + ", slowed down",
            "shade, and air round the box: hardware/wiring.md",
        )
    if margin <= 10.0:
        return Finding(
            part,
            "warn",
            f"{seen}, slows down at {degrees + margin:.0f}",
            "shade, and air round the box",
        )
    return Finding(part, "pass", seen)


def _margin(zone: Path) -> float:
    """Return how much hotter, K, this part of the board may get before it is slowed down."""
    limits = [
        limit / 1000.0
        for kind in zone.glob("trip_point_*_type")
        if kind.read_text().strip() == "passive"
        and (limit := _number(kind.with_name(kind.name.replace("_type", "_temp"))))
    ]
    return min(limits, default=TOO_HOT_C) - (_number(zone / "temp") or 0) / 1000.0


def _number(path: Path) -> int | None:
    """Return the whole number in a file of the kernel's; None when there is none to be read."""
    try:
        return int(path.read_text())
    except (OSError, ValueError):
        return None
