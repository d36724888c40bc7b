"""Taking in photos: what is kept, what is refused, and that nothing is lost."""

from __future__ import annotations

import asyncio
import hashlib
import io
import os
import re
import time
import zlib
from pathlib import Path

import painted_jaws
import pytest
from ledger_place import place
from PIL import Image
from review_server import ADULT, Server, copied, no_reader, plain_png, png_with_place

from crestgauge.cli.review import jobs, new_routes, uploads
from crestgauge.cli.review.errors import Refused
from crestgauge.cli.review.jobs import plain_reason
from crestgauge.cli.review.state import Job
from crestgauge.inference.errors import LedgerError
from crestgauge.inference.screening.outcome import Outcome

__all__ = ["place"]

NAMES = re.compile(r"[0-9a-f]{2}/[0-9a-f]{64}\.(jpg|png|webp|heic)")


@pytest.fixture(scope="module")
def station(season, tmp_path_factory):
    """A server that really reads, shared by the tests of this file."""
    with Server(copied(season, tmp_path_factory.mktemp("station"))) as server:
        yield server


def kept(server: Server) -> list[str]:
    """Files in the photo folder, by their path in it."""
    return sorted(
        str(path.relative_to(server.site.folder)) for path in server.site.folder.rglob("*") if path.is_file()
    )


def finished(browser, job: str, *, seconds: float = 60.0) -> dict:
    """The job once it is done or failed."""
    until = time.monotonic() + seconds
    while (found := browser.json(f"/new/{job}"))["state"] not in ("done", "failed"):
        assert time.monotonic() < until, found
        time.sleep(0.05)
    return found


def test_a_photo_is_stored_read_and_filed_and_its_place_is_gone(station):
    browser = station.browser("Ida Brook")
    data = png_with_place("cut")
    answer = browser.upload(data, "P-20", name="../../../etc/IMG 0042.exe")
    assert answer.status_code == 202
    job = answer.json()
    assert job["state"] in ("waiting", "reading") and job["specimen_id"] == "P-20" and len(job["stages"]) == 4
    done = finished(browser, job["job"])
    assert (done["state"], done["stage"], done["words"]) == ("done", 4, "Filed under P-20.")
    page = browser.json(f"/photo/{done['photo_id']}")
    assert page["specimen_id"] == "P-20"
    sha256 = page["photo"]["sha256"]
    stored = station.site.store.get(station.ledger, sha256)
    assert hashlib.sha256(stored).hexdigest() == sha256 != hashlib.sha256(data).hexdigest()
    opened = Image.open(io.BytesIO(stored))
    assert not opened.getexif() and b"Camera Works" not in stored
    assert opened.tobytes() == Image.open(io.BytesIO(data)).tobytes()  # the picture itself is untouched
    assert station.rows(f"SELECT source, recorded_by FROM photo_links WHERE sha256 = '{sha256}'") == [
        ("person", "Ida Brook (review page)")
    ]
    assert station.rows(f"SELECT location FROM sightings WHERE sha256 = '{sha256}'") == [
        (str(station.site.folder / sha256[:2] / f"{sha256}.png"),)
    ]
    html = browser.get(f"/new/{job['job']}").text
    assert f'href="/photo/{done["photo_id"]}"' in html and str(station.site.folder) not in html


def test_without_script_the_form_leads_to_a_page_that_shows_how_far_it_is(station):
    browser = station.browser("Ida Brook")
    data = painted_jaws.photo("bare").read_bytes()
    answer = browser.upload(data, "P-21", accept="text/html")
    assert answer.status_code == 303
    assert browser.get(answer.headers["location"]).status_code == 200
    done = finished(browser, answer.headers["location"].rpartition("/")[2])
    # The same bytes are in the ledger from the season: no second reading, and the animal stays the first.
    assert done["words"] == "This very photo was filed before, under P-3; it stays there."
    assert done["photo_id"] == 3


