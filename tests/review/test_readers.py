"""Blind reading leaks nothing; two readers do not see each other's calls; a third settles."""

from __future__ import annotations

import json
import re
import shutil

import pytest
from review_server import ADULT, BARE, BORDERLINE, Server, corrections

from crestgauge.inference.ledger.record import add_reading

HIDDEN_PATHS = (
    "/queue?todo=all",
    "/queue.json?todo=all&heap=clear&class=3.5",
    f"/photo/{ADULT}",
    f"/photo/{ADULT}.json",
    f"/photo/{BARE}",
    "/specimen/P-1",
    "/new",
    "/reader",
)


def other_reading(reading: dict) -> dict:
    """The same photo and row of teeth, but all that was measured and concluded is another."""

    def changed(value):
        if isinstance(value, dict):
            return {
                name: ({"value": 0.3, "u": 0.1} if name in ("ratio", "measured") and part else changed(part))
                for name, part in value.items()
            }
        return [changed(part) for part in value] if isinstance(value, list) else value

    if not reading["steps"]:  # refused: for another reason, then
        return reading | {"retake": [reading["retake"][0] | {"reason": "dark", "advice": "More light."}]}
    found = changed(reading)
    found["steps"] = found["steps"][:1]
    for name in ("notes", "retake"):
        found[name] = []
    outcome = "borderline" if reading["outcome"] == "clear" else "clear"
    return found | {
        "outcome": outcome,
        "age_class": "1.5",
        "possible": ["1.5", "2.5"],
        "deciding": found["steps"][0]["id"],
    }


def test_a_blind_reader_gets_the_same_bytes_whatever_the_machine_says(season, tmp_path):
    """Two ledgers with the same photos and quite other readings: a blind reader sees no difference."""
    pages = []
    for k in range(2):
        (tmp_path / str(k)).mkdir()
        ledger = shutil.copy(season, tmp_path / str(k) / "season.db")
        with Server(ledger) as server:
            for photo, text in server.rows("SELECT photo_id, reading FROM readings ORDER BY id"):
                reading = json.loads(text)
                reading = other_reading(reading) if k else reading
                reading["versions"]["model"] = "other weights"
                with server.ledger.writing() as connection:
                    assert add_reading(connection, server.ledger, photo, reading)
            browser = server.browser("Ida Brook", blind=True)
            pages.append(
                {path: browser.get(path).text.replace(browser.csrf, "token") for path in HIDDEN_PATHS}
            )
            opened = server.browser().json(f"/photo/{ADULT}")
            assert opened["age_class"] == ("1.5" if k else "3.5")  # in the open they differ
    for path in HIDDEN_PATHS:
        assert pages[0][path] == pages[1][path], path


def test_nothing_of_a_proposal_is_in_blind_pages(server):
    reading = json.loads(server.rows(f"SELECT reading FROM readings WHERE photo_id = {ADULT}")[0][0])
    browser = server.browser("Ida Brook", blind=True)
    for path in HIDDEN_PATHS:
        text = re.sub(r'name="age_class"|/static/\w+\.js', "", browser.get(path).text)
        for word in ('age_class":', "ratio", "possible", "outcome", "doubt", "headline", "ladder", "profile"):
            assert word not in text, (path, word)
    for tooth in reading["teeth"]:
        for crest in tooth["crests"]:
            x, y = crest["line"][0]
            assert f"{x:.1f},{y:.1f}" not in browser.get(f"/photo/{ADULT}").text
    assert browser.get(f"/photo/{ADULT}/crest/4-1.jpg").status_code == 400
    assert browser.send(f"/photo/{ADULT}/answer", corrections()).status_code == 400
    assert browser.send(f"/photo/{ADULT}/measure", corrections()).status_code == 422
    assert browser.get(f"/photo/{ADULT}/image").status_code == 200


def test_a_blind_call_says_so_and_opens_the_page(server):
    browser = server.browser("Ida Brook", blind=True)
    assert browser.call(ADULT, "confirm").status_code == 422  # there is nothing to confirm
    answer = browser.call(ADULT, "own", age_class="2.5", confidence="M")
    assert answer.status_code == 303
    assert server.rows("SELECT person, decision, age_class, saw, confidence, reading_id FROM calls") == [
        ("Ida Brook", "own", "2.5", "photo", "M", None)
    ]
    page = browser.json(f"/photo/{ADULT}")
    assert (page["kind"], page["age_class"]) == ("jaw", "3.5")
    assert page["crests"][0]["profile"] is not None
    assert browser.get(f"/photo/{ADULT}/crest/4-1.jpg").status_code == 200
    assert browser.json(f"/photo/{BORDERLINE}")["kind"] == "blind_jaw"


