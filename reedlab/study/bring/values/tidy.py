"""What is taken off a cell before it is read: outer spaces, invisible characters, hedges."""

import re
import unicodedata

#: Characters of these kinds are never typed on purpose; line breaks and tabs may be.
_INVISIBLE = ("Cc", "Cf", "Co", "Cs", "Cn")
#: Hyphens and dashes of other codes that programs put for a minus sign.
_HYPHENS = dict.fromkeys(map(ord, "\u2010\u2011\u2012\ufe63\uff0d"), "-")
_SOFT = re.compile("\u00ad(?=[0-9.,])")
_BEFORE = re.compile(
    r"(?:[~≈∼≃]|(?:ca|circa|approx|env|etwa|about|around|roughly|approximately|environ|"
    r"ungefähr|rund|ungef)\b\.?|c\.)\s*(?=\S)",
    re.IGNORECASE,
)
_AFTER = re.compile(r"\s*(?:\(\?\)|\?|\bca\.?|\bapprox\.?|\bcirca|\(ca\.?\)|\(approx\.?\))$", re.I)


def tidied(typed: str) -> str:
    r"""Return a cell without outer spaces and without characters that nobody sees.

    Examples
    --------
    >>> tidied("\u200b Breit\u00a0")
    'Breit'
    """
    if typed.isascii() and typed.isprintable():
        return typed.strip()
    seen = (c for c in typed if c in "\n\t" or unicodedata.category(c) not in _INVISIBLE)
    return "".join(seen).strip()


def with_one_minus(typed: str) -> str:
    """Return a text in which every hyphen that stands for a minus sign is the plain one.

    Examples
    --------
    >>> with_one_minus("\u20115") == with_one_minus("\u00ad5") == "-5"
    True
    """
    return typed if typed.isascii() else _SOFT.sub("-", typed.translate(_HYPHENS))


def unhedged(typed: str) -> tuple[str, bool]:
    """Return a text without "about" in front of it or a question mark behind, and if it had one.

    Examples
    --------
    >>> unhedged("~-15"), unhedged("ca. 24 mm"), unhedged("24?"), unhedged("?")
    (('-15', True), ('24 mm', True), ('24', True), ('?', False))
    """
    rest = _BEFORE.sub("", typed, count=1) if _BEFORE.match(typed) else typed
    rest = _AFTER.sub("", rest) or rest
    return rest, rest != typed
