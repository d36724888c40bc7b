"""
A picture file without its capture data: no position, camera, serial number, date, comment or thumbnail. Pure.

JPEG, PNG and WebP are rewritten piece by piece without touching the coded picture; HEIC keeps its length and
gets its EXIF and XMP overwritten in place; TIFF, whose tags and picture are one structure, becomes PNG. What
the reading needs stays: the orientation, the colour profile, and the focal length in 35-mm terms.
"""

from __future__ import annotations

import io
import struct
import warnings
import zlib
from typing import Any, Final

from PIL import ExifTags, Image

from crestgauge.inference.errors import PhotoError
from crestgauge.inference.photo import LIMITS, NEEDS, PhotoLimits, decode_photo, sniff

SUFFIXES: Final = {"JPEG": ".jpg", "PNG": ".png", "WebP": ".webp", "HEIC": ".heic"}
"""Formats that come out, with the ending of their file names."""
_NAME: Final = "upload"
_PNG_KEPT: Final = frozenset(
    (
        b"IHDR",
        b"PLTE",
        b"IDAT",
        b"IEND",
        b"tRNS",
        b"gAMA",
        b"cHRM",
        b"sRGB",
        b"iCCP",
        b"sBIT",
        b"bKGD",
        b"cICP",
    )
)
_WEBP_KEPT: Final = frozenset((b"VP8X", b"VP8 ", b"VP8L", b"ALPH", b"ICCP", b"ANIM", b"ANMF"))
_EXIF_FLAG, _XMP_FLAG = 0x08, 0x04


def without_capture_data(data: bytes, *, limits: PhotoLimits = LIMITS) -> bytes:
    """
    The same picture, pixel for pixel, without capture data.

    Raises
    ------
    PhotoError
        If the bytes are no picture format that is read, are outside the limits, or are damaged so that they
        cannot be taken apart.
    """
    kind = sniff(data)
    if kind not in (*SUFFIXES, "TIFF"):
        raise PhotoError(f"{_NAME}: not a picture file that is read here; {NEEDS}.")
    if len(data) > limits.max_bytes:
        raise PhotoError(
            f"{_NAME}: {len(data) / 2**20:.0f} MiB; needs at most {limits.max_bytes / 2**20:.0f} MiB. "
            "Export it as JPEG."
        )
    if kind == "TIFF":
        return _as_png(data, limits)
    info = _metadata(data, kind)
    try:
        if kind == "JPEG":
            return _jpeg(data, _exif(info))
        if kind == "PNG":
            return _png(data, _exif(info))
        return _webp(data, _exif(info)) if kind == "WebP" else _heic(data, info)
    except (struct.error, IndexError, ValueError) as error:
        raise PhotoError(f"{_NAME}: damaged {kind} file; needs a whole one. Copy it again.") from error


def _metadata(data: bytes, kind: str) -> dict[str, Any]:
    """Orientation, focal length and the raw blocks of a file, as Pillow finds them; its pixels stay coded."""
    if kind == "HEIC":
        import pillow_heif  # late: 30 ms that a JPEG need not pay

        pillow_heif.register_heif_opener(thumbnails=False)
    formats = {"JPEG": ("JPEG", "MPO"), "WebP": ("WEBP",), "HEIC": ("HEIF",)}.get(kind, (kind,))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            image = Image.open(io.BytesIO(data), formats=formats)
        except Exception as error:  # hostile bytes make decoders fail in any way they like
            raise PhotoError(f"{_NAME}: damaged {kind} file; needs a whole one. Copy it again.") from error
        found: dict[str, Any] = {"exif": image.info.get("exif"), "xmp": image.info.get("xmp")}
        try:
            exif = image.getexif()
            found["orientation"] = exif.get(ExifTags.Base.Orientation, 1)
            found["focal"] = exif.get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.FocalLengthIn35mmFilm)
        except Exception:  # no photo is refused for damaged metadata: it is dropped anyway
            found.setdefault("orientation", 1)
    if kind == "HEIC":
        # The opener above resets the orientation in its own copy of the block; this one is as in the file.
        raw = pillow_heif.open_heif(data, convert_hdr_to_8bit=False).info
        found |= {"exif": raw.get("exif"), "xmp": raw.get("xmp")}
        found["more"] = [item["data"] for item in raw.get("metadata") or ()]
    return found


def _exif(info: dict[str, Any]) -> bytes | None:
    """
    A TIFF block (JEITA CP-3451) of orientation and 35-mm focal length only; None where both say nothing.
    """
    turn, focal = info.get("orientation", 1), info.get("focal")
    turn = turn if isinstance(turn, int) and 1 <= turn <= 8 else 1
    focal = int(focal) if isinstance(focal, int | float) and 0 < focal < 10_000 else 0
    if turn == 1 and not focal:
        return None
    entry = struct.Struct("<HHIHH")
    first = [entry.pack(0x0112, 3, 1, turn, 0)]
    if focal:
        first.append(struct.pack("<HHII", 0x8769, 4, 1, 8 + 2 + 24 + 4))
    block = b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", len(first)) + b"".join(first) + bytes(4)
    if focal:
        block += struct.pack("<H", 1) + entry.pack(0xA405, 3, 1, focal, 0) + bytes(4)
    return block