def test_who_has_seen_a_proposal_in_the_open_is_not_blind_for_that_photo(serve):
    """Else one could look, switch, and be recorded as not having seen it; a restart does not help either."""
    server = serve()
    browser = server.browser("Ida Brook")
    browser.get(f"/photo/{ADULT}")
    browser.post("/reader", {"person": "Ida Brook", "mode": "blind"})
    assert browser.json(f"/photo/{ADULT}")["kind"] == "jaw"
    assert browser.json(f"/photo/{BORDERLINE}")["kind"] == "blind_jaw"
    again = serve()
    other_device = again.browser("IDA  brook", blind=True)
    assert other_device.json(f"/photo/{ADULT}")["kind"] == "jaw"
    other_device.call(ADULT, "confirm")
    assert again.rows("SELECT decision, saw FROM calls") == [("confirmed", "proposal")]
    assert again.browser("Otis Reed", blind=True).json(f"/photo/{ADULT}")["kind"] == "blind_jaw"


def test_where_all_read_blind_nobody_can_choose_otherwise(serve):
    server = serve(blind=True)
    browser = server.browser()
    assert browser.json("/queue")["kind"] == "blind_queue"
    assert browser.post("/reader", {"person": "Ida Brook", "mode": "open"}).status_code == 422
    assert browser.post("/reader", {"person": "Ida Brook"}).status_code == 303
    assert browser.json(f"/photo/{ADULT}")["kind"] == "blind_jaw"


@pytest.mark.parametrize("blind", [False, True])
def test_two_readers_see_each_others_calls_only_when_both_have_called(serve, blind):
    server = serve(readers=2)
    ida, otis = server.browser("Ida Brook", blind=blind), server.browser("Otis Reed", blind=blind)
    third = server.browser("Wren Harlow")
    own = {"action": "own"} if blind else {"action": "change", "reason": "jaw in hand"}
    assert ida.post(f"/photo/{ADULT}/call", {**own, "age_class": "4.5"}).status_code == 303
    for browser in (otis, third):
        for path in (f"/photo/{ADULT}", f"/photo/{ADULT}.json", "/queue?todo=all", "/specimen/P-1"):
            assert "Ida Brook" not in browser.get(path).text
    assert "Otis Reed" not in ida.get(f"/photo/{ADULT}").text
    assert ida.json(f"/photo/{ADULT}")["calls"]["state"] == "second_wanted"
    assert third.call(ADULT, "settle", age_class="4.5", reason="so").status_code == 422
    assert otis.post(f"/photo/{ADULT}/call", {**own, "age_class": "5.5"}).status_code == 303
    for browser in (ida, otis):
        calls = browser.json(f"/photo/{ADULT}")["calls"]
        assert calls["state"] == "disagree" and not calls["may_settle"]
        assert {call["person"] for call in calls["calls"]} == {"Ida Brook", "Otis Reed"}
    assert third.json(f"/photo/{ADULT}")["calls"]["may_settle"]
    assert third.call(ADULT, "settle", age_class="4.5", reason="looked at both").status_code == 303
    assert ida.json(f"/photo/{ADULT}")["calls"] | {"calls": []} == {
        "state": "settled",
        "words": "Readers disagreed; a third one has settled.",
        "calls": [],
        "hidden": 0,
        "may_settle": False,
        "final": "4.5",
        "second_wanted": True,
        "asked_by_viewer": False,
    }
    assert server.rows("SELECT person FROM settlements") == [("Wren Harlow",)]


def test_a_photo_is_left_for_a_second_reader(server):
    browser = server.browser("Ida Brook")
    assert browser.call(BORDERLINE, "leave", reason="stain").status_code == 303
    assert server.rows("SELECT photo_id, person, wanted, why FROM second_reads") == [
        (BORDERLINE, "Ida Brook", 1, "stain")
    ]
    assert [r["photo_id"] for r in server.browser("Otis Reed").json("/queue?todo=second")["rows"]] == [
        BORDERLINE
    ]
    assert browser.json(f"/photo/{BORDERLINE}")["calls"]["asked_by_viewer"]
    back = browser.call(BORDERLINE, "alone")
    assert (back.status_code, back.headers["location"]) == (303, f"/photo/{BORDERLINE}")
    assert not server.browser("Otis Reed").json("/queue?todo=second")["rows"]
