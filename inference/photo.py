"""
Intake: one picture file becomes one upright 8-bit sRGB picture, or one sentence saying why it cannot.

Edge module: reads files. What a file is, is decided by its first bytes and never by its name. Positions
(GPS), serial numbers and embedded thumbnails stay in the file: nothing of them is kept.
"""

from __future__ import annotations

import hashlib
import io
import os
import stat
import warnings
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageCms, TiffImagePlugin

from crestgauge.inference.errors import PhotoError

Pixels = NDArray[np.uint8]

NEEDS: Final = "needs one still JPEG, PNG, TIFF, WebP or HEIC picture"


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoLimits:
    """
    What intake accepts. All limits are ours, chosen so that no file can exhaust a small laptop.

    Parameters
    ----------
    max_pixels : int
        Width x height. 120 million admits the 108-megapixel phones (12000 x 9000) and keeps one photo under
        400 MB of memory; the header is checked before anything is decoded. [px]
    min_side : int
        A shorter side than this holds no picture at all. Whether a photo shows teeth large enough is another
        question, answered by the fit check. [px]
    max_bytes : int
        Size of the file. 256 MiB holds a 16-bit uncompressed TIFF of 40 megapixels. [byte]
    """

    max_pixels: int = 120_000_000
    min_side: int = 64
    max_bytes: int = 256 * 1024 * 1024


