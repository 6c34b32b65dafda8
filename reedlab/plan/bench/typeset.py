"""From the data of a page to print: the one file that knows the typesetter.

Text is handed over as JSON and set as it is, so no character of it can break a page.
Fonts come with the libraries; the machine's own are let in only for characters that
those lack (Chinese, for one), so that elsewhere the same sheet gives the same bytes.
"""

import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from reedlab.errors import unknown_name

#: What a paper is called here, and by the typesetter.
PAPERS = {"A4": "a4", "letter": "us-letter"}


def require_paper(paper: str) -> None:
    """Refuse a paper that there is no sheet for."""
    if paper not in PAPERS:
        raise unknown_name("paper", paper, PAPERS)


def typeset(sheet: Mapping[str, Any], paper: str = "A4") -> bytes:
    """Set a sheet as PDF.

    Parameters
    ----------
    sheet : mapping
        As :mod:`reedlab.plan.bench.pages` builds it.
    paper : {"A4", "letter"}

    Returns
    -------
    bytes
        The same for the same sheet.
    """
    return bytes(compiler(sheet, paper).compile(format="pdf"))


def compiler(sheet: Mapping[str, Any], paper: str = "A4") -> Any:
    """Return the typesetter with the sheet in it."""
    import typst

    require_paper(paper)
    data = json.dumps({**sheet, "paper": PAPERS[paper]}, ensure_ascii=False)
    fonts = typst.Fonts(
        include_system_fonts=bool({ord(character) for character in data} - _covered()),
        font_paths=[str(_font_folder())],
    )
    template = Path(__file__).with_name("sheets.typ")
    return typst.Compiler(str(template), font_paths=fonts, sys_inputs={"sheet": data})


def _font_folder() -> Path:
    import matplotlib as mpl

    return Path(mpl.get_data_path()) / "fonts" / "ttf"


@cache
def _covered() -> frozenset[int]:
    """The characters that the font of the sheets has."""
    from matplotlib.ft2font import FT2Font

    found = FT2Font(str(_font_folder() / "DejaVuSans.ttf")).get_charmap()
    return frozenset(found)
