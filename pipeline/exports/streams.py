"""Export files as streams of whole UTF-8 lines, whatever they are packed and encoded in."""

from __future__ import annotations

import codecs
import io
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import pyarrow as pa

from pipeline.errors import ExportError, Fault

__all__ = ["BLOCK", "NOT_UTF_8", "Text", "Unfinished", "members", "open_text"]

BLOCK = 16 << 20
"""Bytes read at a time."""
HEAD = 1 << 16
"""Bytes that tell the encoding; the first piece handed over, so not too few."""
NOT_UTF_8 = "Some bytes of the text are not UTF-8; they are read as \ufffd."

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_GZIP, _ZSTD, _ZIP = b"\x1f\x8b", b"\x28\xb5\x2f\xfd", b"PK"
_OTHER_PACKINGS = {
    b"BZh": "bzip2",
    b"\xfd7zXZ\x00": "xz",
    b"7z\xbc\xaf": "7-Zip",
    b"Rar!": "RAR",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet or office document",
    b"%PDF": "PDF",
    b"SQLite format 3": "SQLite",
}


# What zipfile and zlib raise on damaged archives, besides errors of the file system.
_DAMAGE = (
    EOFError,
    OSError,
    zipfile.BadZipFile,
    zlib.error,
    NotImplementedError,
    RuntimeError,
    struct.error,
    UnicodeDecodeError,
)


def _damaged(error: Exception) -> ExportError:
    text = (str(error) or type(error).__name__).splitlines()[0]
    return ExportError(f"The packed content cannot be read: {text}.")


class Unfinished(Exception):  # noqa: N818
    """Raised inside the readers when a file seems to be still in the writing."""


@dataclass(slots=True)
class Text:
    """A text file that has been opened.

    Parameters
    ----------
    raw : BinaryIO
        Unpacked bytes, a byte-order mark passed over.
    encoding : str
        Their encoding, as far as it is known yet.
    note : str
        What was assumed about the encoding; empty if nothing. Complete once all was read.
    is_open : bool
        Whether the first bytes beyond ASCII still decide between UTF-8 and Latin-1.
    """

    raw: BinaryIO
    encoding: str
    note: str = ""
    is_open: bool = False

    def blocks(self, size: int = BLOCK) -> Iterator[bytes]:
        """Give the text as UTF-8, in pieces that end with a line end (but for the last).

        Parameters
        ----------
        size : int
            Bytes per piece, roughly.

        Yields
        ------
        bytes
            Lines ended by a line feed, whatever the file ends them with.
        """
        decoder = None
        if self.encoding != "utf-8":
            decoder = codecs.getincrementaldecoder(self.encoding)(errors="replace")
        rest = b""
        while True:
            piece = self._read(size)
            final = not piece
            if self.is_open and not piece.isascii():
                self.encoding, self.note = _utf_8_or_latin(piece)
                self.is_open = False
                if self.encoding != "utf-8":
                    decoder = codecs.getincrementaldecoder(self.encoding)(errors="replace")
            if decoder is not None:
                piece = decoder.decode(piece, final).encode("utf-8")
            if rest.endswith(b"\r") and not final:
                # Keep a pair of carriage return and line feed together.
                piece, rest = b"\r" + piece, rest[:-1]
            if b"\r" in piece:
                tail = b"\r" if piece.endswith(b"\r") and not final else b""
                piece = piece[: len(piece) - len(tail)]
                piece = piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n") + tail
            if final:
                rest = (rest + piece).replace(b"\r", b"\n")
                if rest:
                    yield rest
                return
            cut = piece.rfind(b"\n") + 1
            if cut:
                yield b"".join((rest, memoryview(piece)[:cut]))  # one copy, not two
                rest = piece[cut:]
            else:
                rest += piece

    def _read(self, size: int) -> bytes:
        try:
            return self.raw.read(size)
        except _DAMAGE as error:
            if isinstance(error, EOFError) or "runcated" in str(error):
                raise Unfinished("the packed file breaks off") from None
            raise _damaged(error) from None


def members(path: Path) -> list[str | None]:
    """List the text files inside a zip archive; ``[None]`` for any other file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    list of str or None
        Names inside the archive, sorted; folders and hidden files left out.

    Raises
    ------
    ExportError
        If the archive is encrypted, holds no text file or is broken.
    Unfinished
        If the archive has no directory at its end.
    """
    with path.open("rb") as file:
        if file.read(2) != _ZIP:
            return [None]
    try:
        with zipfile.ZipFile(path) as archive:
            infos = [i for i in archive.infolist() if not i.is_dir()]
    except zipfile.BadZipFile:
        raise Unfinished("the zip archive has no directory at its end") from None
    except (*_DAMAGE, ValueError) as error:
        raise _damaged(error) from None
    if any(i.flag_bits & 1 for i in infos):
        raise ExportError("The zip archive is encrypted; unpack it first.")
    names = sorted(
        i.filename for i in infos if not any(_is_hidden(part) for part in Path(i.filename).parts)
    )
    if not names:
        raise ExportError("The zip archive holds no file.")
    if "xl/workbook.xml" in names:
        raise ExportError("This is a spreadsheet workbook; save the sheet as CSV first.")
    return list(names)


