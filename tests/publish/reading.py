"""Reading a handout back: the parsed document, its words, and every address in it."""

import re
from dataclasses import fields, is_dataclass

import html5lib

XHTML = "{http://www.w3.org/1999/xhtml}"
ADDRESSES = ("href", "src", "srcset", "data", "action", "poster", "background")


def parsed(text):
    """The document; every error of the standard's own algorithm is an error here."""
    return html5lib.HTMLParser(strict=True).parse(text)


def words(element):
    return " ".join("".join(element.itertext()).split())


def elements(tree, name):
    return [*tree.iter(f"{XHTML}{name}")]


def addresses(tree):
    """Everything that a browser would fetch, or a reader could be led to."""
    found = []
    for one in tree.iter():
        for name, value in one.attrib.items():
            if name in ADDRESSES or name.endswith("}href"):
                found.append(value)
            found += re.findall(r"url\(([^)]*)\)", value)
    for style in elements(tree, "style"):
        found += re.findall(r"url\(([^)]*)\)|@import\s+([^;]+)", style.text or "")
    return found


def texts(thing):
    """Every text of a page, wherever it stands."""
    if isinstance(thing, str):
        yield thing
    elif is_dataclass(thing):
        for one in fields(thing):
            if one.name not in ("svg", "png", "asks"):
                yield from texts(getattr(thing, one.name))
    elif isinstance(thing, dict):
        yield from (text for value in thing.values() for text in texts(value))
    elif isinstance(thing, tuple | list):
        yield from (text for value in thing for text in texts(value))
