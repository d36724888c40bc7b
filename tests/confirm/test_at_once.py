"""Many readers on one ledger at once: no call is lost, nobody waits for ever, the queue stays right."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

from built_readings import KEY, READINGS
from confirm_ledger import keep

from crestgauge.inference.confirm.calls import CallInput, file_call, file_corrections
from crestgauge.inference.confirm.corrections import Corrections, CrestMark
from crestgauge.inference.confirm.pages import JawOptions, jaw_page
from crestgauge.inference.confirm.queue import queue_page
from crestgauge.inference.confirm.queue_pages import QueueAsk
from crestgauge.inference.confirm.views import Viewer
from crestgauge.inference.errors import LedgerError
from crestgauge.inference.ledger.measurements import measurements_of
from crestgauge.inference.ledger.paging import QueueIndex
from crestgauge.inference.ledger.queries import standing_calls
from crestgauge.inference.ledger.store import Ledger

PHOTOS = 24


def test_eight_readers_share_a_queue(place):
    """Each calls every third photo and looks at the queue in between; 8 readers, 24 photos, 64 calls."""
    with Ledger(place, by="test") as ledger:
        photos = [keep(ledger, k, READINGS["clear"])[0] for k in range(PHOTOS)]
        index = QueueIndex(ledger)

        def work(number):
            viewer = Viewer(person=f"Reader {number}", readers_wanted=2)
            for photo in photos[number % 3 :: 3]:
                page = jaw_page(ledger, KEY, viewer, photo, JawOptions(index=index))
                file_call(ledger, viewer, page, CallInput(action="confirm", shown=page.form.shown))
                queue_page(ledger, viewer, index=index)
            return queue_page(ledger, viewer, QueueAsk(todo="done"), index=index).total

        with ThreadPoolExecutor(8) as pool:
            done = list(pool.map(work, range(8)))
        assert done == [PHOTOS // 3] * 8
        calls = standing_calls(ledger)
        assert len({(row["person"], row["photo_id"]) for row in calls}) == len(calls) == 8 * PHOTOS // 3
        # Readers 0, 3 and 6 share photos, 1, 4 and 7, and 2 and 5: two or three called each, all the same.
        assert queue_page(ledger, Viewer(person="N", readers_wanted=2), index=index).total == 0


def test_two_windows_of_one_reader(place):
    """
    The same part corrected at once from several windows: one after the other, and one row stands at the end.
    """
    with Ledger(place, by="test") as ledger:
        _, reading = keep(ledger, 1, READINGS["clear"])
        viewer = Viewer(person="Ann")

        def work(number):
            mark = ("unusable", "no_dentine")[number % 2]
            wanted = Corrections(crests=(CrestMark(tooth=4, lobe=1, mark=mark),))
            return file_corrections(ledger, viewer, reading, wanted)

        with ThreadPoolExecutor(6) as pool:
            written = sum(pool.map(work, range(12)))
        history = measurements_of(ledger, reading, history=True)
        assert len(history) == written
        assert len(measurements_of(ledger, reading)) == 1
        assert [row["replaces"] for row in history] == [None, *(row["id"] for row in history[:-1])]


def test_a_button_pressed_many_times(place):
    """Six requests that all saw the page before any was kept: one call, and a sentence for the others."""
    with Ledger(place, by="test") as ledger:
        photo, _ = keep(ledger, 1, READINGS["clear"])
        viewer = Viewer(person="Ann")
        page = jaw_page(ledger, KEY, viewer, photo)

        def press(_):
            try:
                return file_call(ledger, viewer, page, CallInput(action="confirm")).call_id
            except LedgerError as error:
                assert "meanwhile" in str(error)
                return None

        with ThreadPoolExecutor(6) as pool:
            kept = [call for call in pool.map(press, range(6)) if call is not None]
        assert [row["id"] for row in standing_calls(ledger)] == kept
        assert len(kept) == 1
