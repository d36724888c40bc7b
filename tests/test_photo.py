"""Intake: every accepted kind gives the same upright picture, the rest one sentence naming the file."""

from __future__ import annotations

import hashlib
import io
import os
import struct
import zlib

import numpy as np
import pillow_heif
import pytest
from PIL import ExifTags, Image, ImageCms, ImageOps

from crestgauge.inference.errors import PhotoError
from crestgauge.inference.photo import PhotoLimits, decode_photo, read_photo, sniff


def scene(width: int = 160, height: int = 96) -> Image.Image:
    """A smooth picture whose four corners differ, so that every turn and mirror shows."""
    x, y = np.meshgrid(np.linspace(0, 1, width), np.linspace(0, 1, height))
    picture = np.stack([40 + 180 * x, 40 + 180 * y, 40 + 90 * (x + (1 - y))], axis=-1)
    return Image.fromarray(picture.astype(np.uint8))


def encoded(image: Image.Image, kind: str, **options: object) -> bytes:
    target = io.BytesIO()
    image.save(target, kind, **options)
    return target.getvalue()


def difference(pixels: np.ndarray, image: Image.Image) -> float:
    """Mean absolute difference in grey levels."""
    return float(np.abs(pixels.astype(int) - np.asarray(image.convert("RGB")).astype(int)).mean())


@pytest.fixture(autouse=True, scope="module")
def heif_writer():
    pillow_heif.register_heif_opener()


KINDS = [
    ("JPEG", "JPEG", {"quality": 95}),
    ("JPEG", "JPEG", {"quality": 95, "progressive": True}),
    ("PNG", "PNG", {}),
    ("TIFF", "TIFF", {}),
    ("TIFF", "TIFF", {"compression": "tiff_lzw"}),
    ("WebP", "WEBP", {"quality": 95}),
    ("WebP", "WEBP", {"lossless": True}),
    ("HEIC", "HEIF", {"quality": 95}),
]


@pytest.mark.parametrize(("kind", "writer", "options"), KINDS)
def test_every_accepted_kind_gives_the_same_picture(tmp_path, kind, writer, options):
    """3 grey levels: what lossy coding at quality 95 does to a smooth picture, seen to be below 2."""
    path = tmp_path / "IMG_0001"  # no extension: content decides
    path.write_bytes(encoded(scene(), writer, **options))
    photo = read_photo(path)
    assert photo.format == kind
    assert (photo.width, photo.height) == (160, 96)
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert photo.file == "IMG_0001"
    assert not photo.pixels.flags.writeable
    assert difference(photo.pixels, scene()) < 3
    assert photo.notes == ()


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("writer", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_orientation_is_applied_as_pillow_does_it(writer, orientation):
    """Independent check: Pillow's own exif_transpose. 3 levels: lossy coding, as above."""
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    data = encoded(scene(), writer, exif=exif)
    wanted = ImageOps.exif_transpose(Image.open(io.BytesIO(data)))
    photo = decode_photo(data, name="turned")
    assert (photo.width, photo.height) == wanted.size
    assert difference(photo.pixels, wanted) < 3


@pytest.mark.parametrize("orientation", range(1, 9))
def test_heic_orientation(orientation):
    """The writer stores the turn in the container; libheif applies it, and nothing may apply it twice."""
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    turned = Image.open(io.BytesIO(encoded(scene(), "PNG", exif=exif)))
    wanted = ImageOps.exif_transpose(turned)
    photo = decode_photo(encoded(turned, "HEIF", quality=95), name="turned.heic")
    assert (photo.width, photo.height) == wanted.size
    assert difference(photo.pixels, wanted) < 3


@pytest.mark.parametrize("orientation", [0, 9, 77])
def test_unknown_orientation_changes_nothing(orientation):
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    photo = decode_photo(encoded(scene(), "PNG", exif=exif), name="odd")
    assert difference(photo.pixels, scene()) == 0


def test_position_never_leaves_the_file_and_capture_facts_do():
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = "Maker\0"
    exif[ExifTags.Base.Model] = "Phone 3"
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = "2026:11:07 08:15:00"
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = 26
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (31.0, 41.0, 59.0)
    data = encoded(scene(), "JPEG", exif=exif)
    assert Image.open(io.BytesIO(data)).getexif().get_ifd(ExifTags.IFD.GPSInfo)  # it is in there
    photo = decode_photo(data, name="a.jpg")
    assert (photo.taken, photo.camera, photo.focal_35mm) == ("2026:11:07 08:15:00", "Maker Phone 3", 26.0)
    assert not any("gps" in name.lower() or "lat" in name.lower() for name in type(photo).__slots__)
    assert "31" not in repr(photo).replace(photo.sha256, "")


@pytest.mark.parametrize(
    ("mode", "writer", "note"),
    [
        ("L", "JPEG", "greyscale"),
        ("L", "PNG", "greyscale"),
        ("1", "PNG", "greyscale"),
        ("P", "PNG", "palette colours"),
        ("CMYK", "JPEG", "CMYK"),
        ("CMYK", "TIFF", "CMYK"),
    ],
)
def test_other_colour_modes_are_read_and_noted(mode, writer, note):
    source = scene().convert(mode)
    photo = decode_photo(encoded(source, writer), name="x")
    assert any(note in words for words in photo.notes)
    # 4 levels: JPEG on CMYK; a palette of 256 is compared with itself.
    assert difference(photo.pixels, source.convert("RGB")) < 4


def test_sixteen_bit_greyscale_is_scaled_by_the_formats_own_white():
    values = np.linspace(0, 65535, 160 * 96).reshape(96, 160).astype(np.uint16)
    for writer in ("PNG", "TIFF"):
        photo = decode_photo(encoded(Image.fromarray(values), writer), name="deep")
        assert "16 bits reduced to 8" in photo.notes
        assert np.abs(photo.pixels[..., 0] - values / 257.0).max() <= 0.51  # rounding to whole levels


def png_chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def png_16bit_rgb(values: np.ndarray) -> bytes:
    """A 16-bit RGB PNG, which Pillow cannot write."""
    height, width = values.shape[:2]
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in values)
    head = struct.pack(">IIBBBBB", width, height, 16, 2, 0, 0, 0)
    body = png_chunk(b"IHDR", head) + png_chunk(b"IDAT", zlib.compress(rows)) + png_chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def test_sixteen_bit_colour():
    """1 level: the decoder may cut the low byte or round it."""
    values = np.asarray(scene()).astype(np.uint16) * 257
    photo = decode_photo(png_16bit_rgb(values), name="deep.png")
    assert np.abs(photo.pixels.astype(int) - np.asarray(scene()).astype(int)).max() <= 1


