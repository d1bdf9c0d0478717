"""What waits for something to be solved: at once, or when the recording tells that it is."""

import pytest

from companion.casting.solving import Solve
from companion.trip.solves import Solves


@pytest.fixture
def solves():
    return Solves()


def asked(solves, t, name, gone):
    solve = Solve(lambda: name)
    solves.ask(t, solve, lambda at: gone.append((at, name)))
    return solve


def test_a_recording_that_tells_nothing_of_it_goes_on_at_once(solves):
    gone = []
    asked(solves, 5.0, "a", gone)
    assert gone == [(5.0, "a")]
    assert not solves.waits
    assert not solves.take_new()


def test_what_waits_goes_on_in_order_when_it_is_solved(solves):
    solves.come_later, gone = True, []
    a, b = asked(solves, 5.0, "a", gone), asked(solves, 5.1, "b", gone)
    assert solves.take_new() == [a, b]
    assert not solves.take_new()
    assert solves.waits
    assert not gone
    solves.go_on_with_first(6.0)
    solves.go_on_with_first(6.5)
    solves.go_on_with_first(7.0)
    assert gone == [(6.0, "a"), (6.5, "b")]
    assert not solves.waits


def test_what_is_gone_on_with_before_anybody_took_it_is_not_handed_out(solves):
    solves.come_later, gone = True, []
    asked(solves, 5.0, "a", gone)
    solves.go_on_with_first(5.5)
    assert not solves.take_new()


def test_at_the_end_all_goes_on_and_what_comes_then_at_once(solves):
    solves.come_later, gone = True, []
    asked(solves, 5.0, "a", gone)
    asked(solves, 5.1, "b", gone)
    solves.finish(9.0)
    asked(solves, 9.0, "c", gone)
    assert gone == [(9.0, "a"), (9.0, "b"), (9.0, "c")]


def test_something_is_solved_once():
    made = []
    solve = Solve(lambda: made.append(1) or "found")
    assert (solve.found, solve.found) == ("found", "found")
    assert made == [1]
