"""What a reader of the package sees first: README, how to cite, checksums.

Everything is made from the choices and the files, so that the same study gives the same texts:
no hour of the packing, and by how many days the days were moved is not told.
"""

import json
from collections.abc import Mapping, Sequence

import reedlab
from reedlab.answer import counted
from reedlab.publish.package.choices import Choices
from reedlab.publish.package.part import Part, text_part
from reedlab.study import Settings

CHECKSUMS = "checksums.sha256"


def readme_part(
    title: str,
    settings: Settings,
    choices: Choices,
    parts: Sequence[Part],
    notices: Sequence[str],
) -> Part:
    """Return the README: what was done with the record, what is where, how to open and cite it."""
    licence = choices.licence
    invented = ["**Invented data: made by a program. No reed was made or measured.**", ""]
    lines = [
        f"# {title}",
        "",
        *(invented if settings.invented else []),
        f"The record of a study of {settings.instrument} reeds, in files that need no particular "
        "program.",
        "",
        "## What was changed before it was published",
        "",
        *(f"- {notice}" for notice in notices),
        "",
        "## What is where",
        "",
        *(f"- `{part.file}`: {part.holds}" for part in parts if not _is_recording(part)),
        *_recordings_line(parts),
        f"- `{CHECKSUMS}`: the SHA-256 of every other file",
        "",
        "Tables are CSV: UTF-8, commas, decimal points, days as 2026-03-04. `codebook.txt` says "
        "what each column means. The empty cell means that nothing was recorded.",
        "",
        "## How to open it",
        "",
        "In Python, `reedlab.open_study(...)` takes the zip as it is, or the folder into which it "
        f"was unpacked. It was made by reedlab {reedlab.__version__}. Any reader of the Data "
        "Package standard takes `datapackage.json`. To check that nothing was changed since: "
        f"`sha256sum -c {CHECKSUMS}`.",
        "",
        "## What you may do with it",
        "",
        f"{licence.name} ({licence.spdx}): <{licence.link}>. `CITATION.cff` says how to cite it.",
        "",
    ]
    return text_part("README.md", "this text", "\n".join(lines))


def _is_recording(part: Part) -> bool:
    return part.file.startswith("recordings/")


def _recordings_line(parts: Sequence[Part]) -> list[str]:
    count = sum(map(_is_recording, parts))
    return [f"- `recordings/`: {counted(count, 'recording')} of tests"] if count else []


def citation_part(title: str, settings: Settings, choices: Choices) -> Part:
    """Return CITATION.cff: the form of the Citation File Format 1.2.0, as a data set."""
    said: Mapping[str, str] = {
        "cff-version": "1.2.0",
        "message": "If you use these data, please cite them as below.",
        "type": "dataset",
        "title": title,
        "license": choices.licence.spdx,
    }
    maker = choices.maker or "The maker of this study, who is not named"
    words = ["double reed", settings.instrument, *(["invented data"] if settings.invented else [])]
    # A text in quotation marks and with escapes is the same in JSON and in YAML.
    lines = [f"{name}: {json.dumps(text, ensure_ascii=False)}" for name, text in said.items()]
    lines += ["authors:", f"  - name: {json.dumps(maker, ensure_ascii=False)}", "keywords:"]
    lines += [f"  - {json.dumps(word, ensure_ascii=False)}" for word in words]
    return text_part("CITATION.cff", "how to cite the data", "\n".join(lines) + "\n")


def checksums_part(parts: Sequence[Part]) -> Part:
    """Return the SHA-256 of every file, in the form that sha256sum checks."""
    lines = [f"{part.checksum}  {part.file}\n" for part in sorted(parts, key=lambda p: p.file)]
    return text_part(CHECKSUMS, "the SHA-256 of every other file", "".join(lines))