@pytest.mark.parametrize("writer", ["PNG", "WEBP", "TIFF"])
def test_transparency_is_shown_on_white(writer):
    picture = scene().convert("RGBA")
    picture.paste((0, 0, 0, 0), (0, 0, 80, 96))
    options = {"lossless": True} if writer == "WEBP" else {}
    photo = decode_photo(encoded(picture, writer, **options), name="alpha")
    assert (photo.pixels[:, :80] == 255).all()
    assert "transparent parts shown on white" in photo.notes
    assert difference(photo.pixels[:, 80:], scene().crop((80, 0, 160, 96))) == 0


def test_opaque_alpha_is_no_change():
    photo = decode_photo(encoded(scene().convert("RGBA"), "PNG"), name="alpha")
    assert photo.notes == ()
    assert difference(photo.pixels, scene()) == 0


def swapped_profile() -> bytes:
    """
    The sRGB profile with its red and blue primaries exchanged (ICC.1: tags rXYZ and bXYZ).

    A picture that carries it shows its red numbers as blue light, so the right conversion exchanges them.
    """
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    count = struct.unpack(">I", profile[128:132])[0]
    for entry in range(132, 132 + 12 * count, 12):
        tag = bytes(profile[entry : entry + 4])
        profile[entry : entry + 4] = {b"rXYZ": b"bXYZ", b"bXYZ": b"rXYZ"}.get(tag, tag)
        offset, size = struct.unpack(">II", profile[entry + 4 : entry + 12])
        if tag == b"desc":  # the name says sRGB, and that would be believed
            text = profile[offset : offset + size]
            profile[offset : offset + size] = text.replace(b"s\0R\0G\0B", b"x\0R\0G\0B").replace(
                b"sRGB", b"xRGB"
            )
    return bytes(profile)


@pytest.mark.parametrize("writer", ["PNG", "JPEG"])
def test_colour_profile_is_applied(writer):
    """3 levels: lossy coding and the profile's rounding to 16 bits."""
    options = {"quality": 98, "subsampling": 0} if writer == "JPEG" else {}
    photo = decode_photo(encoded(scene(), writer, icc_profile=swapped_profile(), **options), name="wide")
    assert photo.notes == ("converted to sRGB by its colour profile",)
    assert difference(photo.pixels[..., ::-1], scene()) < 3


def test_srgb_profile_changes_nothing_and_a_broken_one_is_noted():
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert decode_photo(encoded(scene(), "PNG", icc_profile=srgb), name="a").notes == ()
    photo = decode_photo(encoded(scene(), "PNG", icc_profile=b"not a profile"), name="a")
    assert photo.notes == ("colour profile cannot be used: colours taken as sRGB",)
    assert difference(photo.pixels, scene()) == 0


def test_phone_jpeg_with_a_second_picture_reads_the_first():
    data = encoded(scene(), "MPO", save_all=True, append_images=[Image.new("RGB", (160, 96))])
    assert difference(decode_photo(data, name="mpo.jpg").pixels, scene()) < 3