def test_the_same_photo_sent_twice_is_one_photo(station):
    browser = station.browser("Ida Brook")
    data = plain_png(1)
    first, second = (browser.upload(data, "P-22").json()["job"] for _ in range(2))
    found = {finished(browser, job)["photo_id"] for job in (first, second)}
    assert first != second and len(found) == 1
    assert station.rows(f"SELECT count(*) FROM readings WHERE photo_id = {found.pop()}") == [(1,)]


def broken_png(size: tuple[int, int]) -> bytes:
    """A PNG whose header promises a picture of this size, with no pixels behind it."""
    body = b"IHDR" + size[0].to_bytes(4, "big") + size[1].to_bytes(4, "big") + b"\x08\x02\x00\x00\x00"
    chunks = [body, b"IDAT" + zlib.compress(b""), b"IEND"]
    written = [(len(c) - 4).to_bytes(4, "big") + c + zlib.crc32(c).to_bytes(4, "big") for c in chunks]
    return b"\x89PNG\r\n\x1a\n" + b"".join(written)


@pytest.mark.parametrize(
    "data",
    [
        b"<html><script>alert(1)</script>",
        b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>",
        b"GIF89a" + bytes(100),
        b"%PDF-1.7 ...",
        b"MZ" + bytes(200),
        b"\xff\xd8\xff\xe0",
        b"\x89PNG\r\n\x1a\n",
        bytes(1000),
        broken_png((20_000, 20_000)),
    ],
    ids=["html", "svg", "gif", "pdf", "exe", "jpeg-start", "png-start", "zeros", "400-megapixels"],
)
def test_what_is_no_picture_is_refused_whatever_it_calls_itself(station, data):
    browser = station.browser("Ida Brook")
    before = kept(station)
    answer = browser.upload(data, name="jaw.jpg")
    assert answer.status_code == 422
    assert kept(station) == before
    page = browser.upload(data, accept="text/html")
    assert page.status_code == 422 and 'value="P-9"' in page.text  # the form again, with the id in it


def test_a_picture_that_cannot_be_read_is_said_so_without_its_place_on_the_computer(station):
    browser = station.browser("Ida Brook")
    job = browser.upload(broken_png((2000, 2000)), "P-23").json()["job"]
    failed = finished(browser, job)
    assert failed["state"] == "failed" and failed["photo_id"] is None
    assert failed["error"].startswith("The photo cannot be read: damaged PNG")
    assert "/" not in failed["error"]
    assert failed["error"] in browser.get(f"/new/{job}").text
    assert station.rows("SELECT kind FROM failures") == [("photo",)]


def test_reasons_name_no_place():
    outcome = Outcome(
        location="/home/a/x.png", kind="bug", message="/home/a/x.png: E: bad /home/a/x.png (b.py:1)"
    )
    assert plain_reason(outcome) == "The photo cannot be read: E: bad the photo (b.py:1)"


@pytest.mark.parametrize("animal", ["", "  ", "a\x00b", "x" * 65, "a\nb"])
def test_an_animal_needs_an_id_that_can_be_one(station, animal):
    before = kept(station)
    answer = station.browser("Ida Brook").upload(png_with_place("bare"), animal)
    assert answer.status_code == 400
    assert "specimen_id" in answer.json()["error"] and kept(station) == before


@pytest.mark.parametrize(
    "animal", ["../../etc/passwd", "..", "<b>x</b>", "a'; DROP TABLE calls;--", "C:\\con"]
)
def test_an_animals_id_is_text_and_never_a_path(station, animal):
    browser = station.browser("Ida Brook")
    job = browser.upload(plain_png(2), animal).json()["job"]
    assert finished(browser, job)["state"] == "done"
    assert all(NAMES.fullmatch(path) for path in kept(station)), kept(station)
    assert "<b>x</b>" not in browser.get(f"/new/{job}").text


