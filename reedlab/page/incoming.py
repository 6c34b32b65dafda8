"""Sound on its way from the page to the kernel: parts put together again, within bounds.

A recording comes in parts small enough for any connection. What is too large, out of order
or no part of anything is refused in one sentence.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from reedlab.errors import CallError

#: Ten minutes of stereo at 48 kHz and 16 bits, the longest that is measured at all.
MOST_BYTES = 120_000_000
#: Parts of one recording; the page sends about a megabyte each.
MOST_PARTS = 400


@dataclass
class Incoming:
    """The parts of one recording that have come so far."""

    take: int = -1
    of: int = 0
    parts: list[bytes] = field(default_factory=list)

    def add(self, message: Mapping[str, Any], buffers: Sequence[Any]) -> bytes | None:
        """Add a part; return the whole sound once all are there.

        Raises
        ------
        CallError
            If it does not follow on what came before, or is too large.
        """
        take, part, of = (_whole(message.get(name)) for name in ("take", "part", "of"))
        if part == 0:
            self.take, self.of, self.parts = take, of, []
        if len(buffers) != 1 or (take, of, part) != (self.take, self.of, len(self.parts)):
            self.drop()
            raise CallError("A part of the recording was lost on its way here; record again.")
        self.parts.append(bytes(buffers[0]))
        if of > MOST_PARTS or sum(map(len, self.parts)) > MOST_BYTES:
            self.drop()
            raise CallError("The recording is too long; at most ten minutes are measured.")
        if len(self.parts) < of:
            return None
        content = b"".join(self.parts)
        self.drop()
        return content

    def drop(self) -> None:
        """Forget what has come."""
        self.take, self.of, self.parts = -1, 0, []


def keep_beside(folder: Path, number: int, name: object, content: bytes) -> Path:
    """Write a sound to a folder of the page's own, with the ending of the file that was chosen."""
    ending = re.search(r"\.[A-Za-z0-9]{1,5}$", str(name))
    path = folder / f"recording {number}{ending[0].lower() if ending else '.wav'}"
    path.write_bytes(content)
    return path


def _whole(value: object) -> int:
    if isinstance(value, int) and not isinstance(value, bool) and value >= 0:
        return value
    raise CallError("The page sent a recording that is not numbered; load the page again.")
