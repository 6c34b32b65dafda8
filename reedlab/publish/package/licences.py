"""The licences under which data are usually opened: short name, full name, link.

Short names are the identifiers of the SPDX licence list; the links lead to the licence's own
text. None is chosen for the maker, for only he can give his data away.
"""

from dataclasses import dataclass

from reedlab.errors import CallError, unknown_name


@dataclass(frozen=True)
class Licence:
    """A licence by its SPDX identifier, with its name and a link to its text."""

    spdx: str
    name: str
    link: str


_CC = "https://creativecommons.org"

LICENCES = (
    Licence("CC0-1.0", "Creative Commons Zero 1.0 Universal", f"{_CC}/publicdomain/zero/1.0/"),
    Licence(
        "CC-BY-4.0", "Creative Commons Attribution 4.0 International", f"{_CC}/licenses/by/4.0/"
    ),
    Licence(
        "CC-BY-SA-4.0",
        "Creative Commons Attribution Share Alike 4.0 International",
        f"{_CC}/licenses/by-sa/4.0/",
    ),
    Licence(
        "CC-BY-NC-4.0",
        "Creative Commons Attribution Non Commercial 4.0 International",
        f"{_CC}/licenses/by-nc/4.0/",
    ),
    Licence(
        "CC-BY-NC-SA-4.0",
        "Creative Commons Attribution Non Commercial Share Alike 4.0 International",
        f"{_CC}/licenses/by-nc-sa/4.0/",
    ),
    Licence(
        "ODC-By-1.0",
        "Open Data Commons Attribution License v1.0",
        "https://opendatacommons.org/licenses/by/1-0/",
    ),
    Licence(
        "ODbL-1.0",
        "Open Data Commons Open Database License v1.0",
        "https://opendatacommons.org/licenses/odbl/1-0/",
    ),
    Licence(
        "PDDL-1.0",
        "Open Data Commons Public Domain Dedication & License 1.0",
        "https://opendatacommons.org/licenses/pddl/1-0/",
    ),
)


def licence_named(spdx: str) -> Licence:
    """Return the licence of that identifier, or say which are near.

    Raises
    ------
    CallError
        If none was chosen, or it is no licence for data that is known here.

    Examples
    --------
    >>> licence_named("CC-BY-4.0").link
    'https://creativecommons.org/licenses/by/4.0/'
    """
    known = {licence.spdx: licence for licence in LICENCES}
    if not isinstance(spdx, str) or not spdx.strip():
        raise CallError(
            "Say under which licence the data are opened, for example licence='CC-BY-4.0' (use "
            f"them and name the maker) or 'CC0-1.0' (no conditions); known: {', '.join(known)}."
        )
    if spdx not in known:
        raise unknown_name("licence for data", spdx, known)
    return known[spdx]
