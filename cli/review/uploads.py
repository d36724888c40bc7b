"""
An upload from the network to a file: streamed to disk as it comes, within limits, under a name of our own.

Edge module: writes files. Of what a client sends, neither the file's name nor its declared type is used; what
the bytes are is decided later by looking at them.
"""

from __future__ import annotations

import asyncio
import os
import secrets
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final

from python_multipart.exceptions import FormParserError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.concurrency import run_in_threadpool

from crestgauge.cli.review.errors import Refused
from crestgauge.inference.errors import LedgerError

if TYPE_CHECKING:
    from python_multipart.multipart import MultipartCallbacks

INCOMING: Final = "incoming"
"""Folder of the photo folder where unfinished uploads lie."""
FIELD_BYTES: Final = 4096
"""A text field of the form is shorter."""
MOST_PARTS: Final = 12
WRITE_BYTES: Final = 1 << 20
"""Collected in memory before it is written. [byte]"""
STALL_S: Final = 30.0
"""A phone that sends nothing for so long is gone. [s]"""
STALE_S: Final = 3600.0
"""Unfinished uploads older than this are left over from a server that was killed. [s]"""


@dataclass(slots=True)
class Upload:
    """
    A form that was received.

    Parameters
    ----------
    fields : dict of str to str
        Text fields.
    path : Path or None
        The file, complete, None where the form held none. The caller removes it.
    size : int
        Its size. [byte]
    """

    fields: dict[str, str] = field(default_factory=dict)
    path: Path | None = None
    size: int = 0


@dataclass(slots=True)
class _Part:
    """The part of the form that is being received."""

    headers: dict[str, bytes] = field(default_factory=dict)
    header: bytes = b""
    value: bytes = b""
    name: str = ""
    is_file: bool = False
    text: bytearray = field(default_factory=bytearray)


class _Receiver:
    """Takes the parser's events; keeps bytes that wait to be written."""

    def __init__(self, file_field: str, max_bytes: int, may_send: Callable[[dict[str, str]], None]) -> None:
        self.upload = Upload()
        self.file_field, self.max_bytes, self.may_send = file_field, max_bytes, may_send
        self.waiting = bytearray()
        self.part = _Part()
        self.parts = 0
        self.files = 0
        self.done = False

    def callbacks(self) -> MultipartCallbacks:
        return {
            "on_part_begin": self.part_begin,
            "on_header_field": self.header_field,
            "on_header_value": self.header_value,
            "on_header_end": self.header_end,
            "on_headers_finished": self.headers_finished,
            "on_part_data": self.part_data,
            "on_part_end": self.part_end,
            "on_end": self.end,
        }

    def part_begin(self) -> None:
        self.parts += 1
        if self.parts > MOST_PARTS:
            raise Refused(400, "form: too many parts; needs the form of the page.")
        self.part = _Part()

    def header_field(self, data: bytes, start: int, end: int) -> None:
        self.part.header += data[start:end]

    def header_value(self, data: bytes, start: int, end: int) -> None:
        self.part.value += data[start:end]

    def header_end(self) -> None:
        self.part.headers[self.part.header.decode("latin-1").lower()] = self.part.value
        self.part.header = self.part.value = b""

    def headers_finished(self) -> None:
        _, options = parse_options_header(self.part.headers.get("content-disposition", b""))
        self.part.name = options.get(b"name", b"").decode("utf-8", "replace")
        self.part.is_file = b"filename" in options
        if self.part.is_file and self.part.name != self.file_field:
            raise Refused(400, f"form: a file in a field that takes none; needs it in {self.file_field!r}.")

    def part_data(self, data: bytes, start: int, end: int) -> None:
        if not self.part.is_file:
            self.part.text += data[start:end]
            if len(self.part.text) > FIELD_BYTES:
                raise Refused(413, f"form: a field longer than {FIELD_BYTES} bytes.")
            return
        if end > start and not self.part.text:
            # First bytes of a file: an empty file field, as a browser sends it, never gets here.
            self.part.text += b"."
            self.files += 1
            if self.files > 1:
                raise Refused(400, "form: two files; needs one photo at a time.")
            self.may_send(self.upload.fields)
        self.upload.size += end - start
        if self.upload.size > self.max_bytes:
            raise Refused(
                413,
                f"photo: larger than {self.max_bytes / 2**20:.0f} MB. Send a smaller copy.",
            )
        self.waiting += data[start:end]

    def part_end(self) -> None:
        if not self.part.is_file:
            self.upload.fields[self.part.name] = self.part.text.decode("utf-8", "replace")

    def end(self) -> None:
        self.done = True


async def receive(
    chunks: AsyncIterator[bytes],
    content_type: str,
    folder: Path,
    *,
    file_field: str,
    max_bytes: int,
    may_send: Callable[[dict[str, str]], None],
) -> Upload:
    """
    Receive one form with one file.

    Parameters
    ----------
    chunks : async iterator of bytes
        The body.
    content_type : str
        Its header.
    folder : Path
        Where the file lies meanwhile, under a random name, readable by the owner only; made if missing.
    max_bytes : int
        Of the file.
    may_send : callable
        Called with the text fields before the first byte of the file is kept; raises to refuse it.

    Raises
    ------
    Refused
        If the form is not whole, too large, or stalls. Nothing of it is left on disk then.
    LedgerError
        If the disk refuses.
    """
    kind, options = parse_options_header(content_type)
    if kind != b"multipart/form-data" or not options.get(b"boundary"):
        raise Refused(415, "form: needs multipart/form-data, as the page sends it.")
    receiver = _Receiver(file_field, max_bytes, may_send)
    parser = MultipartParser(options[b"boundary"], receiver.callbacks())
    file: IO[bytes] | None = None
    path = folder / f"{secrets.token_hex(16)}.part"
    try:
        iterator = aiter(chunks)
        while True:
            try:
                chunk = await asyncio.wait_for(anext(iterator), STALL_S)
            except StopAsyncIteration:
                break
            except TimeoutError as error:
                raise Refused(408, "photo: the device stopped sending. Send it again.") from error
            parser.write(chunk)
            if len(receiver.waiting) >= WRITE_BYTES:
                file = await run_in_threadpool(_write, file, path, receiver)
        parser.finalize()
        if not receiver.done:
            raise Refused(400, "photo: the upload broke off. Send it again.")
        if receiver.waiting:
            file = await run_in_threadpool(_write, file, path, receiver)
    except FormParserError as error:
        _drop(file, path)
        raise Refused(400, "form: not whole. Send it again.") from error
    except OSError as error:
        _drop(file, path)
        raise LedgerError(
            f"the photo cannot be kept ({error.strerror or error}). Free some space on the computer; nothing "
            "was filed."
        ) from error
    except BaseException:
        _drop(file, path)
        raise
    if file is not None:
        file.close()
        receiver.upload.path = path
    return receiver.upload


def _write(file: IO[bytes] | None, path: Path, receiver: _Receiver) -> IO[bytes]:
    if file is None:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        file = os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb")
    file.write(receiver.waiting)
    receiver.waiting.clear()
    return file


def _drop(file: IO[bytes] | None, path: Path) -> None:
    if file is not None:
        file.close()
    path.unlink(missing_ok=True)


def clear_stale(folder: Path) -> int:
    """Remove unfinished uploads that nobody sends any more; how many there were."""
    count = 0
    for path in folder.glob("*.part") if folder.is_dir() else ():
        try:
            if path.stat().st_mtime < time.time() - STALE_S:
                path.unlink()
                count += 1
        except OSError:
            continue  # another server was faster
    return count
