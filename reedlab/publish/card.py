"""The recipe card: what to do at the bench, only where the evidence stands.

A recipe's lines are its own: what may be best, within what was tried. Of drivers a line says
a direction only for a factor that chance assigned and that stands beyond chance; one that
merely goes along gets "nothing yet". A stopping rule is a line if it saves work beyond
chance. No number is reckoned here.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from reedlab.analyse import Drivers, Recipe, StoppingRule
from reedlab.analyse.looked import label_of
from reedlab.analyse.words import effect_text
from reedlab.answer import Answer
from reedlab.publish.content import CardLine
from reedlab.publish.phrases import Phrases
from reedlab.schema import Factor, Response, cautions_for
from reedlab.study import Study


def card_of(study: Study, answers: Sequence[Answer], say: Phrases) -> tuple[CardLine, ...]:
    """Write the lines of the card; one that says "nothing yet" if there is nothing to do.

    Parameters
    ----------
    study : Study
    answers : sequence of Answer
    say : Phrases
    """
    by_recipe = [
        line for one in answers if isinstance(one, Recipe) for line in _set(study, one, say)
    ]
    settled = {line.setting for line in by_recipe}
    others = [line for one in answers for line in _other_lines(study, one, say)]
    lines = [*by_recipe, *(line for line in others if line.setting not in settled)]
    if not lines:
        nothing = say("card.nothing_setting"), say("card.nothing"), say("card.nothing_why")
        lines = [CardLine(*nothing)]
    return tuple(dict.fromkeys(lines))


def card_cautions(study: Study, answers: Sequence[Answer], say: Phrases) -> tuple[str, ...]:
    """Write what stands beside the card."""
    own = [say("done.invented")] if study.settings.invented else []
    recipes = [one for one in answers if isinstance(one, Recipe)]
    if any((_settings(one)["evidence"] != "randomised").any() for one in recipes):
        own.append(say("card.observed_recipe"))
    return (*own, say("card.try_one"), *cautions_for("bench"), *cautions_for("testing")[:2])


def _settings(recipe: Recipe) -> pd.DataFrame:
    return recipe.table[recipe.table["part"] == "set"]


def _set(study: Study, recipe: Recipe, say: Phrases) -> Iterator[CardLine]:
    for row in _settings(recipe).to_dict("records"):
        numeric = not pd.isna(row["estimate"])
        value = _amount(row["estimate"], row, say) if numeric else str(row["level"])
        tried = _range(row["tried_low"], row["tried_high"], row, say) if numeric else row["tried"]
        setting = label_of(study, row["term"])
        if row["open"]:
            value = say("card.usual", value=value) if row["usual"] else value
            yield CardLine(setting, value, say("card.usual_why", tried=tried))
            continue
        if row["settled"]:
            value = say("card.settled", value=value)
        elif numeric:
            best = _range(row["conf_low"], row["conf_high"], row, say)
            value = say("card.best", value=value, range=best)
        else:
            value = say("card.best_level", value=value, levels=row["may_be_best"])
        grade = say(f"grade.{row['evidence']}")
        yield CardLine(setting, value, say("card.best_why", tried=tried, grade=grade))


def _other_lines(study: Study, answer: Answer, say: Phrases) -> Iterator[CardLine]:
    if isinstance(answer, StoppingRule):
        first = answer.table.iloc[0]
        if answer.rule and first["conf_low"] > 0:
            why = say("card.stopping_why", grade=say(f"grade.{first['evidence']}"))
            yield CardLine(say("card.stopping"), answer.rule, why)
    if isinstance(answer, Drivers) and answer.strong:
        known = {factor.name: factor for factor in study.settings.factors}
        for row in answer.shown.to_dict("records"):
            factor = known.get(row["term"])
            if factor is None:
                continue
            if row["evidence"] == "randomised":
                yield _direction(answer, row, factor, say)
            # Cane and weather are not set at the bench, so nothing is said of them.
            elif factor.stratum == "reed":
                why = say("card.goes_with", response=answer.response.label)
                yield CardLine(factor.label, say("card.nothing"), why)


def _direction(drivers: Drivers, row: Mapping[Any, Any], factor: Factor, say: Phrases) -> CardLine:
    response = drivers.response
    why = say("card.driver_why", effect=effect_text(row), response=response.label)
    return CardLine(factor.label, _towards(drivers, row, factor, response, say), why)


def _towards(
    drivers: Drivers, row: Mapping[Any, Any], factor: Factor, response: Response, say: Phrases
) -> str:
    if response.direction not in ("higher", "lower"):
        # Which way the target lies depends on the reeds that one has.
        return say("card.either")
    up = (row["estimate"] > 0) == (response.direction == "higher")
    if factor.kind == "numeric" and drivers.frame is not None:
        tried = drivers.frame.data[factor.name]
        unit = {"unit": factor.unit}
        within = _range(tried.min(), tried.max(), unit, say)
        return say("card.more" if up else "card.less", range=within)
    pairs = [(b, a) for b in factor.levels for a in factor.levels]
    named = [pair for pair in pairs if f"{pair[0]} - {pair[1]}" == row["contrast"]]
    return str(named[0][0 if up else 1]) if named else say("card.either")


def _amount(value: float, row: Mapping[Any, Any], say: Phrases) -> str:
    unit, number = row["unit"], say.number(value)
    return say("with_unit", number=number, unit=unit) if unit and not pd.isna(unit) else number


def _range(low: float, high: float, row: Mapping[Any, Any], say: Phrases) -> str:
    return say("from_to", low=say.number(low), high=_amount(high, row, say))
