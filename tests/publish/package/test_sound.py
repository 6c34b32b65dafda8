import struct

import av
import numpy as np
import pytest

from reedlab.errors import RecordError
from reedlab.publish.package import data_package
from reedlab.publish.package.sound import beside_the_sound, strip
from reedlab.study import open_study
from tests.publish.package.salted import ANNA, PLACE, salted, samples_of, sound

KINDS = [
    ("wav", "pcm_s16le", ".wav"),
    ("wav", "pcm_s24le", ".wav"),
    ("aiff", "pcm_s16be", ".aiff"),
    ("flac", "flac", ".flac"),
    ("mp3", "libmp3lame", ".mp3"),
    ("ipod", "aac", ".m4a"),
    ("ipod", "alac", ".m4a"),
    ("3gp", "aac", ".m4a"),
    ("mov", "pcm_s16le", ".mov"),
    ("ogg", "libopus", ".ogg"),
    ("ogg", "vorbis", ".ogg"),
    ("matroska", "vorbis", ".ogg"),
    ("adts", "aac", ".aac"),
    ("matroska", "libopus", ".mka"),
    ("caf", "pcm_s16be", ".caf"),
]


@pytest.mark.parametrize(("kind", "codec", "ending"), KINDS)
def test_the_samples_stay_and_the_rest_goes(tmp_path, kind, codec, ending):
    path = sound(tmp_path / "anna", kind, codec)
    copy = strip(path, tmp_path / "copy")
    assert copy.name == f"copy{ending}"
    before, after = samples_of(path), samples_of(copy)
    # Matroska says where a sound ends; in Ogg the last block of Vorbis sounds to its own end.
    longer = 256 if (kind, codec) == ("matroska", "vorbis") else 0
    assert after.shape[1] == before.shape[1] + longer
    assert (after[:, : before.shape[1]] == before).all()
    data = copy.read_bytes().lower()
    for word in (ANNA.lower(), PLACE, "2026", "wolken"):
        for code in ("utf-8", "utf-16-le", "utf-16-be"):
            assert word.encode(code) not in data
    with av.open(str(copy)) as container:
        said = dict(container.metadata) | dict(container.streams[0].metadata)
    assert not {"title", "artist", "comment", "location", "creation_time", "date"} & set(said)
    assert copy.read_bytes() == strip(path, tmp_path / "again").read_bytes()


def box(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", 8 + len(content)) + name + content


def test_where_a_telephone_says_it_was_is_gone(tmp_path):
    """ISO 6709 in ©xyz and a loci box (3GPP TS 26.244) inside moov/udta, as telephones write."""
    path = sound(tmp_path / "anna.m4a", "ipod", "aac")
    data = path.read_bytes()
    place = PLACE.encode()
    xyz = box(b"\xa9xyz", struct.pack(">HH", len(place), 0x15C7) + place)
    loci = box(
        b"loci", bytes(4) + b"\x15\xc7" + b"Wolkenstein\0" + b"\0" + bytes(12) + b"earth\0\0"
    )
    udta = box(b"udta", xyz + loci)
    at = data.rindex(b"moov") - 4
    size = struct.unpack(">I", data[at : at + 4])[0]
    # The box stands last in the file, so nothing else moves.
    assert at + size == len(data)
    path.write_bytes(data[:at] + struct.pack(">I", size + len(udta)) + data[at + 4 :] + udta)
    assert samples_of(path).size
    copy = strip(path, tmp_path / "copy").read_bytes()
    assert b"xyz" not in copy
    assert b"loci" not in copy
    assert place not in copy
    assert b"Wolkenstein" not in copy


def test_the_parts_that_recorders_put_into_a_wav_are_gone(tmp_path):
    path = sound(tmp_path / "anna.wav")
    data = path.read_bytes()
    parts = b"".join(
        name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)
        for name, content in (
            (b"bext", f"{ANNA} at {PLACE}".encode().ljust(602, b"\0")),
            (b"iXML", f"<BWFXML><NOTE>{ANNA}</NOTE></BWFXML>".encode()),
            (b"id3 ", b"ID3\x03\0\0\0\0\0\x20" + ANNA.encode("utf-16-le")),
        )
    )
    size = struct.unpack("<I", data[4:8])[0]
    path.write_bytes(data[:4] + struct.pack("<I", size + len(parts)) + data[8:] + parts)
    copy = strip(path, tmp_path / "copy")
    said = copy.read_bytes()
    assert [name for name in (b"bext", b"iXML", b"id3 ", b"LIST", b"INFO") if name in said] == []
    assert (samples_of(copy) == samples_of(path)).all()