LIMITS: Final = PhotoLimits()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """
    One upright photograph.

    Parameters
    ----------
    file : str
        Name of the file, without its folder.
    sha256 : str
        Hash of the file's bytes, hexadecimal: the photo's identity in every record.
    pixels : ndarray of uint8, shape (H, W, 3)
        sRGB, upright (EXIF orientation applied), read-only.
    format : str
        What the bytes are: "JPEG", "PNG", "TIFF", "WebP" or "HEIC".
    taken : str or None
        EXIF date and time of capture as the camera wrote it, "YYYY:MM:DD HH:MM:SS".
    camera : str or None
        EXIF make and model.
    focal_35mm : float or None
        EXIF focal length in 35-mm terms; tells a very near camera from a far one. [mm]
    notes : tuple of str
        What intake had to change, one phrase each, for example "greyscale".
    """

    file: str
    sha256: str
    pixels: Pixels = field(repr=False)
    format: str
    taken: str | None = None
    camera: str | None = None
    focal_35mm: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def width(self) -> int:
        """Width of the upright photo. [px]"""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Height of the upright photo. [px]"""
        return int(self.pixels.shape[0])


def read_photo(path: str | os.PathLike[str], limits: PhotoLimits = LIMITS) -> Photo:
    """
    Read one picture file.

    Raises
    ------
    PhotoError
        If it is missing, no regular file, empty, too large, or fails `decode_photo`.
    """
    path = Path(path)
    try:
        facts = path.stat()
        if not stat.S_ISREG(facts.st_mode):
            raise PhotoError(f"{path}: not a regular file; {NEEDS}.")
        if facts.st_size > limits.max_bytes:
            raise PhotoError(
                f"{path}: {facts.st_size / 2**20:.0f} MiB; needs at most {limits.max_bytes / 2**20:.0f} MiB. "
                "Export it as JPEG."
            )
        data = path.read_bytes()
    except OSError as error:
        raise PhotoError(f"{path}: cannot be read ({error.strerror or error}); {NEEDS}.") from error
    return decode_photo(data, name=str(path), limits=limits)


def decode_photo(data: bytes, *, name: str, limits: PhotoLimits = LIMITS) -> Photo:
    """
    Decode the bytes of one picture file.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        How messages call it; its last part becomes `Photo.file`.
    limits : PhotoLimits

    Raises
    ------
    PhotoError
        If the bytes are empty, of another kind, damaged, cut short, animated, outside the limits, or in a
        colour mode without one right reading.
    """
    if not data:
        raise PhotoError(f"{name}: 0 bytes; {NEEDS}. Copy the file again.")
    if len(data) > limits.max_bytes:
        raise PhotoError(
            f"{name}: {len(data) / 2**20:.0f} MiB; needs at most {limits.max_bytes / 2**20:.0f} MiB. "
            "Export it as JPEG."
        )
    kind = sniff(data)
    if kind not in _PILLOW_FORMATS:
        raise PhotoError(
            f"{name}: {_KNOWN_OTHERS.get(kind, 'not a picture file that is read here')}; {NEEDS}."
        )
    with warnings.catch_warnings():
        # Pillow warns of what is checked here by our own limits, and of odd metadata that is dropped anyway.
        warnings.simplefilter("ignore")
        image = _open(data, kind, name)
        _check_header(image, kind, name, limits)
        pixels, notes = _decode(image, data, kind, name)
        # TIFF and HEIC turn the picture while decoding and then clear the tag, so it is read only now.
        exif = _exif(image)
        pixels = _upright(pixels, exif.get(ExifTags.Base.Orientation, 1))
    pixels.flags.writeable = False
    taken, camera, focal = _capture_facts(exif)
    return Photo(
        file=Path(name).name,
        sha256=hashlib.sha256(data).hexdigest(),
        pixels=pixels,
        format=kind,
        taken=taken,
        camera=camera,
        focal_35mm=focal,
        notes=notes,
    )


_PILLOW_FORMATS: Final = {
    "JPEG": ("JPEG", "MPO"),
    "PNG": ("PNG",),
    "TIFF": ("TIFF",),
    "WebP": ("WEBP",),
    "HEIC": ("HEIF",),
}
_KNOWN_OTHERS: Final = {
    "GIF": "a GIF file",
    "BMP": "a BMP file",
    "AVIF": "an AVIF file",
    "PDF": "a PDF document",
    "video": "a video",
    "text": "a text file",
    "raw": "a raw camera file",
}
_HEIC_BRANDS: Final = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")


def sniff(data: bytes) -> str:
    """
    Kind of a file by its first bytes: a key of the accepted formats, a known other kind, or "unknown".

    Signatures: JPEG (ITU-T T.81 B.1.1.3), PNG (W3C PNG 5.2), TIFF 6.0 section 2, WebP (RFC 9649 2.4),
    HEIF brands (ISO/IEC 23008-12 10.2).
    """
    if data[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WebP"
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "raw" if data[8:10] == b"CR" else "TIFF"
    if data[4:8] == b"ftyp":
        brands = [data[8:12], *(data[i : i + 4] for i in range(16, min(len(data), 64), 4))]
        if b"avif" in brands or b"avis" in brands:
            return "AVIF"
        return "HEIC" if brands[0] in _HEIC_BRANDS else "video"
    for kind, start in (("GIF", b"GIF8"), ("BMP", b"BM"), ("PDF", b"%PDF")):
        if data.startswith(start):
            return kind
    if all(32 <= byte < 127 or byte in b"\t\r\n" for byte in data[:64]):
        return "text"
    return "unknown"


def _open(data: bytes, kind: str, name: str) -> Image.Image:
    """Read the header only; nothing is decoded yet."""
    if kind == "HEIC":
        import pillow_heif  # late: 30 ms that a JPEG need not pay

        pillow_heif.register_heif_opener(thumbnails=False)
    try:
        return Image.open(io.BytesIO(data), formats=_PILLOW_FORMATS[kind])
    except Image.DecompressionBombError as error:
        raise PhotoError(
            f"{name}: {error}; needs at most {LIMITS.max_pixels / 1e6:.0f} megapixels."
        ) from error
    except Exception as error:  # hostile bytes make decoders fail in any way they like
        raise _damaged(name, kind, error) from error


def _check_header(image: Image.Image, kind: str, name: str, limits: PhotoLimits) -> None:
    """Refuse by size and number of pictures before any pixel is decoded."""
    width, height = image.size
    if width * height > limits.max_pixels:
        raise PhotoError(
            f"{name}: {width} x {height} px ({width * height / 1e6:.0f} megapixels); needs at most "
            f"{limits.max_pixels / 1e6:.0f} megapixels. Save a smaller copy."
        )
    if min(width, height) < limits.min_side:
        raise PhotoError(
            f"{name}: {width} x {height} px; needs at least {limits.min_side} px on the short side."
        )
    # JPEG files of two pictures are phone photos with a depth or gain map behind the picture: the first
    # counts. HEIC files name a primary picture, which is the one that opens.
    try:
        frames = 1 if kind in ("JPEG", "HEIC") else int(getattr(image, "n_frames", 1))
        reduced = isinstance(image, TiffImagePlugin.TiffImageFile) and bool(image.tag_v2.get(254, 0) & 1)
    except Exception as error:  # hostile bytes make decoders fail in any way they like
        raise _damaged(name, kind, error) from error
    if frames > 1:
        what = "pages" if kind == "TIFF" else "animation frames"
        raise PhotoError(
            f"{name}: {kind} with {frames} {what}; needs one still picture. Save the one you mean."
        )
    if reduced:
        raise PhotoError(f"{name}: a raw camera file (its first picture is a preview); {NEEDS}.")


def _decode(image: Image.Image, data: bytes, kind: str, name: str) -> tuple[Pixels, tuple[str, ...]]:
    """Pixels (H, W, 3) in sRGB, not yet turned, and what had to be changed."""
    profile = image.info.get("icc_profile")
    if kind == "JPEG" and image.mode in ("RGB", "L"):
        notes: tuple[str, ...] = ("greyscale",) if image.mode == "L" else ()
        pixels = _decode_jpeg(data, image.size, name)
        if image.mode == "RGB" and profile:
            notes += _convert_rows(pixels, profile)
        return pixels, notes
    try:
        image.load()
    except Exception as error:  # hostile bytes make decoders fail in any way they like
        raise _damaged(name, kind, error) from error
    plain, notes = _to_rgb(image, profile, name)
    pixels = _rows_of(plain)
    if profile and plain is image:
        notes += _convert_rows(pixels, profile)
    return pixels, notes


def _decode_jpeg(data: bytes, size: tuple[int, int], name: str) -> Pixels:
    """
    Decode with OpenCV: straight into 3 bytes per pixel, where Pillow needs 4 and a copy.

    OpenCV fills what is missing with grey and says nothing, so the end-of-image marker is looked for first,
    behind the start of the first scan: it cannot occur inside entropy-coded data (ITU-T T.81 B.1.1.5).
    """
    if data.find(b"\xff\xd9", _first_scan(data)) < 0:
        raise PhotoError(
            f"{name}: JPEG cut short (no end-of-image marker); needs the whole file. Copy it again."
        )
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error as error:
        raise _damaged(name, "JPEG", error) from error
    if pixels is None or (pixels.shape[1], pixels.shape[0]) != size:
        raise PhotoError(
            f"{name}: damaged JPEG (no picture could be decoded); needs a whole file. Copy it again."
        )
    return np.ascontiguousarray(pixels, dtype=np.uint8)


def _first_scan(data: bytes) -> int:
    """Offset of the first start-of-scan marker, or the end of the data. Skips thumbnails inside EXIF."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        if data[at + 1] == 0xDA:
            return at
        fill = data[at + 1] == 0xFF
        at += 1 if fill else 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return len(data)


