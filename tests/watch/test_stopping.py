"""The wish to stop is granted at once, whatever was waited for in between."""

import time

from runlog.watch import Stop


def test_nothing_is_waited_for_once_the_end_was_asked_for():
    """A wait that was woken forgets the waking, but never the wish."""
    stop = Stop()
    stop.ask()
    begin = time.monotonic()
    assert stop.wait(60)
    assert stop.wait(60)
    assert time.monotonic() - begin < 30


def test_a_wait_ends_when_woken_and_the_next_begins_anew():
    stop = Stop()
    stop.wake()
    assert stop.wait(60)
    assert not stop.wait(0.01)
