"""A study with players' names in every place where a maker may write one, and its recordings."""

import atexit
import csv
import io
import json
import shutil
import tempfile
from functools import cache
from pathlib import Path

import av
import numpy as np

from reedlab.study import Study, open_study
from reedlab.study.looks import COLUMNS
from tests.study.build import record

#: Invented names, of kinds that are hard to find: accents, two words, a hyphen.
ANNA, ZOE, JO = "Anna Wolkenstein", "Zoë Brückner-Sand", "Jörg"
NAMES = (ANNA, ZOE, JO)
#: What must be found nowhere, in small letters and without accents too.
TRACES = ("wolkenstein", "brückner", "bruckner", "brueckner", "anna", "zoë", "zoe", "jörg", "joerg")
PLACE = "+48.2082+016.3738/"
TAGS = {
    "title": f"{ANNA} day 1",
    "artist": ZOE,
    "comment": f"played by {ANNA}",
    "location": PLACE,
    "creation_time": "2026-02-01T19:30:00Z",
}


def csv_of(*rows: list[str]) -> str:
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    return text.getvalue()


def sound(path: Path, kind: str = "wav", codec: str = "pcm_s16le", seconds: float = 0.4) -> Path:
    """Write an invented tone with tags, as a recorder or a telephone writes it."""
    rate = 48000
    rng = np.random.default_rng(3)
    tone = np.sin(np.arange(int(rate * seconds)) * 2 * np.pi * 220 / rate) * 9000
    samples = (tone + rng.normal(0, 200, len(tone))).astype(np.int16).reshape(1, -1)
    path.parent.mkdir(exist_ok=True)
    with av.open(str(path), "w", format=kind) as container:
        container.metadata.update(TAGS)
        # The encoder at hand for Vorbis counts as a trial, and knows two channels only.
        layout, options = ("stereo", {"strict": "-2"}) if codec == "vorbis" else ("mono", {})
        stream = container.add_stream(codec, rate=rate, options=options)
        stream.layout = layout
        stream.metadata.update({"title": ANNA})
        frame = av.AudioFrame.from_ndarray(samples, format="s16", layout="mono")
        frame.sample_rate = rate
        stream.codec_context.open()
        size = stream.codec_context.frame_size or None
        fit = av.AudioResampler(stream.codec_context.format.name, layout, rate, size)
        for block in [*fit.resample(frame), *fit.resample(None)]:
            for packet in stream.encode(block):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)
    return path


def samples_of(path: Path) -> np.ndarray:
    with av.open(str(path)) as container:
        return np.concatenate([f.to_ndarray() for f in container.decode(audio=0)], axis=1)


SETTINGS = {
    "instrument": "bassoon",
    "factors": [
        {"name": "shape", "levels": ["Anna's", "wide"], "label": "shape (Wolkenstein's or wide)"},
        {"name": "hall", "levels": ["dry", "Zoë"], "stratum": "session"},
    ],
    "responses": [
        {"name": "crow_hz", "unit": "Hz"},
        {"name": "rating_anna", "label": "ANNA WOLKENSTEIN's rating"},
    ],
    "protocol": [
        {"name": "crow", "instruction": "As Jörg does it.", "fills": ["crow_hz"]},
        {"name": "rating", "instruction": "Zoe listens.", "fills": ["rating_anna"]},
    ],
    "batches": [
        {
            "batch_id": "Wolkenstein-1",
            "randomised": ["shape"],
            "seed": 3,
            "how": f"Codes were drawn by {ANNA} on 2026-01-10; joerg kept the key.",
            "unblinded": "2026-02-20",
        }
    ],
    "stages": [{"name": "day 1 (Anna)", "minutes": 60}],
}


def salted(folder: Path) -> Study:
    """Write and open the study; its recordings are a WAV, an M4A, an MP3 and a FLAC."""
    shutil.copytree(_written(), folder)
    return open_study(folder)


@cache
def _written() -> Path:
    folder = Path(tempfile.mkdtemp())
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    reeds = [
        ["reed_id", "blind_code", "batch_id", "made_on", "shape", "fate", "fate_reason", "note"]
    ]
    tests = [["reed_id", "session_id", "stage", "trial", "crow_hz", "rating_anna", "recording"]]
    kinds = [("wav", "wav", "pcm_s16le"), ("m4a", "ipod", "aac"), ("mp3", "mp3", "libmp3lame")]
    kinds += [("flac", "flac", "flac")]
    endings = [ending for ending, _, _ in kinds]
    for place, (code, ending) in enumerate(zip("KQWZ", endings, strict=True)):
        reed = f"AW-Wolkenstein-{place}"
        shape = ["Anna's", "wide"][place % 2]
        fate = ["kept", "discarded"][place % 2]
        why = ["", f"{ZOE} finds it dull"][place % 2]
        told = f"for {JO}, he said so on 3 March"
        reeds.append([reed, code, "Wolkenstein-1", "2026-01-10", shape, fate, why, told])
        file = f"takes/ANNA_wolkenstein {place}.{ending}"
        session = ["20260201_Anna", "S2", "S3", "S2"][place]
        row = [reed, session, "day 1 (Anna)", "1", str(331 + place), str(3 + place % 2), file]
        tests.append(row)
    sessions = [
        ["session_id", "started_at", "player_id", "room", "hall", "listener"],
        ["20260201_Anna", "2026-02-01 19:30", ANNA, "Room of Zoë", "dry", JO],
        ["S2", "2026-02-04 10:00", ZOE, "Cellar", "Zoë", ANNA],
        ["S3", "2026-02-28 10:00", JO, "Cellar", "dry", "P1"],
    ]
    record(
        folder,
        SETTINGS,
        reeds=csv_of(*reeds),
        sessions=csv_of(*sessions),
        tests=csv_of(*tests),
    )
    package = json.loads((folder / "datapackage.json").read_text("utf-8"))
    package |= {"title": f"{ANNA}'s autumn", "contributors": [{"title": ZOE}]}
    (folder / "datapackage.json").write_text(json.dumps(package), "utf-8")
    for (_, kind, codec), row in zip(kinds, tests[1:], strict=True):
        sound(folder / row[-1], kind, codec)
    _plan(folder)
    return folder


def _plan(folder: Path) -> None:
    batch = "Wolkenstein-1"
    files = {
        f"plans/{batch}_making.csv": csv_of(
            ["place", "shape", "shuffled_among"], ["1", "Anna's", f"what {ZOE} cut"]
        ),
        f"plans/{batch}_testing.csv": csv_of(
            ["session", "place", "blind_code", "hall"], ["1", "1", "K", "Zoë"]
        ),
        f"plans/{batch}_made.csv": csv_of(
            ["place", "shape", "made_on", "minutes_spent", "lost", "note"],
            ["1", "Anna's", "2026-01-10", "45", "", f"{JO} held the knife"],
        ),
        f"keys/{batch}.csv": csv_of(["place", "blind_code"], ["1", "K"]),
        "looks.csv": csv_of(
            list(COLUMNS),
            [
                *(f"drivers, player={ANNA}", "rating_anna", "shape", "wide - Anna's"),
                *(f"0.3 more for {ZOE}", "observed", "0.2", "shape; hall", "4", "0.4.0"),
            ],
        ),
        "journal/2026-02.jsonl": json.dumps({"by": ANNA}) + "\n",
    }
    for file, text in files.items():
        path = folder / file
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, "utf-8")
