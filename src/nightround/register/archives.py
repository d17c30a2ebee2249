"""Unpacks the parts of a workbook under our own count, before any library sees the file.

A workbook is a zip archive, and what its directory says about sizes need not be true: each part is inflated here and
counted as it comes. Nothing is written to disk.
"""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from ..errors import UserError
from .grids import MODEST, MOST_BYTES, MOST_RATIO, MOST_UNPACKED

_CHUNK = 1 << 20
_ENCRYPTED = 0x1


class Archive:
    """A zip archive whose parts are read within limits. Use as a context manager."""

    def __init__(self, path: Path) -> None:
        """Raises UserError where the file is no zip archive, is locked with a password, or is too large."""
        self._name = path.name
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise UserError(
                f"{path.name} has {size // 1_000_000} MB; {MOST_BYTES // 1_000_000} MB are the most, so split the file"
            )
        self._packed = max(size, 1)
        self._unpacked = 0
        self._counted_parts: set[str] = set()
        try:
            self._zip = zipfile.ZipFile(path)
        except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
            raise UserError(
                f"{path.name} is damaged or is not a workbook; open it in the spreadsheet program and save it again "
                "as .xlsx or .ods"
            ) from None
        if sum(info.file_size for info in self._zip.infolist()) > MOST_UNPACKED:
            raise self._too_large(sum(info.file_size for info in self._zip.infolist()))
        self._infos = {_plain(info.filename): info for info in self._zip.infolist()}
        if len(self._infos) != len(self._zip.infolist()) or len(self._infos) > 10_000:
            raise self.damaged()

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_: object) -> None:
        self._zip.close()

    @property
    def names(self) -> list[str]:
        """The names of all parts, in the archive's order, in lower case."""
        return list(self._infos)

    def damaged(self) -> UserError:
        """The error for an archive that does not hold together."""
        return UserError(f"{self._name} is damaged; open it in the spreadsheet program and save it again")

    def read(self, name: str, most: int) -> bytes:
        """One whole part; empty where there is none. Raises UserError where it has more than `most` bytes."""
        found = b""
        for piece in self.chunks(name):
            found += piece
            if len(found) > most:
                raise self.damaged()
        return found

    def chunks(self, name: str) -> Iterator[bytes]:
        """One part, piece by piece. Raises UserError once the parts read come to more than a workbook may hold."""
        info = self._infos.get(_plain(name))
        if info is None:
            return
        if info.flag_bits & _ENCRYPTED:
            raise UserError(f"{self._name} is locked with a password; save it without one")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise self.damaged()
        source = self._zip.fp
        if source is None:
            raise ValueError("the archive is closed")
        try:
            for piece in self._inflated(source, info):
                if info.filename not in self._counted_parts:
                    self._count(piece)
                yield piece
            self._counted_parts.add(info.filename)
        except (zlib.error, OSError):
            raise self.damaged() from None

    def _inflated(self, file: IO[bytes], info: zipfile.ZipInfo) -> Iterator[bytes]:
        file.seek(info.header_offset)
        header = file.read(30)
        if len(header) < 30 or header[:4] != b"PK\x03\x04":
            raise self.damaged()
        file.seek(int.from_bytes(header[26:28], "little") + int.from_bytes(header[28:30], "little"), 1)
        left = info.compress_size
        stored = info.compress_type == zipfile.ZIP_STORED
        inflate = zlib.decompressobj(-zlib.MAX_WBITS)
        while left > 0 and not inflate.eof:
            packed = file.read(min(left, _CHUNK))
            if not packed:
                raise self.damaged()
            left -= len(packed)
            if stored:
                yield packed
                continue
            while packed and not inflate.eof:
                piece = inflate.decompress(packed, _CHUNK)
                packed = inflate.unconsumed_tail
                yield piece
        if not stored and not inflate.eof:
            raise self.damaged()

    def _count(self, piece: bytes) -> None:
        self._unpacked += len(piece)
        too_many = self._unpacked > MOST_UNPACKED
        if too_many or (self._unpacked > MODEST and self._unpacked > MOST_RATIO * self._packed):
            raise self._too_large(self._unpacked)

    def _too_large(self, unpacked: int) -> UserError:
        return UserError(
            f"{self._name} unpacks to far more than its size "
            f"({self._packed // 1000} kB to over {unpacked // 1_000_000} MB); "
            f"{MOST_UNPACKED // 1_000_000} MB and {MOST_RATIO} times its size are the most, so save it again with "
            "only the rows that are needed"
        )


def _plain(name: str) -> str:
    """A part's name as the cell library looks for it: letters' case and the kind of slash do not matter."""
    return name.replace("\\", "/").lower()
