"""From a page to print: one tagged PDF (PDF/UA-1) of A4 sheets that says what the page says.

Text is handed to the typesetter as JSON and set as it is, so no character of it can break
the page; what cannot be seen in print becomes the mark of a missing character. Nothing is
worded here. The font comes with the libraries; the machine's own are let in only for
characters that it lacks, so that elsewhere the same page gives the same bytes.
"""

import json
import unicodedata
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import Any

from reedlab.publish.content import Page, ShownTable

#: Width of a picture, mm; of a table's letters, points: the wider the table the smaller.
_PICTURE_MM = 108
_LETTERS = ((8, 7.5), (11, 6.5), (99, 5.5))
#: Control, half a pair, private, unassigned: these have no form in print.
_UNSEEN = ("Cc", "Cs", "Co", "Cn")


def pdf_of(page: Page) -> bytes:
    """Return a page as PDF, the same bytes for the same page.

    Tagged, with title and language; pictures have their words. Where not one font of the
    machine has a character of the page, it is tagged all the same, but the standard
    PDF/UA-1, which forbids that, is not claimed.

    Parameters
    ----------
    page : Page
        All wording settled.
    """
    import typst

    data = json.dumps(_data(page), ensure_ascii=False)
    fonts = typst.Fonts(
        include_system_fonts=bool({ord(character) for character in data} - _covered()),
        font_paths=[str(_font_folder())],
    )
    template = Path(__file__).with_name("page.typ")
    compiler = typst.Compiler(str(template), font_paths=fonts, sys_inputs={"page": data})
    compiled: Any
    try:
        compiled = compiler.compile(format="pdf", pdf_standards="ua-1", timestamp=0)
    except typst.TypstError:
        compiled = compiler.compile(format="pdf", timestamp=0)
    return bytes(compiled)


def _data(page: Page) -> dict[str, Any]:
    language, _, region = page.language.partition("-")
    data = _seen(asdict(page))
    for section, shown in zip(data["sections"], page.sections, strict=True):
        del section["asks"]
        if shown.picture:
            del section["picture"]["png"]
    return data | {
        "lang": language,
        "region": region or None,
        "picture_width": _PICTURE_MM,
        "table_size": min((_letters(one.table) for one in page.sections if one.table), default=0),
    }


def _letters(table: ShownTable) -> float:
    return next(size for most, size in _LETTERS if len(table.headers) <= most)


def _seen(thing: Any) -> Any:
    """Return a thing with all its texts fit for print."""
    if isinstance(thing, str):
        return "".join(map(_character, thing))
    if isinstance(thing, dict):
        return {name: _seen(one) for name, one in thing.items()}
    if isinstance(thing, tuple | list):
        return [_seen(one) for one in thing]
    return thing


def _character(character: str) -> str:
    if character in "\n\t":
        return " "
    unseen = unicodedata.category(character) in _UNSEEN
    return "\N{REPLACEMENT CHARACTER}" if unseen else character


def _font_folder() -> Path:
    import matplotlib as mpl

    return Path(mpl.get_data_path()) / "fonts" / "ttf"


@cache
def _covered() -> frozenset[int]:
    """The characters that the font of the page has."""
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(str(_font_folder() / "DejaVuSans.ttf")).get_charmap())
