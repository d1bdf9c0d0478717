"""Numbers as the report writes them: feet or metres, pounds or kilograms, places."""

from __future__ import annotations

from dataclasses import dataclass

from companion.events import Fix, Logged
from companion.units import FOOT, POUND, YARD, LengthUnit


@dataclass(frozen=True)
class Words:
    """How lengths, weights and temperatures are written."""

    unit: LengthUnit = "feet"

    @property
    def depth_unit(self) -> str:
        """The unit of depths, short."""
        return "ft" if self.unit == "feet" else "m"

    @property
    def per_metre(self) -> float:
        """How many of that unit a metre is."""
        return 1.0 / FOOT if self.unit == "feet" else 1.0

    def number(self, metres: float) -> float:
        """Return a depth as a number in that unit, to a tenth."""
        return round(metres * self.per_metre, 1)

    def depth(self, metres: float | None) -> str:
        """Return a depth with its unit, or that it is not known."""
        return "not known" if metres is None else f"{self.number(metres):.1f} {self.depth_unit}"

    def whole(self, metres: float) -> str:
        """Return a depth to whole feet, or to half a metre."""
        if self.unit == "feet":
            return f"{metres / FOOT:.0f} ft"
        return f"{round(2.0 * metres) / 2.0:g} m"

    def cast(self, metres: float) -> str:
        """Return the length of a cast."""
        return f"{metres / YARD:.0f} yd" if self.unit == "feet" else f"{metres:.0f} m"

    def way(self, metres: float) -> str:
        """Return a way that the boat made."""
        if self.unit == "feet":
            return f"{metres / 1609.344:.1f} miles"
        return f"{metres / 1000.0:.1f} km"

    def weight(self, kilograms: float) -> str:
        """Return a fish's weight."""
        if self.unit != "feet":
            return f"{kilograms:.2f} kg"
        pounds, ounces = divmod(round(kilograms / POUND * 16), 16)
        return f"{pounds} lb {ounces} oz" if ounces else f"{pounds} lb"

    def temperature(self, celsius: float) -> str:
        """Return a temperature of the water."""
        return f"{celsius * 9.0 / 5.0 + 32.0:.0f} °F" if self.unit == "feet" else f"{celsius:.1f} °C"

    def size(self, thing: Logged) -> str:
        """Return a fish's weight, a mark's depth or a cast's length; "" when none was said."""
        if thing.size is None:
            return ""
        if thing.what == "cast":
            return self.cast(thing.size)
        return self.weight(thing.size) if thing.what == "fish" else self.depth(thing.size)


def place(fix: Fix | None) -> str:
    """Return a place in degrees, or that it is not known."""
    return "not known" if fix is None else f"{fix.lat:.5f}, {fix.lon:.5f}"


def lasting(seconds: float) -> str:
    """Return a time span, such as "16 minutes" or "9 h 40 min"."""
    minutes = round(seconds / 60.0)
    if minutes < 120:
        return f"{minutes} minute" + ("" if minutes == 1 else "s")
    return f"{minutes // 60} h {minutes % 60:02d} min"


def count(number: int, one: str, many: str | None = None) -> str:
    """Return a number with its noun, such as "no casts", "one cast", "12 casts"."""
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    said = words[number] if number < len(words) else str(number)
    return f"{said} {one if number == 1 else many or one + 's'}"
