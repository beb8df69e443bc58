"""From a file on disk to whole lines of ASCII-compatible bytes: gzip, byte-order marks, UTF-16, every line ending.

Works through the file once, a mebibyte at a time, so that memory stays bounded whatever the file holds.
"""

from __future__ import annotations

import codecs
import gzip
import zlib
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire import FileFormatError
from crankfold.analysis import Notice

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedReader
    from pathlib import Path

CHUNK_BYTES = 1 << 20
"""Read at a time: about 40,000 rows, parsed in a few milliseconds, so nothing else has to wait long."""

LINE_LIMIT_BYTES = 64 << 10
"""A line longer than this is no table row: without a limit a file of one endless line would fill the memory."""

LINE_FEED = ord("\n")
GZIP_MAGIC = b"\x1f\x8b"
BINARY_KINDS = (
    (b"PK\x03\x04", "a ZIP archive or a spreadsheet workbook", "unpack it, or save the sheet as CSV"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet workbook", "save the sheet as CSV"),
    (b"\x89HDF", "an HDF5 file", "name it .h5 or .hdf5"),
    (b"PAR1", "a Parquet file", "name it .parquet"),
    (b"%PDF", "a PDF document", "export the numbers as CSV"),
    (b"MDF ", "an ASAM MDF measurement", "name it .mf4"),
    (b"\x93NUMPY", "a NumPy array", "name it .npy"),
    (b"MATLAB 5", "a MATLAB file", "name it .mat"),
    (b"BZh", "a bzip2 file", "unpack it first"),
    (b"\xfd7zXZ", "an xz file", "unpack it first"),
    (b"\x28\xb5\x2f\xfd", "a zstd file", "unpack it first"),
)
WIDE_BOMS = ((codecs.BOM_UTF32_LE, "utf-32"), (codecs.BOM_UTF32_BE, "utf-32"),
             (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


def open_bytes(path: Path) -> BufferedReader | gzip.GzipFile:
    """Return the file opened for reading, unpacked on the way if it is gzipped, whatever its name says.

    Raises
    ------
    FileFormatError
        The file is missing, a directory, not ours to read, or empty.
    """
    try:
        raw = path.open("rb")
    except FileNotFoundError as error:
        raise FileFormatError(path, "there is no such file", "check the name and the folder") from error
    except IsADirectoryError as error:
        raise FileFormatError(path, "this is a folder, not a file", "name a file inside it") from error
    except PermissionError as error:
        raise FileFormatError(path, "you don't have permission to read this file",
                              "ask its owner for permission to read it") from error
    except (OSError, ValueError) as error:
        raise FileFormatError(path, f"the file cannot be opened ({error})", "check the name and the disk") from error
    head = raw.peek(2)[:2]
    return gzip.GzipFile(fileobj=raw, mode="rb") if head == GZIP_MAGIC else raw


def wide_encoding(head: bytes) -> str | None:
    """Return the name of the encoding that spends two or four bytes on a character, None for all others."""
    for mark, name in WIDE_BOMS:
        if head.startswith(mark):
            return name
    sample = head[:512]
    zeros_even, zeros_odd = sample[0::2].count(0), sample[1::2].count(0)
    half = len(sample) // 2
    if half >= 4 and zeros_odd > 0.8 * half and zeros_even == 0:
        return "utf-16-le"
    if half >= 4 and zeros_even > 0.8 * half and zeros_odd == 0:
        return "utf-16-be"
    return None


def text_of(data: bytes) -> str:
    """Return lines as text: UTF-8 where they are, Latin-1 otherwise, which takes any byte."""
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


class LineReader:
    """Hands out runs of whole lines.

    Parameters
    ----------
    path
        The file.

    Raises
    ------
    FileFormatError
        The file cannot be opened or is not text.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.notices: list[Notice] = []
        self.next_line = 1
        self.ended = False
        self.unterminated = False
        self._file = open_bytes(path)
        self._rest = b""
        self._decoder: codecs.IncrementalDecoder | None = None
        self._first = True
        self._cut = False

    def close(self) -> None:
        """Let go of the file."""
        fileobj = getattr(self._file, "fileobj", None)
        self._file.close()
        if fileobj is not None:
            fileobj.close()

    def read(self) -> bytes:
        """Return whole lines, each ended by a line feed; empty when this stretch held none or the file has ended.

        `next_line` is the number of the line that follows them, `ended` says that there is no more.

        Raises
        ------
        FileFormatError
            A line without end, compressed data that are damaged, bytes that are no text.
        """
        if self.ended:
            return b""
        data = self._file_bytes()
        if self._first:
            data = self._look_at_head(data)
        self.ended = not data
        data = self._decode(data, final=self.ended)
        data = self._rest + data
        if b"\r" in data:
            held = data.endswith(b"\r") and not self.ended
            data = data[:-1] if held else data
            data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n") + (b"\r" if held else b"")
        end = data.rfind(b"\n") + 1
        lines, self._rest = data[:end], data[end:]
        if self.ended and self._rest:
            self.unterminated = True
            lines, self._rest = lines + self._rest + b"\n", b""
        self._refuse_endless(lines, self.next_line)
        self.next_line += int(np.count_nonzero(np.frombuffer(lines, dtype=np.uint8) == LINE_FEED))
        self._refuse_endless(self._rest, self.next_line)
        return lines

    def _refuse_endless(self, data: bytes, first_line: int) -> None:
        start = 0
        while len(data) - start > LINE_LIMIT_BYTES:
            end = data.rfind(b"\n", start, start + LINE_LIMIT_BYTES + 1)
            if end < 0:
                raise FileFormatError(self.path, f"this line is longer than {LINE_LIMIT_BYTES >> 10} KiB, so this is "
                                      "no table of numbers", "give a CSV file, one sample a line",
                                      line=first_line + data.count(b"\n", 0, start))
            start = end + 1

    def _file_bytes(self) -> bytes:
        """Return about a chunk, gathered from the small pieces that unpacking gives; what came before a cut is kept."""
        pieces: list[bytes] = []
        size = 0
        try:
            while size < CHUNK_BYTES and not self._cut and (piece := self._file.read1(CHUNK_BYTES - size)):
                pieces.append(piece)
                size += len(piece)
        except EOFError:
            self._cut = True
            self.notices.append(Notice("compressed-cut", {"file": self.path.name}))
        except (zlib.error, gzip.BadGzipFile) as error:
            raise FileFormatError(self.path, "the compressed data are damaged", "copy the file again from its source",
                                  line=self.next_line) from error
        except OSError as error:
            raise FileFormatError(self.path, f"the file cannot be read ({error})", "check the disk and the name",
                                  line=self.next_line) from error
        return b"".join(pieces)

    def _look_at_head(self, data: bytes) -> bytes:
        self._first = False
        if not data:
            raise FileFormatError(self.path, "the file is empty", "record again, or give another file")
        for magic, kind, remedy in BINARY_KINDS:
            if data.startswith(magic):
                raise FileFormatError(self.path, f"this is {kind}, not text", remedy)
        if encoding := wide_encoding(data):
            self._decoder = codecs.getincrementaldecoder(encoding)(errors="strict")
        elif b"\0" in data:
            raise FileFormatError(self.path, "this is binary data, not text", "give a CSV file, one sample a line")
        return data.removeprefix(codecs.BOM_UTF8)

    def _decode(self, data: bytes, *, final: bool) -> bytes:
        if self._decoder is None:
            return data
        try:
            return self._decoder.decode(data, final).encode()
        except UnicodeError as error:
            if final:
                self.notices.append(Notice("character-cut", {"file": self.path.name}))
                return b""
            raise FileFormatError(self.path, "these bytes aren't text in the file's own encoding",
                                  "save it again as UTF-8", line=self.next_line) from error


def lines_of(data: bytes, first_line: int) -> Iterator[tuple[int, bytes]]:
    """Yield each line without its end, with its 1-based number in the file."""
    yield from enumerate(data.split(b"\n")[:-1], first_line)
