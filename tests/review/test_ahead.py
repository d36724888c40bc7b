"""Photos are made ready before they are opened: the last asked for first, whatever one of them raises."""

from __future__ import annotations

import threading
import time

from review_server import ADULT

from crestgauge.cli.review.ahead import MOST_WAITING, Ahead

WAIT_S = 30


def held_up(made: list[int]) -> tuple[Ahead, threading.Event]:
    """A thread that works on photo 0 until the event is set."""
    begun, go_on = threading.Event(), threading.Event()

    def make(photo_id: int) -> None:
        if photo_id == 0:
            begun.set()
            assert go_on.wait(WAIT_S)
        made.append(photo_id)
        if photo_id == 7:
            raise OSError("by design")

    ahead = Ahead(make)
    ahead.ask(0)
    assert begun.wait(WAIT_S)
    return ahead, go_on


def until(condition) -> None:
    end = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.005)


def test_the_last_asked_for_comes_first_and_a_failure_ends_nothing():
    made: list[int] = []
    ahead, go_on = held_up(made)
    for photo_id in (5, 6, 7, 5):
        ahead.ask(photo_id)
    go_on.set()
    until(lambda: len(made) == 4)
    assert made == [0, 5, 7, 6]
    ahead.stop()


def test_what_was_asked_for_longest_ago_is_forgotten():
    made: list[int] = []
    ahead, go_on = held_up(made)
    for photo_id in range(100, 100 + MOST_WAITING + 3):
        ahead.ask(photo_id)
    go_on.set()
    until(lambda: len(made) == 1 + MOST_WAITING)
    assert made[1:] == list(range(102 + MOST_WAITING, 102, -1))
    ahead.stop()


def test_stopping_waits_for_the_photo_in_hand_and_forgets_the_others():
    made: list[int] = []
    ahead, go_on = held_up(made)
    ahead.ask(1)
    stopping = threading.Thread(target=ahead.stop)
    stopping.start()
    until(lambda: not ahead._waiting)
    go_on.set()
    stopping.join(WAIT_S)
    ahead.ask(2)
    assert made == [0]


def test_a_photo_seen_in_the_queue_is_ready_when_it_is_opened(server, monkeypatch):
    browser = server.browser("Ida Brook")
    assert browser.get(f"/photo/{ADULT}/thumb").status_code == 200
    until(lambda: server.site.photos._profiles.weight == 1 and server.site.photos._jpegs.weight > 0)
    monkeypatch.setattr(
        "crestgauge.cli.review.photos.crest_profiles", lambda *_: (_ for _ in ()).throw(AssertionError())
    )
    assert browser.json(f"/photo/{ADULT}")["crests"][0]["profile"] is not None
