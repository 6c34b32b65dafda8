"""Factors as they are typed on one line: ``gouge_centre_mm=1.25,1.30,1.35``.

What the line does not say (stratum, unit, words) comes from the study.
"""

from dataclasses import replace

from reedlab.errors import CallError
from reedlab.schema import Factor, default_factors
from reedlab.study import Study


def asked_factor(text: str, study: Study) -> Factor:
    """Read a factor and its levels.

    Parameters
    ----------
    text : str
        ``name=level,level,...`` for a factor that is set; the name alone for one that the
        cane gives.
    study : Study
        Its declaration of the factor is taken, or the usual one; a factor that neither
        knows is a reed's.

    Returns
    -------
    Factor

    Raises
    ------
    CallError
        For a text without a name, a declared number with levels that are none, or a name
        alone that is not known.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> asked_factor("gouge_centre_mm=1.25,1.30", example_study("batch")).levels
    (1.25, 1.3)
    """
    name, given, levels = (part.strip() for part in text.partition("="))
    usual = default_factors(study.settings.instrument)
    declared = {factor.name: factor for factor in (*usual, *study.settings.factors)}
    if not name:
        raise CallError(f"'{text}' names no factor; write name=level,level or a name alone.")
    if not given:
        if name not in declared:
            raise CallError(
                f"'{name}' has no levels and is not known: write {name}=level,level to set it."
            )
        return replace(declared[name], levels=())
    words = [level.strip() for level in levels.split(",")]
    if "" in words:
        raise CallError(
            f"'{text}' has an empty level; write {name}=level,level with decimal points."
        )
    numbers = _numbers(words)
    if name not in declared:
        return Factor(name, numbers or words)
    if declared[name].kind != "numeric":
        return replace(declared[name], levels=words)
    if not numbers:
        raise CallError(f"'{name}' is a number in this study, and not every one of {levels} is.")
    return replace(declared[name], levels=numbers)


def _numbers(words: list[str]) -> list[float]:
    """Read levels as numbers; none if one of them is a word."""
    try:
        return [float(word) for word in words]
    except ValueError:
        return []