def test_forms_that_are_not_the_pages_are_refused(station):
    browser = station.browser("Ida Brook")
    before = kept(station)
    photo = ("photo", ("a.png", painted_jaws.photo("bare").read_bytes()))
    form = {"csrf": browser.csrf, "specimen_id": "P-9"}
    json_too = {"accept": "application/json"}
    for data, files, status in (
        (form, [photo, photo], 400),
        (form, [("other", photo[1])], 400),
        (form | {f"f{i}": "" for i in range(20)}, [photo], 400),
        (form | {"specimen_id": "x" * 5000}, [photo], 413),
        (form, [("photo", ("", b""))], 400),  # no file chosen
    ):
        answer = browser.client.post("/new", data=data, files=files, headers=json_too)
        assert answer.status_code == status, (data, answer.text)
    # The file before the token: not a byte of it is kept.
    body = (
        b'--b\r\nContent-Disposition: form-data; name="photo"; filename="a.png"\r\n\r\n'
        + photo[1][1][:5000]
        + b'\r\n--b\r\nContent-Disposition: form-data; name="csrf"\r\n\r\n'
        + browser.csrf.encode()
        + b"\r\n--b--\r\n"
    )
    headers = {"content-type": "multipart/form-data; boundary=b", **json_too}
    assert browser.client.post("/new", content=body, headers=headers).status_code == 403
    # A second id behind the file does not get past the check of the first.
    late = body.replace(
        b"--b\r\n",
        f'--b\r\nContent-Disposition: form-data; name="csrf"\r\n\r\n{browser.csrf}\r\n'
        '--b\r\nContent-Disposition: form-data; name="specimen_id"\r\n\r\nP-9\r\n--b\r\n'.encode(),
        1,
    ).replace(b"--b--", b'--b\r\nContent-Disposition: form-data; name="specimen_id"\r\n\r\n\0\r\n--b--')
    assert browser.client.post("/new", content=late, headers=headers).status_code == 400
    for content, status in ((b"--b\r\n", 400), (b"nonsense", 400), (b"", 400), (body[:3000], 403)):
        assert browser.client.post("/new", content=content, headers=headers).status_code == status
    assert browser.client.post("/new", content=b"", headers=json_too).status_code == 415
    assert kept(station) == before


def test_a_photo_that_is_too_large_is_refused_while_it_comes(serve):
    server = serve(max_bytes=200_000)
    browser = server.browser("Ida Brook")
    assert browser.upload(png_with_place("adult") + bytes(300_000)).status_code == 413

    def chunks():
        yield b'--b\r\nContent-Disposition: form-data; name="csrf"\r\n\r\n' + browser.csrf.encode()
        yield b'\r\n--b\r\nContent-Disposition: form-data; name="specimen_id"\r\n\r\nP-9'
        yield b'\r\n--b\r\nContent-Disposition: form-data; name="photo"; filename="a.png"\r\n\r\n\x89PNG'
        for _ in range(100):
            yield bytes(10_000)

    headers = {"content-type": "multipart/form-data; boundary=b", "accept": "application/json"}
    answer = browser.client.post("/new", content=chunks(), headers=headers)
    assert answer.status_code == 413 and "MB" in answer.json()["error"]
    assert kept(server) == []


def test_a_full_line_keeps_the_photo_on_the_phone(serve, monkeypatch):
    server = serve()
    browser = server.browser("Ida Brook")
    monkeypatch.setattr(jobs, "MOST_WAITING", 0)
    answer = browser.upload(b"")
    assert answer.status_code == 503 and answer.headers["retry-after"] == "60"
    monkeypatch.setattr(jobs, "MOST_WAITING", 400)
    server.site.uploads = asyncio.Semaphore(0)
    answer = browser.upload(b"")
    assert answer.status_code == 503 and str(new_routes.MOST_UPLOADS) in answer.json()["error"]
    assert kept(server) == []


