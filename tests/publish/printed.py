"""Reading a printed handout back: its words, the words of its pictures, its tags."""

import io
import re

from pypdf import PdfReader


def reader(pdf):
    return PdfReader(io.BytesIO(pdf), strict=True)


def squeezed(text):
    """Without any white space, real or of no width: lines break elsewhere in print."""
    return re.sub(r"[\s\u200b]", "", text)


def print_of(pdf):
    """All words in reading order, squeezed; without the foot of each page."""
    found = reader(pdf)
    title, last = squeezed(found.metadata.title), len(found.pages)
    pages = [squeezed(page.extract_text()) for page in found.pages]
    return "".join(
        re.sub(rf"{re.escape(title)}?{n}/{last}$", "", text) for n, text in enumerate(pages, 1)
    )


def tags(pdf):
    """Every tag with its words for who does not see it, in reading order."""
    waiting, found = [reader(pdf).trailer["/Root"]["/StructTreeRoot"]], []
    while waiting:
        one = waiting.pop(0)
        one = one.get_object() if hasattr(one, "get_object") else one
        if isinstance(one, list):
            waiting = [*one, *waiting]
        elif isinstance(one, dict):
            if "/S" in one:
                found.append((str(one["/S"]), str(one.get("/Alt", ""))))
            waiting = [one.get("/K", []), *waiting]
    return found
