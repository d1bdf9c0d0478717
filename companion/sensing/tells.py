"""What sentences and messages tell, in words: for whoever asks what a source gives."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

NAMES = "names of devices"
"""What address claims on NMEA 2000 tell."""
_QUANTITIES: Mapping[str, tuple[str, ...]] = {
    "depth": (
        "DPT", "DBT", "DBS", "DBK", "128267", "environment.depth.belowTransducer",
        "environment.depth.belowSurface", "environment.depth.belowKeel",
        "environment.depth.surfaceToTransducer",
    ),
    "position": (
        "RMC", "GGA", "GNS", "GLL", "TPV", "129025", "129029", "navigation.position",
        "navigation.gnss.horizontalDilution", "navigation.gnss.methodQuality", "SKY",
    ),
    "course and speed": (
        "VTG", "129026", "navigation.speedOverGround", "navigation.courseOverGroundTrue",
    ),
    "heading": (
        "HDT", "HDG", "HDM", "127250", "127258", "navigation.headingTrue", "navigation.headingMagnetic",
        "navigation.magneticVariation",
    ),
    "water temperature": ("MTW", "130310", "130312", "130316", "environment.water.temperature"),
    "speed through the water": ("VHW", "128259", "navigation.speedThroughWater"),
    "wind": ("MWV", "MWD", "130306"),
    "time": ("ZDA", "126992", "129033", "navigation.datetime"),
    NAMES: ("60928",),
}  # fmt: skip
_TOLD_BY = {
    address: quantity
    for quantity, addresses in _QUANTITIES.items()
    for address in addresses
}
_WIND_PATH = "environment.wind."
MOST_UNUSED = 8
"""Sentences that are not used, and are named nevertheless."""
NOT_USED = "not used"
"""What a sentence tells that nothing here is read from."""


def quantity_told(address: str) -> str:
    """Return in words what a sentence ("SDDPT"), a message (its PGN or class) or a path tells.

    >>> quantity_told("SDDPT"), quantity_told("128267"), quantity_told("GPGSV")
    ('depth', 'depth', 'not used')
    """
    if address.startswith(_WIND_PATH):
        return "wind"
    return _TOLD_BY.get(address) or _TOLD_BY.get(address[2:], NOT_USED)


def rates_in_words(counts: Counter[str], seconds: float) -> str:
    """Return what is given and how often, such as "depth: SDDPT 5.0/s; position: GPGGA 1.0/s"."""
    by_quantity: dict[str, list[str]] = {
        quantity: [] for quantity in (*_QUANTITIES, NOT_USED)
    }
    for address, count in sorted(counts.items()):
        name = address.rpartition(".")[2]
        by_quantity[quantity_told(address)].append(f"{name} {count / seconds:.1f}/s")
    unused = [
        told[-20:] for told in by_quantity[NOT_USED]
    ]  # such a name can be as long as a line
    if len(unused) > MOST_UNUSED:
        unused = [*unused[:MOST_UNUSED], f"{len(unused) - MOST_UNUSED} more"]
    by_quantity[NOT_USED] = unused
    return "; ".join(
        f"{quantity}: {', '.join(rates)}"
        for quantity, rates in by_quantity.items()
        if rates
    )