def test_a_phone_that_stops_sending_is_given_up_and_leaves_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(uploads, "STALL_S", 0.05)
    monkeypatch.setattr(uploads, "WRITE_BYTES", 10)

    async def chunks():
        yield b'--b\r\nContent-Disposition: form-data; name="photo"; filename="a"\r\n\r\n' + bytes(1000)
        await asyncio.sleep(60)

    async def run():
        with pytest.raises(Refused, match="stopped sending") as refused:
            await uploads.receive(
                chunks(), "multipart/form-data; boundary=b", tmp_path / "in", file_field="photo",
                max_bytes=10_000, may_send=lambda _: None,
            )  # fmt: skip
        assert refused.value.status == 408

    asyncio.run(run())
    assert list((tmp_path / "in").iterdir()) == []


def test_a_full_disk_is_told_and_nothing_is_filed(serve, monkeypatch):
    server = serve()
    browser = server.browser("Ida Brook")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(uploads, "_write", full)
    answer = browser.upload(plain_png(6))
    assert answer.status_code == 409 and "No space left on device" in answer.json()["error"]
    assert server.site.state.open_jobs() == []


def test_a_photo_that_was_taken_in_is_read_after_a_restart(serve, monkeypatch):
    """A server that is killed between taking a photo in and reading it: the next one reads it."""
    monkeypatch.setattr(jobs.Jobs, "start", lambda self: None)
    first = serve()
    browser = first.browser("Ida Brook")
    job = browser.upload(plain_png(3), "P-30").json()["job"]
    assert "read next" in browser.json(f"/new/{job}")["words"]
    assert '<noscript><meta http-equiv="refresh"' in browser.get(f"/new/{job}").text
    second = browser.upload(plain_png(4), "P-31").json()["job"]
    assert "1 before it" in browser.json(f"/new/{second}")["words"]
    stale = first.site.incoming / "0.part"
    stale.write_bytes(b"half a photo")
    os.utime(stale, (0, 0))  # of 1970
    monkeypatch.undo()
    again = serve()
    assert not stale.exists()
    later = again.browser("Ida Brook")
    assert [finished(later, each)["words"] for each in (job, second)] == [
        "Filed under P-30.",
        "Filed under P-31.",
    ]


def test_a_ledger_that_refuses_leaves_the_photo_to_be_filed_later(serve, monkeypatch):
    server = serve()
    monkeypatch.setattr(jobs, "FILE_PAUSE_S", 0.0)

    def locked(*_, **__):
        raise LedgerError("season.db: another program holds the ledger's write lock.")

    monkeypatch.setattr(jobs, "keep", locked)
    job = Job(
        id="j", created=1.0, sha256="0" * 64, location="/x.png", specimen_id="P-1", person="", state="waiting"
    )
    server.site.state.add_job(job)
    server.site.jobs._file(job, Outcome(location="/x.png", kind="known", sha256="0" * 64))
    view = server.site.jobs.view("j")
    assert view.state == "failed" and "write lock" in view.error and "is safe" in view.error
    assert [each.id for each in server.site.state.open_jobs()] == ["j"]


def test_readers_that_cannot_be_made_are_told_and_tried_again(serve):
    server = serve()
    browser = server.browser("Ida Brook")
    server.site.jobs.make_reader = no_reader
    view = finished(browser, browser.upload(plain_png(5)).json()["job"])
    assert view["state"] == "failed" and "weights are gone" in view["error"]
    assert len(server.site.state.open_jobs()) == 1


def test_any_ledger_can_be_served_and_one_on_a_server_needs_a_folder(place, tmp_path):
    if "://" in place:
        with pytest.raises(LedgerError, match="--photos FOLDER"):
            Server(place)
    with Server(place, photos=tmp_path / "photos") as server:
        browser = server.browser("Ida Brook")
        done = finished(browser, browser.upload(plain_png(7), "P-50").json()["job"])
        assert browser.call(done["photo_id"], "retake").status_code == 303
        assert browser.json("/queue?todo=done")["rows"][0]["specimen_id"] == "P-50"
    beside = Path(place + ".review") if "://" not in place else tmp_path / "photos" / "server.review"
    assert beside.is_file()


def test_the_season_is_left_as_it_was(station):
    assert station.browser().json(f"/photo/{ADULT}")["specimen_id"] == "P-1"
    assert Path(station.site.folder).name == "season.db.photos"
