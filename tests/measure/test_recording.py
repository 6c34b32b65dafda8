"""Sound files of every kind are read right, or refused in one sentence that helps.

The files are written by scipy and PyAV, or byte by byte; the truth is what was written.
"""

import subprocess
import sys
from pathlib import Path

import av
import numpy as np
import pytest
from scipy.io import wavfile

from reedlab.errors import RecordError
from reedlab.measure import recording
from reedlab.measure.recording import read_recording
from tests.measure import degrade
from tests.measure.real_notes import decoded, real_notes

RATE = 44_100
T = np.arange(RATE) / RATE
TONE = 0.5 * np.sin(2 * np.pi * 330 * T)


def _coded(path: Path, codec: str, stored: np.ndarray, kind: str, layout: str = "mono") -> Path:
    """Write packed samples, shape (n, channels), as they are."""
    with av.open(str(path), "w") as file:
        stream = file.add_stream(codec, rate=RATE, layout=layout, format=kind)
        frame = av.AudioFrame.from_ndarray(stored.reshape(1, -1), format=kind, layout=layout)
        frame.sample_rate = RATE
        file.mux(stream.encode(frame))
        file.mux(stream.encode(None))
    return path


def _header(promised_bytes: int, rate_hz: int = RATE, bits: int = 16) -> bytes:
    """The 44 bytes of a WAV of one channel (Microsoft and IBM 1991, from memory)."""
    width = bits // 8
    fields = [(16, 4), (1, 2), (1, 2), (rate_hz, 4), (rate_hz * width, 4), (width, 2), (bits, 2)]
    form = b"".join(value.to_bytes(size, "little") for value, size in fields)
    size = (36 + promised_bytes).to_bytes(4, "little")
    return b"RIFF" + size + b"WAVEfmt " + form + b"data" + promised_bytes.to_bytes(4, "little")


def _message(path: Path) -> str:
    with pytest.raises(RecordError) as caught:
        read_recording(path)
    text = str(caught.value)
    assert "\n" not in text
    assert path.name in text
    return text


@pytest.mark.parametrize(
    ("stored", "truth"),
    [
        (np.array([0, 128, 255, 192], dtype=np.uint8), [-1, 0, 127 / 128, 0.5]),
        (np.array([-32768, 0, 32767, 16384], dtype=np.int16), [-1, 0, 1 - 2**-15, 0.5]),
        (np.array([-(2**31), 0, 2**31 - 1, 2**30], dtype=np.int32), [-1, 0, 1 - 2**-31, 0.5]),
        (np.array([-1.0, 0.0, 1.5, 0.5], dtype=np.float32), [-1, 0, 1.5, 0.5]),
        (np.array([-1.0, 0.0, 1.5, 0.1], dtype=np.float64), [-1, 0, 1.5, 0.1]),
    ],
)
def test_full_scale_is_one_whatever_the_numbers_are_stored_as(stored, truth, tmp_path) -> None:
    wavfile.write(tmp_path / "x.wav", RATE, np.tile(stored, 3000))
    found = read_recording(tmp_path / "x.wav")
    assert found.samples.tolist() == truth * 3000
    assert (found.rate_hz, found.samples.dtype, found.cautions) == (RATE, np.float64, ())


@pytest.mark.parametrize(
    ("name", "codec", "kind", "bits"),
    [
        ("x.wav", "pcm_s24le", "s32", 24),
        ("x.aiff", "pcm_s16be", "s16", 16),
        ("x.aiff", "pcm_s24be", "s32", 24),
        ("x.flac", "flac", "s16", 16),
        ("x.flac", "flac", "s32", 24),
        ("x.m4a", "alac", "s16p", 16),
    ],
)
def test_formats_without_loss_give_back_every_sample(name, codec, kind, bits, tmp_path) -> None:
    whole = np.round(TONE * 2 ** (bits - 1))
    stored = (whole * (2**8 if bits == 24 else 1)).astype(np.int32 if bits == 24 else np.int16)
    path = _coded(tmp_path / name, codec, stored, kind)
    assert read_recording(path).samples.tolist() == (whole / 2 ** (bits - 1)).tolist()


@pytest.mark.parametrize(
    ("write", "name"), [(degrade.mp3, "x.mp3"), (degrade.m4a, "x.m4a"), (degrade.ogg, "x.ogg")]
)
def test_formats_with_loss_keep_level_and_length(write, name, tmp_path) -> None:
    found = read_recording(write(TONE, RATE, tmp_path / name))
    middle = found.part(0.3, 0.7)
    # Encoders turn down a little (LAME by 5 %), so that coding does not clip.
    assert np.std(middle) == pytest.approx(np.std(TONE), rel=0.06)
    assert found.duration_s == pytest.approx(1, abs=0.06)
    assert found.rate_hz == (48_000 if name == "x.ogg" else RATE)
    assert found.cautions == ()


