"""Lost and back, and when either is worth a word."""

from companion.trip.presence import (
    BACK_AFTER_S,
    BACK_TOLD_AFTER_S,
    NEVER_S,
    TOLD_AFTER_S,
    Presence,
)


def lost(at=10.0):
    presence = Presence(5.0)
    presence.accept(at - 5.0)
    assert presence.expires == at
    presence.lose(at)
    return presence


def test_a_loss_is_due_for_a_word_once_it_has_lasted():
    presence = lost(10.0)
    assert (presence.lost, presence.untold, presence.expires) == (
        True,
        10.0 + TOLD_AFTER_S,
        NEVER_S,
    )


def test_a_fleeting_loss_is_never_spoken_of_nor_its_return():
    presence = lost(10.0)
    assert not presence.accept(12.0)
    assert presence.accept(12.0 + BACK_AFTER_S)
    assert (presence.lost, presence.untold, presence.back_untold) == (
        False,
        NEVER_S,
        NEVER_S,
    )


def test_a_flicker_is_no_return():
    presence = lost(10.0)
    assert not any(presence.accept(12.0 + 6.0 * i) for i in range(20))


def test_a_return_is_told_when_its_loss_was_and_has_stood():
    presence = lost(10.0)
    presence.loss_told(20.0, spoken=True)
    assert not presence.accept(21.0)
    assert presence.accept(23.0)
    assert presence.back_untold == 20.0 + BACK_TOLD_AFTER_S
    presence.back_told()
    assert presence.back_untold == NEVER_S


def test_a_return_of_what_was_not_told_as_lost_is_not_told():
    presence = lost(10.0)
    presence.loss_told(20.0, spoken=False)
    presence.accept(21.0)
    assert presence.accept(23.0)
    assert presence.back_untold == NEVER_S


def test_what_is_lost_again_before_its_return_was_told_is_still_lost():
    presence = lost(10.0)
    presence.loss_told(20.0, spoken=True)
    presence.accept(21.0)
    presence.accept(23.0)
    presence.lose(28.0)
    assert (presence.untold, presence.back_untold) == (NEVER_S, NEVER_S), (
        "it was said, and is so"
    )
