"""Uploads lose their capture data and nothing else; photos come back only with the right bytes."""

from __future__ import annotations

import hashlib
import io
import os
from concurrent.futures import ThreadPoolExecutor
from importlib.resources import files

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageCms

from crestgauge.inference.confirm.clean import without_capture_data
from crestgauge.inference.confirm.photo_files import PhotoStore, default_folder
from crestgauge.inference.errors import LedgerError, PhotoError
from crestgauge.inference.ledger.record import add_sighting
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.photo import PhotoLimits, decode_photo

pillow_heif.register_heif_opener()
FORMATS = ("JPEG", "PNG", "WEBP", "HEIF", "TIFF")
GPS, DETAILS = 0x8825, 0x8769
PRIVATE = (b"SECRETMAKER", b"SERIAL99", b"2026:11:11", b"GPSLatitude", b"said in a comment")
XMP = b'<x:xmpmeta xmlns:x="adobe:ns:meta/">exif:GPSLatitude="12,34.5N"</x:xmpmeta>'


def pixels(seed=0, size=(96, 160)):
    """Smooth colours, so that no coder turns them into noise."""
    rng = np.random.default_rng(seed)
    small = rng.integers(0, 255, (6, 10, 3), dtype=np.uint8)
    return np.asarray(Image.fromarray(small).resize((size[1], size[0]), Image.Resampling.BICUBIC))


def photo(kind, *, orientation=6, focal=26, seed=0):
    """Bytes of a picture file with a position, a maker, a serial number, dates, a comment and a thumbnail."""
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x0132] = orientation, "SECRETMAKER", "2026:11:11 11:11:11"
    exif._ifds[GPS] = {1: "N", 2: (12.0, 34.0, 56.0), 3: "W", 4: (65.0, 43.0, 21.0)}
    exif._ifds[DETAILS] = {0xA405: focal, 0xA431: "SERIAL99", 0x9003: "2026:11:11 11:11:11"}
    more = {"exif": exif.tobytes()}
    if kind in ("JPEG", "WEBP", "HEIF"):
        more["xmp"] = XMP
    if kind == "JPEG":
        more["comment"] = b"said in a comment"
    target = io.BytesIO()
    Image.fromarray(pixels(seed)).save(target, kind, **more)
    return target.getvalue()


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_same_pixels_and_nothing_private(kind, orientation):
    """
    The picture as it is read is the same, pixel for pixel and turned the same way; no maker, serial number,
    date, comment or position is left in the bytes. Pillow, which wrote the position, finds none any more.
    """
    before = photo(kind, orientation=orientation)
    assert any(word in before for word in PRIVATE)
    after = without_capture_data(before)
    assert not any(word in after for word in PRIVATE)
    old, new = decode_photo(before, name="a"), decode_photo(after, name="b")
    assert np.array_equal(old.pixels, new.pixels)
    assert (new.taken, new.camera) == (None, None)
    # TIFF becomes PNG and loses the focal length with its tags.
    assert new.focal_35mm == (None if kind == "TIFF" else 26.0)
    with Image.open(io.BytesIO(after)) as image:
        assert dict(image.getexif().get_ifd(GPS)) == {}
    assert without_capture_data(after) == after


def test_colours_keep_their_profile():
    """A picture with a colour profile of its own is read in the same colours afterwards."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    target = io.BytesIO()
    Image.fromarray(pixels()).save(target, "JPEG", icc_profile=profile)
    after = without_capture_data(target.getvalue())
    with Image.open(io.BytesIO(after)) as image:
        assert image.info["icc_profile"] == profile


def test_a_second_picture_behind_a_jpeg_is_left_out():
    """Phones put depth maps and films behind the picture, with data of their own."""
    before = photo("JPEG")
    after = without_capture_data(before + b"\xff\xd8\xff\xe1SECRETMAKER" + bytes(100))
    assert after == without_capture_data(before)


def test_progressive_jpeg_with_restarts():
    """Several scans, each followed by tables; the end is the end marker, not the first scan's."""
    target = io.BytesIO()
    image = Image.fromarray(pixels(size=(200, 300)))
    image.save(target, "JPEG", progressive=True, restart_marker_rows=1, comment=b"said in a comment")
    after = without_capture_data(target.getvalue())
    assert b"said in a comment" not in after
    with Image.open(io.BytesIO(after)) as new, Image.open(target) as old:
        assert np.array_equal(np.asarray(new), np.asarray(old))


def test_a_clean_example_photo_stays_as_it_is():
    data = files("crestgauge.inference").joinpath("examples/alder-fork-103.jpg").read_bytes()
    assert without_capture_data(data) == data


@pytest.mark.parametrize("kind", FORMATS)
def test_damaged_files_are_refused_or_cleaned_never_let_through(kind):
    """Cut anywhere, or with a byte changed: an error in words, or bytes without anything private."""
    data = photo(kind)
    rng = np.random.default_rng(5)
    for _ in range(40):
        bad = bytearray(data[: rng.integers(1, len(data))] if rng.random() < 0.5 else data)
        if len(bad) > 40:
            bad[int(rng.integers(12, len(bad)))] ^= int(rng.integers(1, 256))
        try:
            after = without_capture_data(bytes(bad))
        except PhotoError as error:
            assert "upload: " in str(error)
            continue
        if kind != "HEIF":  # its bytes are found by their content, which a changed byte can hide only in part
            assert not any(word in after for word in PRIVATE)


