"""From a page to one HTML file that needs nothing else.

Everything that comes from a study is text: it is escaped, and characters that no document
may hold (control characters, half pairs) become the mark of a missing one. Pictures are
images inside the file, where no script of theirs could run. Nothing is worded here.
"""

import re
from base64 import b64encode
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from reedlab.publish.content import Page

if TYPE_CHECKING:
    from jinja2 import Template

#: Control characters but tab and line feed, half pairs, and the places that hold no character.
_UNFIT = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]"
    "|["
    + "".join(
        f"{chr(plane + 0xFFFE)}{chr(plane + 0xFFFF)}" for plane in range(0x10000, 0x110000, 0x10000)
    )
    + "]"
)


def html_of(page: Page) -> str:
    """Return a page as HTML, the same text for the same page.

    Parameters
    ----------
    page : Page
        All wording settled.
    """
    return _template().render(page=page, heads=page.headings)


@cache
def _template() -> "Template":
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    folder = Path(__file__).parent
    environment = Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_fit,
    )
    environment.filters["inlined"] = _inlined
    # The one text that is no text of a study: the looks, from this folder.
    environment.globals["looks"] = Markup((folder / "page.css").read_text(encoding="utf-8"))
    return environment.get_template("page.html.j2")


def _fit(value: object) -> object:
    from markupsafe import Markup

    if isinstance(value, Markup) or not isinstance(value, str):
        return value
    return _UNFIT.sub("\N{REPLACEMENT CHARACTER}", value)


def _inlined(svg: str) -> str:
    """Write a picture as the address of an image."""
    return f"data:image/svg+xml;base64,{b64encode(_UNFIT.sub('', svg).encode()).decode()}"
