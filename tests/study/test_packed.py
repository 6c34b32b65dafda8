import zipfile
from pathlib import Path

import pytest

from reedlab.errors import RecordError
from reedlab.study import open_study
from reedlab.study.packed import unpack
from tests.study.build import planned_batch, record


def zipped(path: Path, *files: tuple[str | zipfile.ZipInfo, bytes]) -> Path:
    """Write a zip with a study of one reed and other files besides."""
    home = record(path.with_suffix(""), reeds="reed_id\n1\n")
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in home.iterdir():
            archive.write(file, file.name)
        for name, content in files:
            archive.writestr(name, content)
    return path


def test_a_zip_of_a_study_opens_to_be_read_only(tmp_path):
    study = planned_batch(tmp_path / "study")
    with zipfile.ZipFile(tmp_path / "study.zip", "w") as archive:
        for file in study.folder.glob("*.*"):
            archive.write(file, file.name)
    again = open_study(tmp_path / "study.zip")
    assert again.read_only == "it was opened read-only"
    assert again.tables["reeds"].equals(study.tables["reeds"])
    assert again.settings == study.settings
    with pytest.raises(RecordError, match=r"Nothing can be written to .*: it was opened read-only"):
        again.undo()


def test_folders_in_a_zip_are_no_files(tmp_path):
    path = zipped(tmp_path / "a.zip", ("recordings/", b""), ("recordings/a.wav", b"RIFF"))
    assert (open_study(path).folder / "recordings/a.wav").read_bytes() == b"RIFF"


def link(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.create_system, info.external_attr = 3, 0o120777 << 16
    return info


@pytest.mark.parametrize(
    ("file", "content", "message"),
    [
        ("../evil.csv", b"x", "a.zip holds '../evil.csv', which leads outside; it is not opened."),
        ("/etc/evil", b"x", "a.zip holds '/etc/evil', which leads outside"),
        ("a/../../evil", b"x", "which leads outside"),
        ("C:/evil.csv", b"x", "which leads outside"),
        ("C:\\evil.csv", b"x", "which leads outside"),
        ("..\\evil.csv", b"x", "which leads outside"),
        ("~/evil", b"x", "which leads outside"),
        (link("takes"), b"/etc", "a.zip holds the link 'takes'; it is not opened."),
        ("REEDS.csv", b"x", "a.zip holds 'REEDS.csv' twice; it is not opened."),
        ("big.wav", bytes(6_000_000), "which unpacks to more than 200 times its size"),
    ],
)
def test_what_no_package_holds_is_refused(tmp_path, file, content, message):
    path = zipped(tmp_path / "a.zip", (file, content))
    with pytest.raises(RecordError, match=message.replace(".", r"\.")) as caught:
        open_study(path)
    assert "\n" not in str(caught.value)
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["a", "a.zip"]


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_name_that_comes_twice_is_refused(tmp_path):
    path = zipped(tmp_path / "a.zip", ("reeds.csv", b"reed_id\n2\n"))
    with pytest.raises(RecordError, match=r"a\.zip holds 'reeds\.csv' twice"):
        open_study(path)


def test_a_size_that_is_a_lie_is_damage(tmp_path):
    path = zipped(tmp_path / "a.zip", ("z.csv", b"a" * 5000))
    data = bytearray(path.read_bytes())
    at = data.rindex(b"PK\x01\x02")
    data[at + 24 : at + 28] = (10).to_bytes(4, "little")
    path.write_bytes(bytes(data))
    with pytest.raises(RecordError, match=r"a\.zip is damaged or not complete"):
        open_study(path)


def test_a_zip_that_was_cut_off_or_changed_is_told(tmp_path):
    path = zipped(tmp_path / "a.zip")
    data = path.read_bytes()
    place = data.index(b"reeds.csv") + len("reeds.csv") + 2
    path.write_bytes(data[:place] + b"\xff\xff\xff" + data[place + 3 :])
    with pytest.raises(RecordError, match=r"a\.zip is damaged or not complete"):
        open_study(path)
    path.write_bytes(data[:100])
    with pytest.raises(RecordError, match="There is no folder"):
        open_study(path)


def test_a_zip_of_something_else_is_no_package(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("a.txt", "x")
    message = r"a\.zip holds no datapackage\.json, so it is no package of a study\."
    with pytest.raises(RecordError, match=message):
        unpack(tmp_path / "a.zip")


def test_a_zip_of_the_folder_says_how_to_pack_it(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("a/datapackage.json", "{}")
    with pytest.raises(RecordError, match="pack the files themselves, not the folder around them"):
        open_study(tmp_path / "a.zip")


def test_a_locked_zip_is_told(tmp_path):
    path = zipped(tmp_path / "a.zip")
    data = bytearray(path.read_bytes())
    data[data.rindex(b"PK\x01\x02") + 8] |= 1
    path.write_bytes(bytes(data))
    with pytest.raises(RecordError, match=r"a\.zip is locked by a password"):
        open_study(path)