BROKEN = {
    "zero bytes": (b"", "0 bytes"),
    "text under a picture's name": (b"specimen,age\n12,3.5\n" * 9, "a text file"),
    "random bytes": (np.random.default_rng(1).bytes(5000), "not a picture file"),
    "gif": (encoded(scene(), "GIF"), "a GIF file"),
    "bmp": (encoded(scene(), "BMP"), "a BMP file"),
    "pdf": (b"%PDF-1.7\n%\xe2\xe3", "a PDF document"),
    "avif": (b"\0\0\0\x20ftypavif\0\0\0\0avifmif1miaf" + bytes(64), "an AVIF file"),
    "video": (b"\0\0\0\x20ftypqt  \0\0\0\0qt  " + bytes(64), "a video"),
    "raw": (b"II*\0\x10\0\0\0CR\x02\0" + bytes(64), "a raw camera file"),
    "too small": (encoded(scene(40, 40), "PNG"), "at least 64 px"),
    "lab": (encoded(Image.new("LAB", (99, 99)), "TIFF"), "colour mode LAB"),
    "float": (encoded(Image.new("F", (99, 99)), "TIFF"), "colour mode F"),
}


@pytest.mark.parametrize("case", BROKEN)
def test_other_files_are_refused_in_one_sentence_naming_the_file(tmp_path, case):
    data, found = BROKEN[case]
    path = tmp_path / "jaw 07.jpg"
    path.write_bytes(data)
    with pytest.raises(PhotoError) as caught:
        read_photo(path)
    message = str(caught.value)
    assert "jaw 07.jpg: " in message and found in message and "needs" in message
    assert "\n" not in message


@pytest.mark.parametrize(("kind", "writer", "options"), KINDS)
@pytest.mark.parametrize("share", [0.1, 0.5, 0.95])
def test_truncated_files_are_refused(kind, writer, options, share):
    noisy = Image.fromarray(np.random.default_rng(2).integers(0, 255, (96, 160, 3), dtype=np.uint8))
    data = encoded(noisy, writer, **options)
    with pytest.raises(PhotoError, match=r"cut\.bin: .*needs"):
        decode_photo(data[: int(len(data) * share)], name="cut.bin")


@pytest.mark.parametrize("writer", ["PNG", "WEBP", "TIFF"])
def test_animations_and_several_pages_are_refused(writer):
    data = encoded(scene(), writer, save_all=True, append_images=[scene().rotate(180)])
    with pytest.raises(PhotoError, match=r"moving: .* with 2 .*needs one still picture"):
        decode_photo(data, name="moving")


def test_preview_of_a_raw_file_is_refused():
    data = encoded(scene(), "TIFF", tiffinfo={254: 1})
    with pytest.raises(PhotoError, match="raw camera file"):
        decode_photo(data, name="shot.dng")


def test_decompression_bomb_is_refused_from_its_header():
    head = struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0)
    body = png_chunk(b"IHDR", head) + png_chunk(b"IDAT", zlib.compress(bytes(1000))) + png_chunk(b"IEND", b"")
    with pytest.raises(PhotoError, match=r"bomb\.png: .*needs at most 120 megapixels"):
        decode_photo(b"\x89PNG\r\n\x1a\n" + body, name="bomb.png")
    with pytest.raises(PhotoError, match=r"160 x 96 px .*needs at most 0 megapixels"):
        decode_photo(encoded(scene(), "PNG"), name="x", limits=PhotoLimits(max_pixels=1000))


def test_missing_folder_device_and_large_files_are_named(tmp_path):
    for path in (tmp_path / "none.jpg", tmp_path):
        with pytest.raises(PhotoError, match=str(path)):
            read_photo(path)
    if os.path.exists("/dev/zero"):
        with pytest.raises(PhotoError, match="not a regular file"):
            read_photo("/dev/zero")
    path = tmp_path / "large.png"
    path.write_bytes(encoded(scene(), "PNG"))
    with pytest.raises(PhotoError, match=r"large\.png: .* MiB; needs at most"):
        read_photo(path, PhotoLimits(max_bytes=100))


@pytest.mark.parametrize(("kind", "writer", "options"), KINDS)
def test_damaged_bytes_never_raise_anything_else(kind, writer, options):
    """Hostile files: 40 seeded byte flips per kind give a photo or a PhotoError, nothing else."""
    rng = np.random.default_rng(3)
    data = bytearray(encoded(scene(), writer, **options))
    for _ in range(40):
        hurt = data.copy()
        for at in rng.integers(0, len(hurt), 8):
            hurt[at] = rng.integers(0, 256)
        try:
            decode_photo(bytes(hurt), name="hurt")
        except PhotoError as error:
            assert str(error).startswith("hurt: ")


def test_sniffing_does_not_look_past_the_data():
    for size in range(13):
        assert sniff(bytes(size)) in ("unknown", "text")
