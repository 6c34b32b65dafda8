"""The parts of a zipped spreadsheet, opened without trust in what they claim to be.

A part is read as a stream and never longer than the directory of the archive says; how
much that may be, and how many times more than it is packed, is bounded here, in bytes.
"""

import io
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import IO
from zipfile import ZIP_DEFLATED, ZIP_STORED, BadZipFile, ZipFile, ZipInfo

from reedlab.errors import RecordError

#: Bytes of one part when unpacked, and of all parts that are read together.
MAX_PART = 250_000_000
#: A part above `SMALL` bytes that unpacks to more times its size is no sheet.
MAX_RATIO = 200
SMALL = 5_000_000
MAX_ENTRIES = 5_000


class ZipParts:
    """The archive.

    Parameters
    ----------
    file : str
        Its name, for messages.
    data : bytes

    Raises
    ------
    RecordError
        If it cannot be opened as an archive.
    """

    def __init__(self, file: str, data: bytes) -> None:
        self._file = file
        if data.count(b"PK\x01\x02") > MAX_ENTRIES:
            raise RecordError(f"{file} has more than {MAX_ENTRIES:,} parts; it is not read.")
        with damage_told(file):
            self._archive = ZipFile(io.BytesIO(data))
        self._parts = {info.filename: info for info in self._archive.infolist()}

    def __contains__(self, part: str) -> bool:
        return part in self._parts

    def any_in(self, *folders: str) -> bool:
        """Say whether any part lies in one of the folders."""
        return any(part.startswith(folders) for part in self._parts)

    def teller(
        self, parts: Iterable[str], tell: Callable[[int, int], None]
    ) -> Callable[[int], None]:
        """Return what to call with each count of bytes read of parts; it tells their sum.

        Raises
        ------
        RecordError
            If they are more than is read.
        """
        total = sum(self._parts[part].file_size for part in parts if part in self)
        if total > MAX_PART:
            raise RecordError(
                f"{self._file} unpacks to {total / 1e6:,.0f} MB, which is more than is read; save "
                "the sheet that is to be brought in as a file of its own."
            )
        done = 0

        def tell_more(count: int) -> None:
            nonlocal done
            done += count
            tell(done, total)

        return tell_more

    def head(self, part: str, length: int) -> bytes:
        """Return the first bytes of a part; empty if there is none."""
        if part not in self:
            return b""
        with self.open(part) as stream:
            return stream.read(length)

    @contextmanager
    def open(self, part: str, most: int = MAX_PART) -> Iterator[IO[bytes]]:
        """Open a part of at most so many bytes for reading as a stream.

        Raises
        ------
        RecordError
            If there is no such part, or it is damaged, locked, or unpacks to too much.
        """
        info = self._parts.get(part)
        if info is None:
            raise RecordError(
                f"{self._file} is damaged: its part {part[:80]} is missing; open it in a "
                "spreadsheet and save it again."
            )
        self._check(info, most)
        with damage_told(self._file), self._archive.open(info) as stream:
            yield stream

    def _check(self, info: ZipInfo, most: int) -> None:
        if info.flag_bits & 1:
            raise locked(self._file)
        if info.compress_type not in (ZIP_STORED, ZIP_DEFLATED):
            raise RecordError(
                f"{self._file} is packed in a way that no spreadsheet uses; open it in a "
                "spreadsheet and save it again."
            )
        ratio = info.file_size / max(info.compress_size, 1)
        if info.file_size > most or (info.file_size > SMALL and ratio > MAX_RATIO):
            raise RecordError(
                f"{self._file} unpacks to {info.file_size / 1e6:,.0f} MB, {ratio:,.0f} times its "
                f"size ({info.filename}); no sheet does, so it is not read."
            )


def locked(file: str) -> RecordError:
    """Return the error for a file with a password."""
    return RecordError(
        f"{file} is protected by a password; open it in a spreadsheet and save it as .xlsx "
        "without one."
    )


@contextmanager
def damage_told(file: str) -> Iterator[None]:
    """Tell what goes wrong while a packed file is read as one error about the file."""
    try:
        yield
    except (BadZipFile, zlib.error, EOFError, OSError, RuntimeError, ValueError) as error:
        reason = str(error)[:80] or "it ends too early"
        raise RecordError(
            f"{file} is damaged or not complete ({reason}); open it in a spreadsheet and save it "
            "again, or fetch it once more."
        ) from None