def _to_rgb(image: Image.Image, profile: bytes | None, name: str) -> tuple[Image.Image, tuple[str, ...]]:
    """The picture in mode RGB: itself where it is so already, else a converted copy."""
    mode = image.mode
    if mode == "RGB" and "transparency" not in image.info:
        return image, ()
    if mode in ("I;16", "I;16B", "I;16L", "I"):
        grey = np.asarray(image)
        if mode == "I" and (grey.min() < 0 or grey.max() > 65535):
            raise PhotoError(f"{name}: 32-bit greyscale; needs 8 or 16 bits. Save it as 8-bit.")
        # 65535 is white by the formats' own rule, so 257 steps make one: no stretching to the range used.
        return Image.fromarray(((grey.astype(np.uint32) + 128) // 257).astype(np.uint8)).convert("RGB"), (
            "greyscale",
            "16 bits reduced to 8",
        )
    if mode in ("RGBA", "LA", "PA", "La", "RGBa", "P", "RGB", "L") and (
        mode in ("RGBA", "LA", "PA", "La", "RGBa") or "transparency" in image.info
    ):
        return _on_white(image)
    if mode == "P":
        return image.convert("RGB"), ("palette colours",)
    if mode == "CMYK":
        converted = _profile_to_srgb(image, profile) if profile else None
        if converted is not None:
            return converted, ("CMYK converted by its colour profile",)
        return image.convert("RGB"), ("CMYK without a usable colour profile: colours are approximate",)
    if mode in ("L", "1"):
        return image.convert("RGB"), ("greyscale",)
    if mode == "YCbCr":
        return image.convert("RGB"), ()
    raise PhotoError(
        f"{name}: colour mode {mode}; needs RGB, greyscale, palette or CMYK. Save it as 8-bit RGB."
    )


def _on_white(image: Image.Image) -> tuple[Image.Image, tuple[str, ...]]:
    """Composite a picture with transparency on white, as paper would show it."""
    rgba = image.convert("RGBA")
    lowest = rgba.getchannel("A").getextrema()[0]
    if lowest == 255:
        return rgba.convert("RGB"), ()
    white = Image.new("RGBA", rgba.size, "white")
    return Image.alpha_composite(white, rgba).convert("RGB"), ("transparent parts shown on white",)


def _profile_to_srgb(image: Image.Image, profile: bytes) -> Image.Image | None:
    """The picture in sRGB by its own ICC profile, None where the profile cannot be used."""
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        return ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return None


_STRIP_ROWS: Final = 256
"""Rows converted at a time, so that the extra memory stays small beside the picture's."""


def _convert_rows(pixels: Pixels, profile: bytes) -> tuple[str, ...]:
    """Convert RGB pixels in place from their ICC profile to sRGB; nothing to do where they are sRGB."""
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        if "srgb" in ImageCms.getProfileDescription(source).lower():
            return ()
        transform = ImageCms.buildTransform(source, ImageCms.createProfile("sRGB"), "RGB", "RGB")
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return ("colour profile cannot be used: colours taken as sRGB",)
    for top in range(0, pixels.shape[0], _STRIP_ROWS):
        strip = pixels[top : top + _STRIP_ROWS]
        strip[...] = np.asarray(ImageCms.applyTransform(Image.fromarray(strip), transform))
    return ("converted to sRGB by its colour profile",)


def _rows_of(image: Image.Image) -> Pixels:
    """Array of an RGB picture, copied strip by strip."""
    width, height = image.size
    pixels = np.empty((height, width, 3), dtype=np.uint8)
    for top in range(0, height, _STRIP_ROWS):
        bottom = min(top + _STRIP_ROWS, height)
        pixels[top:bottom] = np.asarray(image.crop((0, top, width, bottom)))
    return pixels


def _upright(pixels: Pixels, orientation: object) -> Pixels:
    """Turn and mirror by the EXIF orientation (JEITA CP-3451, tag 274); an unknown value changes nothing."""
    if orientation in (5, 6, 7, 8):
        pixels = np.asarray(cv2.transpose(pixels), dtype=np.uint8)
    # OpenCV's codes: 1 reverses columns, 0 rows, -1 both.
    flips: dict[object, int] = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}
    flip = flips.get(orientation)
    return np.ascontiguousarray(pixels if flip is None else cv2.flip(pixels, flip), dtype=np.uint8)