def _jpeg(data: bytes, exif: bytes | None) -> bytes:
    """
    Segments of ITU-T T.81 annex B: all application data and comments out but JFIF, colour profile, Adobe.
    """
    out = [b"\xff\xd8"]
    if exif is not None:
        body = b"Exif\0\0" + exif
        out.append(b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body)
    at = 2
    while True:
        if data[at] != 0xFF:
            raise ValueError("no marker")
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if marker == 0xD9:
            # What follows the picture (a second picture, a film) is left out.
            out.append(b"\xff\xd9")
            return b"".join(out)
        end = at + 2 + struct.unpack_from(">H", data, at + 2)[0]
        if end > len(data):
            raise ValueError("cut short")
        body = data[at + 4 : end]
        kept = (
            not (0xE0 <= marker <= 0xEF or marker == 0xFE)
            or (marker == 0xE0 and body[:5] == b"JFIF\0")
            or (marker == 0xE2 and body[:12] == b"ICC_PROFILE\0")
            or (marker == 0xEE and body[:5] == b"Adobe")
        )
        if kept:
            # A JFIF segment can carry a thumbnail behind its 14 bytes.
            out.append(b"\xff\xe0\x00\x10" + body[:12] + b"\0\0" if marker == 0xE0 else data[at:end])
        at = end
        if marker == 0xDA:
            at = _scan_end(data, end)
            out.append(data[end:at])


def _scan_end(data: bytes, at: int) -> int:
    """
    Where the entropy-coded data that starts here ends: at a marker that is neither stuffed nor a restart.
    """
    while True:
        at = data.index(b"\xff", at)
        following = data[at + 1]
        if following == 0 or 0xD0 <= following <= 0xD7:
            at += 2
        elif following == 0xFF:
            at += 1
        else:
            return at


def _png(data: bytes, exif: bytes | None) -> bytes:
    """Chunks of the PNG specification: only those that the picture and its colours need."""
    out, at = [data[:8]], 8
    while True:
        (length,) = struct.unpack_from(">I", data, at)
        kind = data[at + 4 : at + 8]
        end = at + 12 + length
        if end > len(data):
            raise ValueError("cut short")
        if kind == b"IDAT" and exif is not None:
            out.append(_chunk(b"eXIf", exif))
            exif = None
        if kind in _PNG_KEPT:
            out.append(data[at:end])
        at = end
        if kind == b"IEND":
            return b"".join(out)


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _webp(data: bytes, exif: bytes | None) -> bytes:
    """Chunks of RFC 9649: EXIF and XMP out, their flags with them."""
    out, at = [], 12
    end = min(len(data), 8 + struct.unpack_from("<I", data, 4)[0])
    extended = False
    while at + 8 <= end:
        kind = data[at : at + 4]
        (length,) = struct.unpack_from("<I", data, at + 4)
        stop = at + 8 + length + (length & 1)
        if at + 8 + length > len(data):
            raise ValueError("cut short")
        chunk = bytearray(data[at:stop])
        if kind == b"VP8X":
            extended = True
            chunk[8] &= ~(_EXIF_FLAG | _XMP_FLAG) & 0xFF
            chunk[8] |= _EXIF_FLAG if exif is not None else 0
        if kind in _WEBP_KEPT:
            out.append(bytes(chunk))
        at = stop
    if exif is not None and extended:
        out.append(b"EXIF" + struct.pack("<I", len(exif)) + exif + bytes(len(exif) & 1))
    body = b"WEBP" + b"".join(out)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _heic(data: bytes, info: dict[str, Any]) -> bytes:
    """
    EXIF and XMP items overwritten where they lie, so that no offset in the file changes.

    The picture is turned by its own box (ISO/IEC 23008-12 6.5.10), not by EXIF, so only the focal length
    stays.
    """
    out = bytearray(data)
    if info.get("exif"):
        raw = bytes(info["exif"]).removeprefix(b"Exif\0\0")
        new = _exif({"focal": info.get("focal")}) or _EMPTY_EXIF
        _overwrite(out, raw, new if len(new) <= len(raw) else _EMPTY_EXIF, b"\0")
    for block in (info.get("xmp"), *info.get("more", ())):
        if block:
            _overwrite(out, block.encode() if isinstance(block, str) else bytes(block), b"", b" ")
    return bytes(out)


_EMPTY_EXIF: Final = b"II*\0\x08\0\0\0\0\0\0\0\0\0"
"""A TIFF block with no entry."""


def _overwrite(out: bytearray, old: bytes, new: bytes, filling: bytes) -> None:
    """Put ``new`` in the place of every ``old``, filled up to its length."""
    at = out.find(old)
    if at < 0:
        raise PhotoError(
            f"{_NAME}: HEIC file whose capture data cannot be taken out; export it as JPEG and send that."
        )
    while at >= 0:
        out[at : at + len(old)] = new[: len(old)].ljust(len(old), filling)
        at = out.find(old, at + len(old))


def _as_png(data: bytes, limits: PhotoLimits) -> bytes:
    photo = decode_photo(data, name=_NAME, limits=limits)
    target = io.BytesIO()
    Image.fromarray(photo.pixels).save(target, "PNG", compress_level=3)
    return target.getvalue()
