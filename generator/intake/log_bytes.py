"""Stored bytes of a log -> its text as UTF-8 bytes, or a clear refusal.

A log is only ever opened for reading. What it is (text, gzip, zstd, Parquet) is told from its first bytes,
not from its name, since downloads and copies change names more often than contents.
"""

from __future__ import annotations

import codecs
import hashlib
import os
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path
from typing import Protocol

import zstandard

from generator.intake.problems import Problem, SeasonProblems

MAX_BYTES = 2 * 1024**3
# Bench logs compress 3 to 50 times (common practice, no source). Beyond this the file is made to fill memory.
MAX_RATIO = 250
RATIO_FREE_BYTES = 64 * 1024**2
# A zstd block of 4 bytes may stand for 128 KiB (RFC 8878, 3.1.1.2), so this piece opens to 32 MiB at most.
_PIECE_BYTES = 1024
_STORED_CHUNK = 1 << 20
_SNIFFED_BYTES = 1 << 16
_CONTROL = bytes(code for code in range(32) if code not in b"\t\n\r\f\x1a")

# Codecs of the language that are no encodings of a text: some take hours over a long one, some read what is not there.
_NO_ENCODINGS = {"idna", "punycode", "unicode_escape", "raw_unicode_escape", "undefined", "utf_7", "u7"}

_SPREADSHEET_OR_ZIP = b"PK\x03\x04"
_GZIP = b"\x1f\x8b"
_ZSTD = b"\x28\xb5\x2f\xfd"
_PARQUET = b"PAR1"
_MDF = b"MDF "  # ASAM MDF 4, identification block
_MDF_4 = b"4."


class _Decompressor(Protocol):
    @property
    def eof(self) -> bool: ...

    @property
    def unused_data(self) -> bytes: ...

    def decompress(self, data: bytes, /) -> bytes: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredLog:
    """A log as it lies on the disk.

    sha256     of the bytes as stored
    container  "text", "gzip", "zstd", "parquet" or "mdf"
    data       decompressed bytes; empty for Parquet and MDF, which are read by column
    """

    sha256: str
    container: str
    data: bytes


def refusal(shown: str, what: str, remedy: str, *, line: int | None = None, key: str = "") -> SeasonProblems:
    """One problem that ends the reading of this log."""
    return SeasonProblems([Problem(file=shown, line=line, key=key, what=what, remedy=remedy)])


def sha256_of(file: Path) -> str:
    """Checksum of a file's bytes as stored. Raises OSError."""
    with file.open("rb") as stored:
        return hashlib.file_digest(stored, "sha256").hexdigest()


def load(file: Path, *, shown: str, max_bytes: int = MAX_BYTES) -> StoredLog:
    """Read and, where needed, decompress a log.

    Raises SeasonProblems when it is not a readable file, is damaged, or opens to more than `max_bytes`.
    """
    try:
        if file.is_dir():
            raise refusal(shown, "is a folder, not a log.", "Name the log file inside it.")
        if not file.is_file():
            what = "is not a regular file." if file.exists() else "does not exist."
            raise refusal(shown, what, "Check the name under `runs`, and that the log was copied here.")
        with file.open("rb") as stored:
            return _load(stored, file.stat().st_size, shown, max_bytes)
    except (OSError, ValueError) as fault:
        reason = fault.strerror if isinstance(fault, OSError) and fault.strerror else "not a usable file name"
        raise refusal(shown, f"cannot be opened: {reason}.", "Check the file and its permissions.") from None