@pytest.mark.parametrize("rate_hz", [8000, 11_025, 22_050, 48_000, 96_000, 192_000])
def test_the_rate_stays_that_of_the_file(rate_hz, tmp_path) -> None:
    tone = 0.5 * np.sin(2 * np.pi * 440.3 * np.arange(rate_hz // 2) / rate_hz)
    found = read_recording(degrade.wav(tone, rate_hz, tmp_path / "x.wav"))
    assert (found.rate_hz, len(found.samples)) == (rate_hz, rate_hz // 2)
    assert found.duration_s == pytest.approx(0.5, abs=1e-4)
    assert bool(found.cautions) == (rate_hz < 16_000)


def test_a_low_rate_is_a_caution_and_a_very_low_one_is_refused(tmp_path) -> None:
    low = read_recording(degrade.wav(TONE, 8000, tmp_path / "x.wav"))
    assert low.cautions == (
        "x.wav has 8000 samples a second: nothing above 4000 Hz is in it, so its levels and tone "
        "do not compare with those of other recordings.",
    )
    degrade.wav(TONE, 2000, tmp_path / "y.wav")
    assert _message(tmp_path / "y.wav") == (
        "y.wav has 2000 samples a second, too few for a reed; record with 44100 or 48000."
    )


def test_real_notes_are_read_as_another_reading_has_them() -> None:
    for path in real_notes().values():
        assert np.array_equal(read_recording(path).samples, decoded(path)[0][:, 0])


@pytest.mark.parametrize("suffix", [".wav", ".txt", ""])
def test_content_decides_and_not_the_name(suffix, tmp_path) -> None:
    true = degrade.m4a(TONE, RATE, tmp_path / "x.m4a")
    lie = tmp_path / f"10:30 crow, 100%03d{suffix}"
    lie.write_bytes(true.read_bytes())
    assert np.array_equal(read_recording(lie).samples, read_recording(true).samples)


def test_clipping_is_kept(tmp_path) -> None:
    found = read_recording(degrade.wav(4 * TONE, RATE, tmp_path / "x.wav"))
    assert (np.abs(found.samples) > 0.9999).mean() > 0.6


# Two channels


def test_opposite_channels_do_not_cancel(tmp_path) -> None:
    found = read_recording(degrade.opposed_channels(TONE, RATE, tmp_path / "x.wav"))
    assert np.std(found.samples) == pytest.approx(np.std(TONE), rel=1e-3)
    assert found.cautions == ("The channels are opposite and would cancel; the left one is used.",)


@pytest.mark.parametrize(("dead", "used"), [(0, "right"), (1, "left")])
def test_a_dead_channel_is_named_and_costs_no_level(dead, used, tmp_path) -> None:
    found = read_recording(degrade.one_dead_channel(TONE, RATE, tmp_path / "x.wav", dead))
    assert 20 * np.log10(np.std(found.samples) / np.std(TONE)) == pytest.approx(0, abs=0.05)
    silent = "left" if dead == 0 else "right"
    assert found.cautions == (f"The {silent} channel is silent; the {used} one is used.",)


def test_equal_channels_are_one_without_a_word(tmp_path) -> None:
    found = read_recording(degrade.wav(np.column_stack([TONE, TONE]), RATE, tmp_path / "x.wav"))
    assert found.cautions == ()
    assert found.samples.shape == (RATE,)


def test_of_channels_that_differ_the_louder_is_taken(tmp_path) -> None:
    noise = np.random.default_rng(1).normal(size=RATE) * 0.01
    both = np.column_stack([TONE / 2 + noise, TONE])
    found = read_recording(degrade.wav(both, RATE, tmp_path / "x.wav"))
    assert found.cautions == ("The two channels differ; the right one, 6.0 dB louder, is used.",)
    assert np.abs(found.samples - TONE).max() < 1e-4


def test_a_constant_is_not_taken_for_sound_in_a_channel(tmp_path) -> None:
    both = np.column_stack([np.full(RATE, 0.9), TONE / 4])
    found = read_recording(degrade.wav(both, RATE, tmp_path / "x.wav"))
    assert found.cautions == ("The left channel is silent; the right one is used.",)


def test_of_more_channels_the_loudest_is_taken(tmp_path) -> None:
    many = np.column_stack([TONE / 8, TONE / 4, TONE, TONE / 2])
    found = read_recording(degrade.wav(many, RATE, tmp_path / "x.wav"))
    assert found.cautions == ("x.wav has 4 channels; the loudest, number 3, is used.",)


# What cannot be used


def test_no_file_a_folder_and_an_empty_file(tmp_path) -> None:
    (tmp_path / "empty.wav").write_bytes(b"")
    (tmp_path / "takes").mkdir()
    assert "There is no file" in _message(tmp_path / "no.wav")
    assert "is a folder; name one sound file in it." in _message(tmp_path / "takes")
    assert _message(tmp_path / "empty.wav") == (
        "empty.wav is empty; copy it from the recorder again."
    )


@pytest.mark.parametrize(
    "content",
    [
        b"soft,loud\n1,2\n" * 40,
        b"def crow():\n    return 1\n" * 200,
        np.random.default_rng(1).bytes(50_000),
        _header(88_200)[:20],
        _header(88_200, rate_hz=0) + b"\1" * 88_200,
    ],
)
def test_what_is_no_sound_is_refused_whatever_its_name(content, tmp_path) -> None:
    (tmp_path / "x.wav").write_bytes(content)
    text = _message(tmp_path / "x.wav")
    assert "cannot be read as sound" in text or "holds no sound" in text


def test_a_list_of_other_addresses_is_not_followed(tmp_path) -> None:
    degrade.wav(TONE, RATE, tmp_path / "other.wav")
    (tmp_path / "x.wav").write_text(f"#EXTM3U\n#EXTINF:1,\n{tmp_path}/other.wav\n#EXT-X-ENDLIST\n")
    assert "cannot be read as sound" in _message(tmp_path / "x.wav")


def test_pictures_without_sound_are_refused(tmp_path) -> None:
    with av.open(str(tmp_path / "x.mp4"), "w") as file:
        stream = file.add_stream("mpeg4", rate=10, width=64, height=64, pix_fmt="yuv420p")
        picture = av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), np.uint8))
        file.mux(stream.encode(picture))
        file.mux(stream.encode(None))
    assert _message(tmp_path / "x.mp4") == (
        "x.mp4 holds pictures but no sound; choose the recording of the reed."
    )