def _is_hidden(part: str) -> bool:
    # Names that climb out of the archive harm nobody: nothing is unpacked to a folder.
    return part.startswith((".", "__MACOSX")) and part not in (".", "..")


@contextmanager
def open_text(path: Path, member: str | None, encoding: str | None) -> Iterator[Text]:
    """Open a text file, unpacking it as its first bytes say.

    Parameters
    ----------
    path : Path
        The file.
    member : str or None
        Name inside a zip archive.
    encoding : str or None
        Declared encoding; None lets the content decide.

    Yields
    ------
    Text

    Raises
    ------
    ExportError
        If the packing or the encoding is unknown.
    """
    with path.open("rb") as file:
        head = file.read(16)
    _refuse_other_packings(head)
    if member is not None:
        with zipfile.ZipFile(path) as archive:
            try:
                packed = archive.open(member)
            except _DAMAGE as error:
                raise _damaged(error) from None
            with packed:
                yield _packed_once_more(packed, encoding)  # type: ignore[arg-type]
    elif head.startswith(_GZIP) or head.startswith(_ZSTD):
        codec = "gzip" if head.startswith(_GZIP) else "zstd"
        with pa.OSFile(str(path)) as plain, pa.CompressedInputStream(plain, codec) as packed:
            yield _sniffed(packed, encoding)
    else:
        with path.open("rb", buffering=0) as raw:
            yield _sniffed(raw, encoding)


def _refuse_other_packings(head: bytes) -> None:
    for magic, name in _OTHER_PACKINGS.items():
        if head.startswith(magic):
            raise ExportError(
                f"The file is packed or written as {name}; exports may be plain, gz, zst or zip."
            )


def _packed_once_more(packed: BinaryIO, encoding: str | None) -> Text:
    """Open a file of a zip archive, which may be packed itself."""
    head = Text(packed, "utf-8")._read(HEAD)
    _refuse_other_packings(head)
    for magic, name in ((_ZIP + b"\x03\x04", "a zip archive"), (b"PAR1", "a Parquet file")):
        if head.startswith(magic):
            raise ExportError(f"It is {name} inside a zip archive; unpack the outer one first.")
    whole = _Rewound(head, packed)
    if head.startswith((_GZIP, _ZSTD)):
        codec = "gzip" if head.startswith(_GZIP) else "zstd"
        return _sniffed(pa.CompressedInputStream(pa.PythonFile(whole, "r"), codec), encoding)
    return _sniffed(whole, encoding)  # type: ignore[arg-type]


class _Rewound(io.RawIOBase):
    """A stream with bytes put back in front."""

    def __init__(self, head: bytes, raw: BinaryIO) -> None:
        self._head = head
        self._raw = raw

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        if self._head:
            head, self._head = self._head, b""
            return head
        return self._raw.read(size)


def _sniffed(raw: BinaryIO, encoding: str | None) -> Text:
    head = Text(raw, "utf-8")._read(HEAD)
    for bom, name in _BOMS:
        if head.startswith(bom):
            stream = _Rewound(head[len(bom) :], raw)
            return Text(stream, name)  # type: ignore[arg-type]
    stream = _Rewound(head, raw)
    if encoding is not None:
        try:
            name = codecs.lookup(encoding).name
        except LookupError:
            fault = Fault("encoding", f"'{encoding}'", "such as 'utf-8', 'utf-16' or 'latin-1'")
            raise ExportError(f"There is no encoding '{encoding}'.", [fault]) from None
        # Without a byte-order mark UTF-16 is read as its bytes show.
        if name in ("utf-16", "utf-32"):
            name += "-be" if head[:1] == b"\0" else "-le"
        if name == "ascii":
            name = "utf-8"
        return Text(stream, name)  # type: ignore[arg-type]
    name, note = _guess(head)
    is_open = name == "utf-8" and head.isascii()
    return Text(stream, name, note, is_open)  # type: ignore[arg-type]


def _guess(head: bytes) -> tuple[str, str]:
    # In UTF-16 without a mark, Latin text has a zero in every second byte: proof, not a guess.
    sample = head[:2000]
    if len(sample) >= 8:
        even, odd = sample[0::2].count(0), sample[1::2].count(0)
        if odd > 0.4 * len(sample) / 2 and even == 0:
            return "utf-16-le", "Read as UTF-16 (low byte first), as its zero bytes show."
        if even > 0.4 * len(sample) / 2 and odd == 0:
            return "utf-16-be", "Read as UTF-16 (high byte first), as its zero bytes show."
    return _utf_8_or_latin(head)


def _utf_8_or_latin(piece: bytes) -> tuple[str, str]:
    """Let the first bytes beyond ASCII decide."""
    try:
        codecs.getincrementaldecoder("utf-8")().decode(piece, final=False)
    except UnicodeDecodeError as error:
        if not piece[: error.start].isascii():
            return "utf-8", NOT_UTF_8
        note = "The text is not UTF-8 and was read as Latin-1 (cp1252); declare its encoding."
        return "cp1252", note
    return "utf-8", ""
