"""A file that grows by whole pieces, so that what a killed process leaves can be gone on with.

Beside it an index: after each piece its end and its checksum. What the index does not vouch for,
the torn end of the last piece or what a power cut has spoilt, is cut off on opening.
"""

from __future__ import annotations

import os
import struct
from pathlib import Path
from zlib import crc32

_ENTRY = struct.Struct("<QI")
_BLOCK = 1 << 20


class Growing:
    """The file ``film`` of a folder and its ``index``. OSError: the disk refuses.

    lead : the first bytes of the file, no piece of it; `finish` may replace them.
    """

    def __init__(self, folder: Path, lead: bytes = b"") -> None:
        self.path = folder / "film"
        flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0)
        self._file = os.open(self.path, flags, 0o666)
        self._index = os.open(folder / "index", flags, 0o666)
        self._ends = [len(lead)] * 2  # of the last piece but one, and of the last
        self.count = 0
        if os.fstat(self._file).st_size < len(lead):
            os.ftruncate(self._index, 0)
        while self._is_whole():
            self.count += 1
        os.ftruncate(self._index, self.count * _ENTRY.size)
        os.ftruncate(self._file, self._ends[1])
        self._write(self._file, 0, lead)

    def close(self) -> None:
        """Let go of both files."""
        os.close(self._file)
        os.close(self._index)

    @property
    def size(self) -> int:
        """Bytes of the file."""
        return self._ends[1]

    def append(self, piece: bytes) -> None:
        """Add a piece; the process may be killed as soon as this returns."""
        self._write(self._file, self.size, piece)
        end = self.size + len(piece)
        entry = _ENTRY.pack(end, crc32(piece))
        self._write(self._index, self.count * _ENTRY.size, entry)
        self._ends = [self.size, end]
        self.count += 1

    def last(self, most: int) -> bytes:
        """The beginning of the last piece, at most so many bytes."""
        return self.read(self._ends[0], min(most, self._ends[1] - self._ends[0]))

    def read(self, start: int, length: int) -> bytes:
        """Bytes of the file."""
        os.lseek(self._file, start, os.SEEK_SET)
        return os.read(self._file, length)

    def finish(self, lead: bytes = b"") -> None:
        """Replace the first bytes, and flush everything to disk."""
        self._write(self._file, 0, lead)
        os.fsync(self._file)

    def _is_whole(self) -> bool:
        """Whether there is one more piece; if so its end is noted."""
        os.lseek(self._index, self.count * _ENTRY.size, os.SEEK_SET)
        entry = os.read(self._index, _ENTRY.size)
        if len(entry) < _ENTRY.size:
            return False
        end, checksum = _ENTRY.unpack(entry)
        at, found = self.size, 0
        while at < end:
            block = self.read(at, min(_BLOCK, end - at))
            if not block:
                return False
            found = crc32(block, found)
            at += len(block)
        if at != end or found != checksum:
            return False
        self._ends = [self.size, end]
        return True

    @staticmethod
    def _write(handle: int, at: int, data: bytes) -> None:
        os.lseek(handle, at, os.SEEK_SET)
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(handle, rest) :]