def test_a_header_alone_is_refused(tmp_path) -> None:
    (tmp_path / "x.wav").write_bytes(_header(88_200))
    assert "x.wav has a header but no sound after it" in _message(tmp_path / "x.wav")


@pytest.mark.parametrize(("promised_s", "text"), [(3, "3.0"), (24_000, "24000.0")])
def test_a_wav_that_promises_more_than_it_holds_is_refused(promised_s, text, tmp_path) -> None:
    sound = np.round(TONE * 32767).astype("<i2").tobytes()
    (tmp_path / "x.wav").write_bytes(_header(88_200 * promised_s) + sound + b"\7")
    assert _message(tmp_path / "x.wav") == (
        f"x.wav is cut off: it promises {text} s and holds 1.0 s; copy it from the recorder again, "
        "or save what is left of it as a new file."
    )


@pytest.mark.parametrize("before", [True, False])
def test_notes_beside_the_sound_are_not_taken_for_sound(before, tmp_path) -> None:
    # As recorders write a picture or a list of markers.
    sound = np.round(TONE * 32767).astype("<i2").tobytes()
    notes = b"LIST" + (500_000).to_bytes(4, "little") + bytes(500_000)
    head, data = _header(len(sound))[12:36], _header(len(sound))[36:] + sound
    body = b"WAVE" + head + (notes + data if before else data + notes)
    (tmp_path / "x.wav").write_bytes(b"RIFF" + len(body).to_bytes(4, "little") + body)
    found = read_recording(tmp_path / "x.wav")
    assert (len(found.samples), found.cautions) == (RATE, ())


@pytest.mark.parametrize("told", [0, 2**32 - 1])
def test_a_size_that_was_never_filled_in_promises_nothing(told, tmp_path) -> None:
    sound = np.round(TONE * 32767).astype("<i2").tobytes()
    header = _header(0)
    size = told.to_bytes(4, "little")
    (tmp_path / "x.wav").write_bytes(header[:4] + size + header[8:40] + b"\xff" * 4 + sound)
    found = read_recording(tmp_path / "x.wav")
    assert (len(found.samples), found.cautions) == (RATE, ())


