"""The only place that builds a trip, live and in replay alike."""

from __future__ import annotations

import os

from msgspec.structs import replace

from companion.casting.deck import Deck, tips_by_rod
from companion.casting.ground import Mapped
from companion.casting.pose import Current
from companion.config import Settings
from companion.lakebed.bed import Bed
from companion.lakebed.share import Share
from companion.lakebed.soundings import Mounting
from companion.sensing import Sensing, SourceSettings
from companion.tackle import TipHeld
from companion.trip.engine import Engine
from companion.trip.keep import Emit, Keep, Known
from companion.trip.policy import SpeechPolicy
from companion.voice.grammar import Grammar

RECORDING_WIRE = "recording"
"""The one wire a trip is fed by; its TAG blocks name the boat's sources."""
_RECORDING = SourceSettings()
RAISE_VARIABLE = "COMPANION_RAISE"
"""While this environment variable is set, as in tests, an error of the program's own is raised."""


def assemble_trip(
    name: str,
    settings: Settings,
    grammar: Grammar,
    emit: Emit,
    keep: Keep,
    known: Known,
    recording: SourceSettings = _RECORDING,
) -> Engine:
    """Return the engine of a trip on this boat, fed with chunks of `RECORDING_WIRE`.

    Args:
        name: what the trip is called.
        settings: the boat and its rods.
        grammar: the commands as they are on this boat.
        emit: called with every event, in order.
        keep: where readings, beliefs and soundings go.
        known: what the boat knew before the trip.
        recording: the settings of a recording without TAG blocks; what the boat's
            sources do without, it does without, too.
    """
    bed = _bed(settings, known)
    deck = Deck(settings.rods, known.beliefs, Mapped(bed), _tips(settings))
    raises = RAISE_VARIABLE in os.environ
    wires = _wires(settings, recording)
    sensing = Sensing(wires, settings.boat.offsets(), raises=raises)
    voice = settings.voice
    policy = SpeechPolicy(
        voice.silent_above, answers_unknown=voice.not_understood != "silence"
    )
    reaction, unit = voice.reaction, settings.units
    current = Current(settings.water.current, settings.water.current_towards)
    return Engine(
        name,
        sensing,
        deck,
        grammar,
        unit,
        emit,
        bed,
        keep,
        reaction,
        policy,
        current,
        raises=raises,
    )


def tips_of(settings: Settings) -> dict[int, dict[TipHeld, float]]:
    """Return the height of each rod's tip, m above the water, by its number and how it is held."""
    return tips_by_rod(settings.rods, _tips(settings))


def _tips(settings: Settings) -> dict[TipHeld, float]:
    return {"down": settings.boat.rod_tip_down, "up": settings.boat.rod_tip_up}


def _wires(settings: Settings, recording: SourceSettings) -> dict[str, SourceSettings]:
    if not all(source.need_checksum for source in settings.sources):
        recording = replace(recording, need_checksum=False)
    wires = {source.name: source.settings() for source in settings.sources}
    return wires | {RECORDING_WIRE: recording}


def _bed(settings: Settings, known: Known) -> Bed:
    boat, offsets = settings.boat, settings.boat.offsets()
    bed = Bed(
        known.areas,
        mounting=Mounting(offsets.forward, offsets.starboard),
        half_beam=boat.half_beam,
        from_sound_speed=boat.sound_from_temperature,
    )
    bed.begin_trip(settings.water.level, share=Share())
    return bed
