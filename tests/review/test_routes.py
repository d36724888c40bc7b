"""Pages as HTML and JSON, pictures, corrections, calls."""

from __future__ import annotations

import io
import json

import pytest
from PIL import Image
from review_server import ADULT, BARE, BORDERLINE, corrections, narrow_edges

from crestgauge.cli.review.photos import picture_width


def test_the_start_leads_to_the_queue_with_the_doubtful_first(looked_at):
    browser = looked_at.browser()
    assert browser.get("/").headers["location"] == "/queue"
    page = browser.json("/queue")
    assert page == browser.json("/queue.json") | {"ask": page["ask"]}
    assert [row["photo_id"] for row in page["rows"]] == [BORDERLINE, BARE, ADULT]
    html = browser.get("/queue").text
    places = [html.index(f"/photo/{photo}/thumb") for photo in (BORDERLINE, BARE, ADULT)]
    assert places == sorted(places)


@pytest.mark.parametrize(
    ("query", "photos"),
    [
        ("heap=clear", [ADULT]),
        ("q=p-2", [BORDERLINE]),
        ("class=3.5&todo=all", [ADULT]),
        ("todo=done", []),
        ("page=2", []),
        ("heap=&q=&class=&nonsense=1", [BORDERLINE, BARE, ADULT]),
    ],
)
def test_the_queue_is_filtered_and_searched(looked_at, query, photos):
    assert [row["photo_id"] for row in looked_at.browser().json(f"/queue?{query}")["rows"]] == photos


@pytest.mark.parametrize(
    "query", ["heap=x", "todo=x", "class=9.5", "page=0", "page=-1", "page=x", "page=9999999", "q=" + 65 * "a"]
)
def test_a_wrong_query_of_the_queue_is_said_in_one_sentence(looked_at, query):
    browser = looked_at.browser()
    assert browser.get(f"/queue?{query}").status_code == 400
    problem = browser.get(f"/queue?{query}", accept="application/json")
    assert problem.headers["content-type"] == "application/problem+json"
    assert problem.json()["status"] == 400 and "needs" in problem.json()["error"]


@pytest.mark.parametrize(
    "path",
    [
        "/photo/99",
        "/photo/99/image",
        "/photo/99/thumb",
        "/photo/99/crest/4-1.jpg",
        f"/photo/{ADULT}/crest/4-9.jpg",
        f"/photo/{BARE}/crest/4-1.jpg",
        "/photo/99999999999999999999999999",
        "/photo/x",
        "/specimen/nobody",
        "/new/nothing",
        "/static/nothing.js",
        "/queue/x",
        "/.git/config",
    ],
)
def test_what_is_not_there_is_a_plain_404(looked_at, path):
    browser = looked_at.browser()
    answer = browser.get(path)
    assert answer.status_code == 404
    assert 'role="alert"' in answer.text
    assert browser.get(path, accept="application/json").json()["status"] == 404
    assert browser.get("/photo/99.json").json()["status"] == 404


def test_a_jaw_page_and_its_json_are_one_object(looked_at):
    browser = looked_at.browser("Ida Brook")
    page = browser.json(f"/photo/{ADULT}")
    assert page == browser.json(f"/photo/{ADULT}.json")
    assert (page["specimen_id"], page["outcome"], page["age_class"]) == ("P-1", "clear", "3.5")
    html = browser.get(f"/photo/{ADULT}").text
    for crest in page["crests"]:
        assert crest["ratio"] is None or crest["ratio"]["text"] in html
        assert crest["profile"]["grey"]
    for step in page["ladder"]:
        assert step["why"] in html
    assert page["form"]["shown"] in html


