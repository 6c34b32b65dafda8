"""Nothing says more than its grade allows.

Only chance assigns levels without anything going along with them. So a text of grade
observed, exploratory or none may say that things go together, never that one makes the
other; of randomised ones it may say so.
"""

import re
from collections.abc import Iterable

from reedlab.errors import ModelError

#: Words of making and being made. The names of factors and responses are the maker's own and
#: are taken out of a text before it is looked through.
_MAKING = (
    r"\bcaus(?:e[sd]?|ing|al(?:ly|ity)?|ation)\b",
    r"\b(?:because of|due to|thanks to|owing to|as a result of)\b",
    r"\b(?:leads?|led|leading) to\b",
    r"\b(?:results?|resulted|resulting) in\b",
    r"\b(?:increas|decreas|rais|lower|reduc|improv|worsen|produc|prevent)(?:e?s|ed|ing)\b",
    r"\b(?:mak(?:es?|ing)|made)\b[^.;:]{0,60}\b(?:higher|lower|sharper|flatter|louder|softer"
    r"|better|worse|longer|shorter|easier|more|fewer|less)\b",
    r"\b(?:moves?|drives?|shifts?|affects?|determines?) (?!of\b)",
)
_LOOKED_FOR = re.compile("|".join(_MAKING), re.IGNORECASE)
#: What an answer says where nothing was found: that chance alone assigned anything.
GRADE_OF_CHANCE = "randomised"


def overclaims(text: str, grade: str, names: Iterable[str] = ()) -> tuple[str, ...]:
    """Return the words of a text that its grade does not allow.

    Parameters
    ----------
    text : str
    grade : str
        randomised, observed, exploratory, or empty.
    names : iterable of str
        The maker's own words (labels, levels), which claim nothing.

    Examples
    --------
    >>> overclaims("A thinner gouge makes the crow lower.", "observed")
    ('makes the crow lower',)
    >>> overclaims("A thinner gouge goes with a lower crow.", "observed")
    ()
    >>> overclaims("A thinner gouge makes the crow lower.", "randomised")
    ()
    """
    if grade == GRADE_OF_CHANCE:
        return ()
    for name in sorted({name for name in names if name.strip()}, key=len, reverse=True):
        text = re.sub(rf"(?<!\w){re.escape(name)}(?!\w)", "·", text)
    return tuple(found.group().strip() for found in _LOOKED_FOR.finditer(text))


def require_no_overclaim(text: str, grade: str, names: Iterable[str] = ()) -> str:
    """Return a text that its grade allows.

    Raises
    ------
    ModelError
        If it says more; the words are named.
    """
    found = overclaims(text, grade, names)
    if found:
        raise ModelError(
            f"'{found[0]}' says more than the grade {grade or 'of what compares nothing'} allows, "
            f"so this is not published: {text}"
        )
    return text
