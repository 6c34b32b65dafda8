"""The zip: the same bytes for the same files, with no hour, no owner and nothing of the machine.

Files are stored as they are, for what deflates them may do so otherwise elsewhere. It is written
beside its place and then renamed, so that half a package is never there.
"""

import os
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from zipfile import ZIP_STORED, ZipFile, ZipInfo

from reedlab.errors import RecordError
from reedlab.publish.package.part import Part

#: The earliest hour that a zip can tell.
_NEVER = (1980, 1, 1, 0, 0, 0)
_UNIX, _READABLE = 3, 0o100644 << 16


def pack(parts: Sequence[Part], target: Path) -> None:
    """Write the files as a zip.

    Raises
    ------
    RecordError
        If it cannot be written, or somebody else has put a file there meanwhile.
    """
    partial = None
    try:
        with tempfile.NamedTemporaryFile(
            dir=target.parent, prefix=f".{target.name}.", suffix=".part", delete=False
        ) as file:
            partial = Path(file.name)
            with ZipFile(file, "w") as archive:
                for part in sorted(parts, key=lambda part: part.file):
                    _add(archive, part)
            file.flush()
            os.fsync(file.fileno())
        if target.exists():
            raise RecordError(f"{target} is there already; choose another name.")
        partial.chmod(0o644)  # a temporary file is for its owner only
        partial.replace(target)
    except OSError as error:
        raise RecordError(f"{target} cannot be written: {error.strerror}.") from None
    finally:
        if partial is not None:
            partial.unlink(missing_ok=True)


def _add(archive: ZipFile, part: Part) -> None:
    info = ZipInfo(part.file, _NEVER)
    info.create_system, info.external_attr = _UNIX, _READABLE
    info.compress_type, info.file_size = ZIP_STORED, part.size
    if isinstance(part.content, bytes):
        archive.writestr(info, part.content)
        return
    with part.content.open("rb") as sound, archive.open(info, "w") as place:
        shutil.copyfileobj(sound, place)