def _load(stored: BufferedReader, size: int, shown: str, max_bytes: int) -> StoredLog:
    if size == 0:
        raise refusal(shown, "is empty (0 bytes).", "Copy the log again, or take the run out of `runs`.")
    head = stored.read(4)
    stored.seek(0)
    if head.startswith(_SPREADSHEET_OR_ZIP):
        raise refusal(
            shown, "is a spreadsheet or a zip archive.", "Export the table as delimited text (CSV)."
        )
    if head == _PARQUET:
        return StoredLog(
            sha256=hashlib.file_digest(stored, "sha256").hexdigest(), container="parquet", data=b""
        )
    if size > max_bytes:
        raise _too_large(shown, max_bytes)
    if head == _MDF and stored.peek(10)[8:10] == _MDF_4:
        digested = hashlib.file_digest(stored, "sha256").hexdigest()
        return StoredLog(sha256=digested, container="mdf", data=b"")
    digest = hashlib.sha256()
    if head[:2] == _GZIP or head == _ZSTD:
        container = "gzip" if head[:2] == _GZIP else "zstd"
        data = b"".join(_decompressed(_hashed(stored, digest), container, shown, max_bytes))
        return StoredLog(sha256=digest.hexdigest(), container=container, data=data)
    data = stored.read(size + 1)
    if len(data) > size:
        raise refusal(shown, "is still being written to.", "Wait until the logger has closed it.")
    digest.update(data)
    return StoredLog(sha256=digest.hexdigest(), container="text", data=data)


class OpenedText:
    """A long text log under way. pieces: its bytes, decompressed; its checksum is known when all are taken.

    stored_bytes  its size as stored
    """

    def __init__(
        self, container: str, pieces: Iterator[bytes], digest: hashlib._Hash, stored_bytes: int
    ) -> None:
        self.container, self.pieces, self._digest = container, pieces, digest
        self.stored_bytes = stored_bytes

    def sha256(self) -> str:
        """Checksum of the bytes taken so far, as stored."""
        return self._digest.hexdigest()


@contextmanager
def opened_text(file: Path, *, shown: str, max_bytes: int, at_least: int) -> Iterator[OpenedText | None]:
    """A text log, packed or not, as pieces; None for a shorter one and for anything else, which `load` tells of.

    at_least  bytes as stored
    Taking the pieces raises as `load` does.
    """
    try:
        stored = file.open("rb") if file.is_file() and at_least <= file.stat().st_size <= max_bytes else None
    except (OSError, ValueError):
        stored = None
    if stored is None:
        yield None
        return
    with stored:
        head, size = stored.peek(4)[:4], os.fstat(stored.fileno()).st_size
        digest = hashlib.sha256()
        if head[:2] == _GZIP or head == _ZSTD:
            container = "gzip" if head[:2] == _GZIP else "zstd"
            pieces = _decompressed(_hashed(stored, digest), container, shown, max_bytes)
            yield OpenedText(container, pieces, digest, size)
        elif head in (_PARQUET, _MDF) or head.startswith(_SPREADSHEET_OR_ZIP):
            yield None
        else:
            yield OpenedText("text", _chunks(stored, digest), digest, size)


def _chunks(stored: BufferedReader, digest: hashlib._Hash) -> Iterator[bytes]:
    while chunk := stored.read(_STORED_CHUNK):
        digest.update(chunk)
        yield chunk


def _too_large(shown: str, max_bytes: int) -> SeasonProblems:
    what = f"holds more than {max_bytes / 1e6:,.0f} MB of data."
    return refusal(shown, what, "Split the log, or leave out columns that no channel of the rig uses.")


def _hashed(stored: BufferedReader, digest: hashlib._Hash) -> Iterator[bytes]:
    for chunk in _chunks(stored, digest):
        for start in range(0, len(chunk), _PIECE_BYTES):
            yield chunk[start : start + _PIECE_BYTES]


def _new_decompressor(container: str) -> _Decompressor:
    if container == "gzip":
        return zlib.decompressobj(wbits=31)
    return zstandard.ZstdDecompressor().decompressobj()


def _decompressed(pieces: Iterator[bytes], container: str, shown: str, max_bytes: int) -> Iterator[bytes]:
    """The pieces opened; several members or frames one after another are allowed, as both formats allow them."""
    stored_bytes = opened_bytes = 0
    opener, fresh = _new_decompressor(container), True
    for piece in pieces:
        stored_bytes += len(piece)
        rest = piece
        while rest:
            if fresh and not rest.strip(b"\0"):  # padding after the last member
                break
            try:
                opened = opener.decompress(rest)
            except (zlib.error, zstandard.ZstdError) as fault:
                what = f"is damaged: its {container} data cannot be read ({fault})."
                raise refusal(shown, what, "Copy the log again from the logger.") from None
            opened_bytes += len(opened)
            if opened_bytes > max_bytes:
                raise _too_large(shown, max_bytes)
            if opened_bytes > RATIO_FREE_BYTES and opened_bytes > MAX_RATIO * stored_bytes:
                what = f"grows more than {MAX_RATIO} times when decompressed, which no log does."
                raise refusal(shown, what, "Decompress it yourself, look at it, and store the plain text.")
            yield opened
            rest, fresh = b"", False
            if opener.eof:
                rest = opener.unused_data
                opener, fresh = _new_decompressor(container), True
    if not fresh:
        what = f"is cut off: its {container} data stop before their end."
        remedy = "Copy the log again; if the logger itself was cut off, store the part that decompresses as plain text."
        raise refusal(shown, what, remedy)