@pytest.mark.parametrize(
    ("data", "words"),
    [(b"", "not a picture"), (b"%PDF-1.7 ", "not a picture"), (b"GIF89a" + bytes(50), "not a picture")],
)
def test_what_is_no_photo_is_refused_by_its_bytes(data, words, tmp_path):
    with pytest.raises(PhotoError, match=words):
        PhotoStore(tmp_path).put(data)
    assert list(tmp_path.iterdir()) == []


def test_too_large_is_refused_before_anything_is_decoded(tmp_path):
    with pytest.raises(PhotoError, match="at most"):
        PhotoStore(tmp_path, limits=PhotoLimits(max_bytes=1000)).put(photo("JPEG"))


def test_a_photo_is_kept_once_under_its_hash(tmp_path):
    store = PhotoStore(tmp_path / "photos")
    first, again = store.put(photo("JPEG")), store.put(photo("JPEG"))
    assert (first.new, again.new) == (True, False)
    assert first.location == again.location
    found = [path for path in (tmp_path / "photos").rglob("*") if path.is_file()]
    assert [path.stem for path in found] == [first.sha256]
    assert hashlib.sha256(found[0].read_bytes()).hexdigest() == first.sha256
    with Ledger(str(tmp_path / "l.db")) as ledger:
        assert store.get(ledger, first.sha256) == found[0].read_bytes()


def test_many_uploads_at_once_lose_none(tmp_path):
    """20 threads, each photo twice: every one is there, whole, once; no part file is left."""
    store = PhotoStore(tmp_path)
    datas = [photo("JPEG", seed=seed) for seed in range(10)] * 2
    with ThreadPoolExecutor(20) as pool:
        kept = list(pool.map(store.put, datas))
    names = {path.name for path in tmp_path.rglob("*") if path.is_file()}
    assert names == {f"{one.sha256}.jpg" for one in kept}
    assert len(names) == 10


def test_a_damaged_file_in_the_folder_is_written_anew_and_never_given_out(tmp_path):
    store = PhotoStore(tmp_path / "photos")
    kept = store.put(photo("JPEG"))
    with open(kept.location, "wb") as file:
        file.write(b"other bytes")
    with Ledger(str(tmp_path / "l.db")) as ledger:
        with pytest.raises(PhotoError, match="not where it was seen"):
            store.get(ledger, kept.sha256)
        assert store.put(photo("JPEG")).new
        assert hashlib.sha256(store.get(ledger, kept.sha256)).hexdigest() == kept.sha256


def test_screened_photos_are_read_where_they_were_seen(tmp_path):
    """The newest place with the right bytes counts; a file that has changed since does not."""
    data = photo("JPEG")
    sha256 = hashlib.sha256(data).hexdigest()
    (tmp_path / "a.jpg").write_bytes(data)
    (tmp_path / "b.jpg").write_bytes(data + b" ")
    with Ledger(str(tmp_path / "l.db")) as ledger:
        for name in ("gone.jpg", "a.jpg", "b.jpg"):
            with ledger.writing() as connection:
                add_sighting(connection, ledger, sha256, str(tmp_path / name))
        store = PhotoStore(tmp_path / "photos")
        assert store.get(ledger, sha256) == data
        os.remove(tmp_path / "a.jpg")
        with pytest.raises(PhotoError, match="3 places"):
            store.get(ledger, sha256)


def test_a_photo_seen_at_a_url_is_fetched_only_where_allowed(tmp_path):
    """``memory://`` is fsspec's file system without a disk or a network."""
    fsspec = pytest.importorskip("fsspec")
    data = photo("JPEG")
    sha256 = hashlib.sha256(data).hexdigest()
    with fsspec.open("memory://jaws/a.jpg", "wb") as file:
        file.write(data)
    with Ledger(str(tmp_path / "l.db")) as ledger:
        with ledger.writing() as connection:
            add_sighting(connection, ledger, sha256, "memory://jaws/a.jpg")
        with pytest.raises(PhotoError, match="1 URLs left alone"):
            PhotoStore(tmp_path).get(ledger, sha256)
        assert PhotoStore(tmp_path, remote=True).get(ledger, sha256) == data


@pytest.mark.parametrize("asked", ["../../etc/passwd", "A" * 64, "0" * 63, "0" * 64 + "\n", ""])
def test_only_a_hash_is_looked_up(tmp_path, asked):
    with Ledger(str(tmp_path / "l.db")) as ledger, pytest.raises(PhotoError, match="hexadecimal"):
        PhotoStore(tmp_path).get(ledger, asked)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root writes anywhere")
def test_a_folder_that_cannot_be_written(tmp_path):
    os.chmod(tmp_path, 0o500)
    with pytest.raises(LedgerError, match="nothing was filed"):
        PhotoStore(tmp_path / "photos").put(photo("JPEG"))


def test_a_file_where_the_folder_should_be(tmp_path):
    (tmp_path / "photos").write_text("")
    with pytest.raises(LedgerError, match="nothing was filed"):
        PhotoStore(tmp_path / "photos").put(photo("JPEG"))


def test_the_folder_lies_beside_the_ledger(tmp_path):
    with Ledger(str(tmp_path / "season.db")) as ledger:
        assert default_folder(ledger) == tmp_path / "season.db.photos"
    with Ledger(":memory:") as ledger:
        assert default_folder(ledger) is None
