"""The package's ``datapackage.json``: the study's own, and beside its tables every other file.

A resource that is no table of the record says so (``beside_the_record``), so that the package
opens as the study that it is. Every resource has its size and its SHA-256.
"""

import json
import mimetypes
import re
from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import Any

from reedlab.publish.package.licences import Licence
from reedlab.publish.package.part import Part, text_part
from reedlab.study import Settings
from reedlab.study.descriptor import DESCRIPTOR, descriptor_text, package_text
from reedlab.study.resources import BESIDE, resource_to_json

_TYPES = {
    ".md": "text/markdown",
    ".cff": "text/yaml",
    ".flac": "audio/flac",
    ".mka": "audio/matroska",
}
_TYPES |= {".m4a": "audio/mp4", ".w64": "audio/x-w64", ".caf": "audio/x-caf", ".opus": "audio/ogg"}
_TYPES |= {".ogg": "audio/ogg", ".wav": "audio/wav"}


def descriptor_part(
    title: str, settings: Settings, parts: Sequence[Part], licence: Licence
) -> Part:
    """Return the descriptor of a package of these files."""
    package = json.loads(descriptor_text(title, title, settings, []))
    package["licenses"] = [{"name": licence.spdx, "title": licence.name, "path": licence.link}]
    present = {part.table.name for part in parts if part.of_the_record and part.table}
    package["resources"] = [
        resource
        for part in sorted(parts, key=lambda part: not part.of_the_record)
        for resource in [_resource(part, present)]
    ]
    return text_part(
        DESCRIPTOR, "what every file and every column is, for programs", package_text(package)
    )


def _resource(part: Part, present: set[str]) -> dict[str, Any]:
    if part.table is not None:
        resource = resource_to_json(part.table, present)
        if not part.table.key:
            del resource["schema"]["primaryKey"]
    else:
        path = PurePosixPath(part.file)
        guessed = _TYPES.get(path.suffix) or mimetypes.types_map.get(path.suffix, "")
        resource = {"format": path.suffix.lstrip("."), "mediatype": guessed or "text/plain"}
    if not part.of_the_record:
        resource |= {"name": re.sub(r"[^a-z0-9]+", "-", part.file.lower()).strip("-"), BESIDE: True}
    resource |= {"path": part.file, "description": part.holds}
    resource |= {"bytes": part.size, "hash": f"sha256:{part.checksum}"}
    first = ("name", "path", "description")
    return {name: resource[name] for name in first} | resource