def _exif(image: Image.Image) -> Image.Exif:
    """EXIF tags, empty where they are damaged: no photo is refused for its metadata."""
    try:
        return image.getexif()
    except Exception:  # hostile bytes make parsers fail in any way they like
        return Image.Exif()


def _capture_facts(exif: Image.Exif) -> tuple[str | None, str | None, float | None]:
    """Date of capture, camera and focal length in 35-mm terms; nothing else leaves the EXIF block."""
    try:
        details = exif.get_ifd(ExifTags.IFD.Exif)
    except Exception:  # hostile bytes make parsers fail in any way they like
        details = {}
    taken = _text(details.get(ExifTags.Base.DateTimeOriginal)) or _text(exif.get(ExifTags.Base.DateTime))
    words = [_text(exif.get(tag)) for tag in (ExifTags.Base.Make, ExifTags.Base.Model)]
    camera = " ".join(word for word in words if word) or None
    focal = details.get(ExifTags.Base.FocalLengthIn35mmFilm)
    usable = isinstance(focal, int | float) and 0 < focal < 10_000
    return taken, camera, float(focal) if usable and focal is not None else None


def _text(value: object) -> str | None:
    """A short printable EXIF text, else None."""
    if not isinstance(value, str):
        return None
    kept = "".join(letter for letter in value if letter.isprintable()).strip()
    return kept[:64] or None


def _damaged(name: str, kind: str, error: Exception) -> PhotoError:
    """One sentence for whatever a decoder threw."""
    found = " ".join(str(error).split())[:120] or type(error).__name__
    return PhotoError(f"{name}: damaged {kind} ({found}); needs a whole file. Copy it again.")