def test_pictures_come_at_fixed_widths_without_anything_but_the_picture(looked_at):
    browser = looked_at.browser()
    seen = {}
    for asked, width in ((1, 800), (800, 800), (801, 1600), (1600, 1600), (1601, 1800), (999999, 1800)):
        answer = browser.get(f"/photo/{ADULT}/image?w={asked}")
        picture = Image.open(io.BytesIO(answer.content))
        assert (picture.format, picture.width) == ("JPEG", width)
        assert abs(picture.height - width * 1200 / 1800) <= 0.5  # px, rounded
        assert set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
        assert seen.setdefault(width, answer.headers["etag"]) == answer.headers["etag"]
        again = browser.get(f"/photo/{ADULT}/image?w={asked}", **{"if-none-match": answer.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")
    assert len(set(seen.values())) == 3
    for path, size in ((f"/photo/{ADULT}/thumb", (480, 140)), (f"/photo/{ADULT}/crest/4-1.jpg", (640, 200))):
        assert Image.open(io.BytesIO(browser.get(path).content)).size == size
    for wrong in ("x", "-1", "", "1e3", "10000000"):
        assert browser.get(f"/photo/{ADULT}/image?w={wrong}").status_code == 400


def test_a_picture_is_never_shown_larger_than_it_is():
    assert [picture_width(w, 640) for w in (1, 800, 5000)] == [640, 640, 640]
    assert [picture_width(w, 4000) for w in (800, 801, 3200, 3201)] == [800, 1600, 3200, 4000]


def test_corrections_are_answered_at_once_and_nothing_is_kept(looked_at):
    browser = looked_at.browser("Ida Brook")
    page = browser.json(f"/photo/{ADULT}")
    wanted = corrections(edges=narrow_edges(page))
    answer = browser.send(f"/photo/{ADULT}/answer", wanted)
    assert answer.status_code == 200, answer.text
    said = answer.json()
    # Drawn 14 wide against bands of 9, ratio 1.56: 3.5. Dragged to half a band: under 1, so 2.5.
    assert (page["age_class"], said["age_class"], said["machine"]["age_class"]) == ("3.5", "2.5", "3.5")
    html = browser.send(f"/photo/{ADULT}/answer", wanted, accept="text/html").text
    assert f'data-shown="{said["form"]["shown"]}" data-class="2.5"' in html
    assert looked_at.rows("SELECT count(*) FROM measurements") == [(0,)]
    assert browser.json(f"/photo/{ADULT}") == page


@pytest.mark.parametrize(
    "body",
    ["", "{", "[]", "null", '{"schema":"crestgauge.corrections/1"}', '{"schema":1}', "[" * 100_000, "\ud800"],
)
def test_broken_corrections_are_refused_in_one_sentence(looked_at, body):
    browser = looked_at.browser()
    answer = browser.client.post(
        f"/photo/{ADULT}/answer",
        content=body.encode("utf-8", "surrogatepass"),
        headers={"content-type": "application/json", "x-csrf-token": browser.csrf},
    )
    assert answer.status_code == 400
    assert answer.json()["error"].startswith("corrections: ")


def test_kept_corrections_stand_beside_the_machines_reading(server):
    browser = server.browser("Ida Brook")
    before = server.rows("SELECT id, reading FROM readings")
    page = browser.json(f"/photo/{ADULT}")
    wanted = json.dumps(corrections(edges=narrow_edges(page)))
    answer = browser.post(f"/photo/{ADULT}/measure", {"corrections": wanted})
    assert (answer.status_code, answer.headers["location"]) == (303, f"/photo/{ADULT}")
    assert "Your measurements are kept" in browser.get(f"/photo/{ADULT}").text
    assert "Your measurements are kept" not in browser.get(f"/photo/{ADULT}").text  # said once
    assert server.rows("SELECT person, kind, tooth, lobe FROM measurements") == [
        ("Ida Brook", "edges", 4, 1),
        ("Ida Brook", "edges", 4, 2),
    ]
    assert server.rows("SELECT id, reading FROM readings") == before
    assert browser.json(f"/photo/{ADULT}")["age_class"] == "2.5"
    assert (
        server.browser("Otis Reed").json(f"/photo/{ADULT}")["age_class"] == "3.5"
    )  # theirs is the machine's


def test_corrections_work_field_by_field_without_script(server):
    browser = server.browser("Ida Brook")
    fields = {f"{part}-4-{lobe}": "8" for part in ("outer", "inner") for lobe in (1, 2)}
    fields |= {"dentine-4-1": "4", "dentine-4-2": "4,5"}
    assert browser.post(f"/photo/{ADULT}/measure", fields).status_code == 303
    assert browser.json(f"/photo/{ADULT}")["age_class"] == "2.5"
    refused = browser.post(f"/photo/{ADULT}/measure", {"dentine-4-1": "4"})
    assert refused.status_code == 422 and "all three widths" in refused.text


def test_a_call_is_kept_and_leads_to_the_next_photo_and_can_be_taken_back(server):
    browser = server.browser("Ida Brook")
    shown = browser.json(f"/photo/{BORDERLINE}")["form"]
    answer = browser.call(BORDERLINE, "confirm", shown=shown["shown"], age_class=shown["confirm_class"])
    assert (answer.status_code, answer.headers["location"]) == (303, f"/photo/{BARE}")
    assert "Kept: 2.5, confirmed." in browser.get(f"/photo/{BARE}").text
    assert server.rows("SELECT photo_id, person, decision, age_class, saw FROM calls") == [
        (BORDERLINE, "Ida Brook", "confirmed", "2.5", "proposal")
    ]
    undone = browser.post(f"/photo/{BORDERLINE}/undo")
    assert (undone.status_code, undone.headers["location"]) == (303, f"/photo/{BORDERLINE}")
    assert server.rows("SELECT decision FROM calls ORDER BY id") == [("confirmed",), ("withdrawn",)]
    assert browser.post(f"/photo/{BORDERLINE}/undo").status_code == 422


def test_next_follows_the_filter_of_the_queue_that_was_looked_at(server):
    browser = server.browser("Ida Brook")
    browser.get("/queue?heap=retake&page=1")
    assert browser.json(f"/photo/{ADULT}")["next_photo_id"] == BARE
    answer = browser.call(BARE, "retake", reason="wash it")
    assert answer.headers["location"] == "/queue"
    assert "Kept: no class from this photo." in browser.get("/queue").text


def test_a_call_without_name_or_reason_or_on_something_else_is_refused_on_the_same_page(server):
    nobody = server.browser()
    answer = nobody.call(ADULT, "confirm")
    assert answer.status_code == 422 and "Give the name or initials" in answer.text
    browser = server.browser("Ida Brook")
    for fields, words in (
        ({"action": "change", "age_class": "5.5"}, "needs a reason"),
        ({"action": "change", "age_class": "11.5", "reason": "so"}, "needs one of"),
        ({"action": "confirm", "age_class": "2.5"}, "Look again"),
        ({"action": "confirm", "shown": "0" * 16}, "has changed since"),
        ({"action": "settle", "age_class": "2.5", "reason": "so"}, "cannot be chosen here"),
        ({"action": "nonsense"}, "needs one of"),
        ({}, "needs one of"),
    ):
        answer = browser.post(f"/photo/{ADULT}/call", fields)
        assert answer.status_code == 422 and words in answer.text, fields
        asked = browser.post(f"/photo/{ADULT}/call", fields, accept="application/json")
        assert asked.status_code == 422 and words in asked.json()["error"]
    assert server.rows("SELECT count(*) FROM calls") == [(0,)]


def test_a_reader_gives_name_and_experience_once_a_session(server):
    browser = server.browser()
    answer = browser.post("/reader", {"person": "  Ida   Brook ", "experience": "20 seasons"})
    assert answer.headers["location"] == "/queue"
    browser.call(ADULT, "confirm")
    assert server.rows("SELECT person, experience FROM calls") == [("Ida Brook", "20 seasons")]
    assert server.browser("ida brook").json("/queue")["viewer"]["person"] == "Ida Brook"
    for fields in (
        {"person": ""},
        {"person": "a\nb\x00"},
        {"person": "x" * 121},
        {"person": "A", "mode": "x"},
    ):
        assert server.browser().post("/reader", fields).status_code == 422


def test_an_animal_with_a_slash_in_its_id_has_a_page(server):
    from crestgauge.inference.ledger.record import link_photo

    with server.ledger.writing() as connection:
        sha256 = server.rows("SELECT sha256 FROM photos WHERE id = 3")[0][0]
        row = server.rows(f"SELECT id FROM photo_links WHERE sha256 = '{sha256}'")[0][0]
        link_photo(
            connection, server.ledger, sha256, "unit 7/№ 12?#%", source="person", replaces=row, why="test"
        )
    browser = server.browser()
    page = browser.json("/specimen/unit%207/%E2%84%96%2012%3F%23%25")
    assert page["specimen_id"] == "unit 7/№ 12?#%" and page["photo_ids"] == [BARE]
    assert "/specimen/unit%207/%E2%84%96%2012%3F%23%25" in browser.get(f"/photo/{BARE}").text


def test_a_photo_whose_file_is_gone_still_has_its_page(server, monkeypatch):
    from crestgauge.inference.confirm import photo_files

    monkeypatch.setattr(photo_files, "_checked", lambda *_: None)
    browser = server.browser()
    page = browser.json(f"/photo/{ADULT}")
    assert page["age_class"] == "3.5" and all(crest["profile"] is None for crest in page["crests"])
    assert browser.get(f"/photo/{ADULT}/image").status_code == 404
    assert browser.get(f"/photo/{ADULT}").status_code == 200
