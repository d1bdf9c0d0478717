from companion.lakebed.cover import CoverWatch
from companion.lakebed.gates import TrackGate
from companion.lakebed.soundings import Sounding


def watch(depths, speed=1.0):
    gate, cover, hints = TrackGate(), CoverWatch(), []
    for i, depth in enumerate(depths):
        gate.push(Sounding(float(i), i * speed, 0.0, depth))
        hints += cover.accept_excursions(gate.gate.excursions)
        gate.gate.excursions.clear()
    return hints, gate


def test_returns_that_flicker_above_the_bottom_are_offered_with_height_and_width():
    hints, _ = watch([9.0] * 20 + [5.5, 9.0, 5.2, 9.0, 9.0, 5.8, 9.0, 5.4] + [9.0] * 20)
    hint = hints[-1]
    assert hint.top == 5.2
    assert hint.height == 9.0 - 5.2
    assert 20.0 < hint.east < 28.0
    assert 4.0 < hint.width < 10.0
    assert hint.returns == 3


def test_a_hint_is_given_again_only_when_the_cover_has_grown_by_much():
    flicker = [5.5, 9.0, 5.2, 9.0, 9.0, 5.8, 9.0]
    hints, _ = watch(
        [9.0] * 20 + flicker + [5.4, 9.0] * 2 + [3.0, 9.0] + [9.0] * 20, speed=0.4
    )
    assert [(h.top, h.returns) for h in hints] == [(5.2, 3), (3.0, 6)]


def test_one_stray_return_is_no_cover():
    hints, gate = watch([9.0] * 20 + [5.0] + [9.0] * 20)
    assert hints == []
    assert gate.gate.dropped == {"above the bottom": 1}


def test_flicker_does_not_lift_the_bottom():
    gate, kept = TrackGate(), []
    for i in range(60):
        kept += gate.push(
            Sounding(
                float(i), float(i), 0.0, 5.5 if 20 < i < 40 and i % 3 == 0 else 9.0
            )
        )
    assert {s.depth for s in kept} == {9.0}


def test_returns_far_apart_are_not_one_thing():
    hints, _ = watch(
        [9.0] * 20 + [5.0] + [9.0] * 40 + [5.0] + [9.0] * 40 + [5.0] + [9.0] * 10
    )
    assert hints == []


def test_a_ringing_sounder_is_no_cover():
    hints, _ = watch([12.0] * 20 + [1.0, 12.0, 1.0, 12.0, 1.0, 12.0] + [12.0] * 10)
    assert hints == []