def text_of(
    data: bytes, given: str | None, *, shown: str, rig_file: str
) -> tuple[bytes, str, tuple[str, ...]]:
    """Bytes of any encoding -> (UTF-8 bytes with \\n line ends, name of the encoding, remarks).

    `given` is the rig's own word on the encoding. Without it: byte-order mark, else UTF-8, else Windows-1252
    (loggers that write a lone ° byte), else Latin-1. Raises SeasonProblems for what is not text.
    """
    if data.startswith((_GZIP, _ZSTD, _PARQUET, _SPREADSHEET_OR_ZIP)):
        raise refusal(shown, "is packed twice.", "Unpack it once and store what comes out.")
    remarks: tuple[str, ...] = ()
    encoding = given or _encoding_of(data)
    if encoding == "utf-8" and data.isascii():
        text = data
    else:
        text, encoding = _decoded(data, encoding, given, shown, rig_file)
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    whole = text.rstrip(b"\0")
    if len(whole) < len(text) and whole and not whole.isspace():
        # A logger that loses power leaves the rest of its last block as zeros.
        remarks = (f"{len(text) - len(whole)} zero bytes at the end of the file were left out.",)
        text = whole
    if not text or text.isspace():
        raise refusal(
            shown, "holds nothing but blank space.", "Copy the log again, or take the run out of `runs`."
        )
    _refuse_binary(text, shown, rig_file)
    return text, encoding, remarks


def _encoding_of(data: bytes) -> str:
    if data.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if data.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        return "utf-32"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    return "utf-8"


def _decoded(data: bytes, encoding: str, given: str | None, shown: str, rig_file: str) -> tuple[bytes, str]:
    trials = (encoding,) if given or encoding != "utf-8" else ("utf-8", "cp1252", "latin-1")
    for trial in trials:
        if trial.replace("-", "_").lower() in _NO_ENCODINGS:
            continue
        try:
            text = _decode_but_cut_end(data, trial).removeprefix("\ufeff").encode("utf-8")
        except (UnicodeError, LookupError, ValueError):
            continue
        return text, trial
    if given:
        remedy = f"Correct `log: encoding` in {rig_file}, or leave it out to have it found."
    else:
        remedy = f"Store the log as UTF-8, or state `log: encoding` in {rig_file}."
    raise refusal(shown, f"cannot be read as text in the encoding '{encoding}'.", remedy)


def _decode_but_cut_end(data: bytes, encoding: str) -> str:
    """Strict decoding, but a character cut in two at the very end of the file is left out."""
    try:
        return str(data, encoding)
    except UnicodeDecodeError as fault:
        if fault.start < len(data) - 3 or fault.end < len(data) or fault.start == 0:
            raise
        return str(data[: fault.start], encoding)


def _refuse_binary(text: bytes, shown: str, rig_file: str) -> None:
    head = text[:_SNIFFED_BYTES]
    control = len(head) - len(head.translate(None, _CONTROL))
    if control > 0.01 * len(head):
        remedy = f"Export it as delimited text; for UTF-16 without byte-order mark state `log: encoding` in {rig_file}."
        raise refusal(shown, "is binary data, not text.", remedy)
    zero = text.find(b"\0")
    if zero >= 0:
        line = text.count(b"\n", 0, zero) + 1
        raise refusal(
            shown,
            "holds zero bytes, so part of it was not written.",
            "Copy the log again, or cut it here.",
            line=line,
        )