@pytest.mark.parametrize(("write", "name"), [(degrade.mp3, "x.mp3"), (None, "x.flac")])
def test_other_files_cut_off_are_refused(write, name, tmp_path) -> None:
    path = tmp_path / name
    noise = TONE + np.random.default_rng(1).normal(size=RATE) / 20
    if write is None:
        _coded(path, "flac", np.round(noise * 32767).astype(np.int16), "s16")
    else:
        write(noise, RATE, path)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert "is cut off: it promises 1.0 s and holds 0." in _message(path)


def test_an_mp3_that_does_not_tell_its_length_promises_nothing(tmp_path) -> None:
    whole = degrade.mp3(np.concatenate([TONE, TONE * 1e-3]), RATE, tmp_path / "x.mp3").read_bytes()
    # The first frame only counts the others; the sound begins with the next.
    (tmp_path / "y.mp3").write_bytes(whole[whole.index(b"\xff\xfb", whole.index(b"Info")) :])
    assert read_recording(tmp_path / "y.mp3").cautions == ()


def test_an_m4a_cut_off_before_its_table_is_refused(tmp_path) -> None:
    path = degrade.m4a(TONE, RATE, tmp_path / "x.m4a")
    path.write_bytes(path.read_bytes()[:5000])
    assert "cannot be read as sound" in _message(path)


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_samples_that_are_no_numbers_are_refused(bad, tmp_path) -> None:
    samples = TONE.astype(np.float32)
    samples[22_050:22_053] = bad
    wavfile.write(tmp_path / "x.wav", RATE, samples)
    assert _message(tmp_path / "x.wav") == (
        "x.wav holds 3 samples that are not numbers, the first at 0.50 s; write the file again "
        "from its source."
    )


def test_a_coding_that_nobody_knows_is_refused(tmp_path) -> None:
    header = bytearray(_header(88_200))
    header[20:22] = b"\x99\x77"
    (tmp_path / "x.wav").write_bytes(bytes(header) + bytes(range(256)) * 345)
    assert _message(tmp_path / "x.wav").startswith(
        "x.wav is coded in a way that is not known here; copy it from the recorder again"
    )


def test_samples_beyond_all_scale_are_refused(tmp_path) -> None:
    wavfile.write(tmp_path / "x.wav", RATE, TONE * 1e300)
    assert "where full scale is 1" in _message(tmp_path / "x.wav")


@pytest.mark.parametrize("level", [0.0, 0.25, 1e-5])
def test_silence_is_refused(level, tmp_path) -> None:
    samples = np.full(RATE, level) if level != 1e-5 else TONE * level
    wavfile.write(tmp_path / "x.wav", RATE, samples.astype(np.float32))
    assert _message(tmp_path / "x.wav") == (
        "x.wav has no sound in it; check the microphone and its setting."
    )


@pytest.mark.parametrize(("count", "told"), [(1, "2.27e-05"), (4000, "0.0907")])
def test_what_is_too_short_is_refused(count, told, tmp_path) -> None:
    degrade.wav(TONE[100 : 100 + count], RATE, tmp_path / "x.wav")
    assert _message(tmp_path / "x.wav") == (
        f"x.wav holds {told} s of sound; a test needs at least 0.1 s."
    )


# Long files


def test_no_more_is_read_than_wanted(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(recording, "LONGEST_S", 0.6)
    found = read_recording(degrade.wav(TONE, RATE, tmp_path / "x.wav"))
    assert len(found.samples) == 0.6 * RATE
    assert found.cautions == (
        "x.wav is longer than is read at once: only its first 0.01 minutes are used; cut the "
        "file to use the rest.",
    )
    monkeypatch.setattr(recording, "LONGEST_S", 1.0)
    assert read_recording(tmp_path / "x.wav").cautions == ()


def test_two_hours_cost_no_more_memory_than_ten_minutes(tmp_path) -> None:
    minute = np.round(TONE * 32767).astype("<i2")[:8000].tobytes() * 60
    with (tmp_path / "x.wav").open("wb") as file:
        file.write(_header(120 * len(minute), rate_hz=8000))
        for _ in range(120):
            file.write(minute)
    code = (
        "import resource, sys\n"
        "from reedlab.measure.recording import read_recording\n"
        "import av\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        f"found = read_recording({str(tmp_path / 'x.wav')!r})\n"
        "after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "print(found.duration_s, (after - before) / 1024, len(found.cautions))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    duration_s, megabytes, cautions = map(float, out.stdout.split())
    # Ten minutes at 8 kHz are 38 MB as numbers; two hours would be 461.
    assert (duration_s, cautions) == (600, 2)
    assert megabytes < 120