def test_the_frames_of_id3_that_tell_most_are_gone(tmp_path):
    path = sound(tmp_path / "anna.mp3", "mp3", "libmp3lame")
    frames = b"".join(
        name + struct.pack(">I", len(content)) + b"\0\0" + content
        for name, content in (
            (b"TXXX", b"\0where\0" + PLACE.encode()),
            (b"GEOB", b"\0text/plain\0a\0b\0" + ANNA.encode()),
            (b"PRIV", b"owner\0" + ANNA.encode()),
        )
    )
    bare = strip(path, tmp_path / "bare").read_bytes()
    head = b"ID3\x03\0\0" + bytes([0, 0, len(frames) >> 7, len(frames) & 127])
    path.write_bytes(head + frames + bare)
    copy = strip(path, tmp_path / "copy").read_bytes()
    assert copy == bare
    assert path.read_bytes().count(b"Wolkenstein") == 2


def test_a_picture_is_not_copied(tmp_path):
    path = tmp_path / "anna.mka"
    with av.open(str(path), "w", format="matroska") as container:
        film = container.add_stream("mjpeg", rate=1)
        film.width = film.height = 16
        film.pix_fmt = "yuvj420p"
        tone = container.add_stream("flac", rate=48000, layout="mono")
        frame = av.VideoFrame.from_ndarray(np.zeros((16, 16, 3), np.uint8)).reformat(
            format="yuvj420p"
        )
        for packet in [*film.encode(frame), *film.encode(None)]:
            container.mux(packet)
        noise = np.ones((1, 4608), np.int16)
        block = av.AudioFrame.from_ndarray(noise, format="s16", layout="mono")
        block.sample_rate = 48000
        for packet in [*tone.encode(block), *tone.encode(None)]:
            container.mux(packet)
    assert "a part of the kind video" in beside_the_sound(path)
    copy = strip(path, tmp_path / "copy")
    with av.open(str(copy)) as container:
        assert [stream.type for stream in container.streams] == ["audio"]


def test_what_cannot_be_copied_is_left_out_and_told(tmp_path):
    study = salted(tmp_path / "study")
    takes = study.folder / "takes"
    (takes / "ANNA_wolkenstein 0.wav").write_text("no sound")
    (takes / "ANNA_wolkenstein 1.m4a").unlink()
    package = data_package(study, tmp_path / "open.zip", "CC0-1.0", recordings=True)
    reasons = package.left_out["fault"].tolist()
    assert package.left_out["row"].tolist() == [2, 3]
    assert reasons[0].startswith("ANNA_wolkenstein 0.wav cannot be copied as sound (")
    assert reasons[1] == "takes/ANNA_wolkenstein 1.m4a is not in the study's folder"
    assert package.sentence.endswith("2 recordings left out.")
    again = open_study(package.path)
    assert again.tables["tests"]["recording"].isna().tolist() == [True, True, False, False]
    assert "2 recordings could not be added." in (again.folder / "README.md").read_text("utf-8")


def test_a_file_without_sound_is_refused(tmp_path):
    (tmp_path / "notes.wav").write_text("Anna played")
    with pytest.raises(RecordError, match=r"notes.wav (holds no sound|cannot be copied)"):
        strip(tmp_path / "notes.wav", tmp_path / "copy")


def test_recordings_are_named_after_what_was_tested(tmp_path):
    study = salted(tmp_path / "study")
    package = data_package(study, tmp_path / "open.zip", "CC0-1.0", recordings=True)
    again = open_study(package.path)
    anna = package.aliases[ANNA]
    files = again.tables["tests"]["recording"].tolist()
    assert files[1] == f"recordings/AW-{anna}-1_S2_day-1-{anna}_1.m4a"
    assert all((again.folder / file).is_file() for file in files)
    told = "Listen to each recording before you publish it: a voice,"
    assert any(text.startswith(told) for text in package.cautions)


def test_a_recording_of_two_tests_is_there_once_and_two_of_one_test_twice(tmp_path):
    study = salted(tmp_path / "study")
    path = study.folder / "tests.csv"
    one, two = "takes/ANNA_wolkenstein 0.wav", "takes/ANNA_wolkenstein 3.flac"
    text = path.read_text("utf-8").replace("takes/ANNA_wolkenstein 1.m4a", one)
    path.write_text(text.replace("takes/ANNA_wolkenstein 2.mp3", f"{one}; {two}"), "utf-8")
    package = data_package(
        open_study(study.folder), tmp_path / "open.zip", "CC0-1.0", recordings=True
    )
    files = open_study(package.path).tables["tests"]["recording"].tolist()
    assert files[0] == files[1]
    assert files[2] == f"{files[0]}; {files[3]}"
    assert package.table["file"].str.startswith("recordings/").sum() == 2
