"""A visit to the bench page without a browser: what it is sent, and what it answers."""

import atexit
import json
import shutil
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory, mkdtemp

from reedlab.demo.sound import Sound, crow_sound
from reedlab.page.desk import Desk
from reedlab.study import Study, open_study
from tests.study.batch import sealed, session_rows, sheet

#: A microphone that leaves the sound alone.
OFF = {"echoCancellation": False, "noiseSuppression": False, "autoGainControl": False}


def ready(tmp_path: Path) -> Study:
    """Return a sealed batch whose first session is written down."""
    return open_study(shutil.copytree(_template(), tmp_path / "study"))


@cache
def _template() -> Path:
    home = Path(mkdtemp())
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    study = sealed(home / "study")
    return study.record(sheet(home / "B2_sessions.csv", session_rows())).folder


@cache
def crow_bytes(pitch_hz: float = 341.0) -> bytes:
    """Return an invented crow as the file that a microphone would give."""
    with TemporaryDirectory() as folder:
        return crow_sound(pitch_hz=pitch_hz).write(Path(folder) / "crow.wav").read_bytes()


class Visit:
    """A desk that keeps all that crosses the wire."""

    def __init__(self, study: Study, batch_id: str = "B2", session: int | None = None) -> None:
        self.desk = Desk(study, batch_id, session)
        self.traffic = [self._wire()]

    @property
    def state(self) -> dict:
        return json.loads(self.traffic[-1])

    @property
    def told(self) -> tuple[str, str]:
        return tuple(self.state["message"].values())

    def do(self, name: str, /, *buffers: bytes, **message) -> dict:
        self.desk.handle({"do": name, **message}, buffers)
        self.traffic.append(self._wire())
        return self.state

    def take_next(self) -> str:
        code = self.state["next"]["code"]
        self.do("code", text=code)
        assert self.state["reed"]["code"] == code
        return code

    def play(self, sound: Sound | bytes, folder: Path, kind: str = "crow", processing=OFF) -> dict:
        content = sound if isinstance(sound, bytes) else sound.write(folder / "a.wav").read_bytes()
        half = len(content) // 2
        parts = {"kind": kind, "name": f"{kind}.wav", "processing": processing, "take": 1, "of": 2}
        self.do("sound", content[:half], part=0, **parts)
        return self.do("sound", content[half:], part=1, **parts)

    def accept(self) -> dict:
        return self.do("accept", take=self.state["take"]["number"])

    def crow(self, folder: Path, pitch_hz: float = 341.0) -> dict:
        self.play(crow_bytes(pitch_hz), folder)
        return self.accept()

    def _wire(self) -> str:
        # Strict: what no browser can read must not be sent.
        return json.dumps(self.desk.state(), allow_nan=False)
