"""A study that comes as a zip, unpacked without trust in what it claims to be.

It is unpacked into a folder that is gone when the program ends, and is for reading only. What
no package holds is refused: paths that lead outside, links, names that are told twice, files
that unpack to far more than they are. Sizes are in bytes.
"""

import atexit
import shutil
import stat
import tempfile
import zlib
from collections.abc import Sequence
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZIP_STORED, BadZipFile, ZipFile, ZipInfo, is_zipfile

from reedlab.errors import RecordError
from reedlab.study.bring.zip_parts import MAX_RATIO, SMALL
from reedlab.study.descriptor import DESCRIPTOR
from reedlab.study.resources import is_inside

#: A thousand hours of recordings, packed as music is.
MAX_TOTAL = 8_000_000_000
MAX_FILES = 20_000


def is_packed(path: Path) -> bool:
    """Say whether a path is a zip."""
    return path.is_file() and is_zipfile(path)


def unpack(path: Path) -> Path:
    """Unpack a study's zip into a folder that is gone when the program ends.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    RecordError
        If the zip is damaged, is no study, or holds what no study's package holds.
    """
    home = Path(tempfile.mkdtemp(prefix="reedlab_"))
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    try:
        with ZipFile(path) as archive:
            _check(path.name, archive.infolist())
            for info in archive.infolist():
                if not info.is_dir():
                    _unpack(archive, info, home)
    except (BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError) as error:
        reason = str(error)[:80] or "it ends too early"
        raise RecordError(
            f"{path.name} is damaged or not complete ({reason}); fetch it once more."
        ) from None
    except OSError as error:
        raise RecordError(f"{path.name} cannot be unpacked: {error.strerror}.") from None
    return home


def _unpack(archive: ZipFile, info: ZipInfo, home: Path) -> None:
    target = home / info.filename
    target.parent.mkdir(parents=True, exist_ok=True)
    with archive.open(info) as packed, target.open("xb") as file:
        shutil.copyfileobj(packed, file)


def _check(name: str, infos: Sequence[ZipInfo]) -> None:
    """Refuse a zip for the first thing that no package of a study holds."""
    files = [info.filename for info in infos]
    if DESCRIPTOR not in files:
        deeper = any(file.endswith(f"/{DESCRIPTOR}") for file in files)
        remedy = "; pack the files themselves, not the folder around them" if deeper else ""
        raise RecordError(f"{name} holds no {DESCRIPTOR}, so it is no package of a study{remedy}.")
    if len(files) > MAX_FILES:
        raise RecordError(f"{name} holds more than {MAX_FILES:,} files; it is not opened.")
    seen: set[str] = set()
    for info in infos:
        file = info.filename
        # The library cuts a name off at its first zero, and turns some marks.
        if not is_inside(file) or "\\" in file or file != info.orig_filename:
            raise RecordError(f"{name} holds '{file[:80]}', which leads outside; it is not opened.")
        if stat.S_ISLNK(info.external_attr >> 16):
            raise RecordError(f"{name} holds the link '{file[:80]}'; it is not opened.")
        # Some systems take two names that differ by case for one.
        if file.casefold() in seen:
            raise RecordError(f"{name} holds '{file[:80]}' twice; it is not opened.")
        seen.add(file.casefold())
        if info.flag_bits & 1 or info.compress_type not in (ZIP_STORED, ZIP_DEFLATED):
            raise RecordError(
                f"{name} is locked by a password or packed in an unusual way; pack it again "
                "without one."
            )
        if info.file_size > SMALL and info.file_size > MAX_RATIO * max(info.compress_size, 1):
            raise RecordError(
                f"{name} holds '{file[:80]}', which unpacks to more than {MAX_RATIO} times its "
                "size; it is not opened."
            )
    total = sum(info.file_size for info in infos)
    if total > MAX_TOTAL:
        raise RecordError(
            f"{name} unpacks to {total / 1e9:,.0f} GB, which is more than is opened; unpack it "
            "yourself and open the folder."
        )
