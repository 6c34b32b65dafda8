"""Blind codes: the mark on a reed while it is judged without knowing which reed it is.

A code has four characters of an alphabet of 31 without look-alikes: a letter, a digit,
a third character, and a check character that makes the weighted sum of all four a
multiple of 31. Since 31 is prime and the weights differ, one mistyped character and two
characters that have changed places are always noticed. A letter and a digit come first
because a spreadsheet takes ``2E34`` for a number and ``MAR2`` for a day.
"""

from collections.abc import Collection, Iterable
from functools import cache
from itertools import product

import numpy as np

from reedlab.errors import CallError, listed

#: No O and 0, no I and 1, and no U, which in handwriting is a V.
ALPHABET = "23456789ABCDEFGHJKLMNPQRSTVWXYZ"

# The scheme of the ten-digit ISBN (ISO 2108:1992: modulus 11, weights 10 to 1) with another
# prime; ISO/IEC 7064:2003 has the same idea for letters and digits (modulus 37).
_WEIGHTS = (4, 3, 2, 1)
_LENGTH = len(_WEIGHTS)
_DIGITS = ALPHABET[:8]
_LETTERS = ALPHABET[8:]


def draw_codes(
    count: int, rng: np.random.Generator, taken: Collection[str] = ()
) -> tuple[str, ...]:
    """Draw blind codes by chance, each at most once.

    Parameters
    ----------
    count : int
        How many.
    rng : numpy.random.Generator
        Where the chance comes from; the same generator gives the same codes.
    taken : collection of str, optional
        Codes of earlier batches, which are not drawn again.

    Returns
    -------
    tuple of str
        In the order of the draw, which says nothing about anything.

    Raises
    ------
    CallError
        If fewer than none are asked for, or more than are left.

    Notes
    -----
    There are 5704 codes. Every choice of codes in every order is equally likely.

    Examples
    --------
    >>> draw_codes(3, np.random.default_rng(4))
    ('S7M8', 'X47W', 'Y7HT')
    """
    used = {_tidied(code) for code in taken}
    free = [code for code in _all_codes() if code not in used]
    if count < 0:
        raise CallError(f"{count} codes were asked for; ask for none or more.")
    if count > len(free):
        raise CallError(
            f"{count} codes were asked for, but only {len(free)} are left; "
            "open a new study for more reeds."
        )
    return tuple(free[number] for number in rng.choice(len(free), count, replace=False))


def read_code(text: str, known: Iterable[str] = ()) -> str:
    """Read a code as somebody typed it.

    Parameters
    ----------
    text : str
        Lower case and spaces around it do not matter.
    known : iterable of str, optional
        The codes that were given out; a code that cannot be right is answered with those
        that differ from it by one character or by two that changed places.

    Returns
    -------
    str
        The code as it was given out.

    Raises
    ------
    CallError
        For another length, a character that no code has, or a check character that does
        not fit. A code that fits but was never given out is not found here.

    Notes
    -----
    With characters numbered 0 to 30 and weights 4, 3, 2, 1, a code fits if the weighted
    sum leaves no rest modulo 31. A wrong character changes the sum by a weight times a
    difference, a swap by the difference of two weights times that of two characters;
    neither product can be a multiple of the prime 31. Of codes typed quite at random
    1 in 31 slips through.

    References
    ----------
    ISO 2108:1992 (check digit of the ISBN, modulus 11); ISO/IEC 7064:2003 (check character
    systems). Both from memory.

    Examples
    --------
    >>> read_code(" k7pz ")
    'K7PZ'
    >>> read_code("K7ZP")
    Traceback (most recent call last):
    reedlab.errors.CallError: 'K7ZP' is no blind code: its check character does not fit, so a
    character is wrong or two have changed places; look at the reed again.
    """
    code = _tidied(text)
    fault = _fault(code)
    if not fault:
        return code
    near = [other for other in map(_tidied, known) if _one_slip_apart(code, other)]
    hint = f" Nearest given out: {listed(near)}." if near else ""
    raise CallError(f"'{text}' is no blind code: {fault}; look at the reed again.{hint}")


def _tidied(text: str) -> str:
    return text.strip().upper()


@cache
def _all_codes() -> tuple[str, ...]:
    stems = map("".join, product(_LETTERS, _DIGITS, ALPHABET))
    return tuple(stem + _check_character(stem) for stem in stems)


def _check_character(stem: str) -> str:
    return ALPHABET[-_weighted_sum(stem) % len(ALPHABET)]


def _weighted_sum(text: str) -> int:
    return sum(
        weight * ALPHABET.index(character)
        for weight, character in zip(_WEIGHTS, text, strict=False)
    )


def _fault(code: str) -> str:
    """Say why a tidied text cannot be a code; empty if it can."""
    strange = sorted(set(code) - set(ALPHABET))
    if strange:
        names = " and ".join(f"'{character}'" for character in strange)
        return f"{names} {'does' if len(strange) == 1 else 'do'} not occur in codes"
    if len(code) != _LENGTH:
        return f"a code has {_LENGTH} characters"
    if _weighted_sum(code) % len(ALPHABET):
        return (
            "its check character does not fit, so a character is wrong or two have changed places"
        )
    return ""


def _one_slip_apart(code: str, other: str) -> bool:
    if len(code) != len(other):
        return False
    differing = [place for place in range(len(code)) if code[place] != other[place]]
    if len(differing) == 2:
        first, second = differing
        return (code[first], code[second]) == (other[second], other[first])
    return len(differing) == 1
