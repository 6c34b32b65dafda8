"""The two invented studies, and every kind of answer asked of them once."""

import warnings
from contextlib import suppress
from datetime import date

import pytest

from reedlab import analyse, measure, plan
from reedlab.demo import example_studio, simulate_batch, simulate_season
from reedlab.errors import CallError, ModelError
from reedlab.schema import Factor
from reedlab.study import pool
from tests.analyse.build import flat_study
from tests.analyse.test_made_once import GOAL, RATE, factorial, two_level
from tests.analyse.test_words_of_findings import QUESTIONS, asked
from tests.measure.test_vocabulary import readings, thicknesses

DAY = date(2026, 12, 1)


@pytest.fixture(scope="session")
def batch(tmp_path_factory):
    return simulate_batch().write(tmp_path_factory.mktemp("told") / "batch")


@pytest.fixture(scope="session")
def season(tmp_path_factory):
    return simulate_season().write(tmp_path_factory.mktemp("told") / "season")


def every_question(study):
    """Ask all that the room of analysis can be asked, and all that a season asks by itself."""
    found = analyse.season(study).answers
    found["keep_rate by shape"] = analyse.keep_rate(study, by="shape")
    kinds = {type(answer).__name__.lower() for answer in found.values()}
    for name in QUESTIONS:
        for response in ("crow_cents", "rating_overall"):
            if name.replace("_", "") not in kinds:
                with suppress(CallError, ModelError):
                    found[name] = asked(name, study, response)
                    kinds.add(name.replace("_", ""))
    return found


@pytest.fixture(scope="session")
def some_answers(batch):
    """A few kinds that are quick to ask."""
    return [
        analyse.drivers(batch, "crow_cents"),
        analyse.keep_rate(batch),
        analyse.keep_rate(batch, by="shape"),
        analyse.sources(batch, "crow_cents"),
        analyse.recipe(batch, ["crow_cents", "kept"]),
    ]


@pytest.fixture(scope="session")
def observed_answers(season):
    return [analyse.drivers(season, "crow_cents"), analyse.recipe(season, ["crow_cents"])]


@pytest.fixture(scope="session")
def batch_answers(batch):
    return every_question(batch)


@pytest.fixture(scope="session")
def season_answers(season):
    return every_question(season)


@pytest.fixture(scope="session")
def studio():
    return pool(example_studio())


@pytest.fixture(scope="session")
def once(tmp_path_factory):
    """A batch in which every recipe was made once."""
    rows = factorial("ABCD", RATE)
    return flat_study(tmp_path_factory.mktemp("told") / "once", rows, two_level("ABCD"), [GOAL])


@pytest.fixture(scope="session")
def studio_answers(studio):
    return {"across": analyse.across_makers(studio, "crow_cents", ["gouge_centre_mm", "shape"])}


@pytest.fixture(scope="session")
def other_answers(batch, tmp_path_factory):
    """Answers of planning and measuring, which are not asked of a study's record."""
    import pandas as pd

    from reedlab.demo import sound

    folder = tmp_path_factory.mktemp("sounds")
    made = {
        "crow": sound.crow_sound(),
        "hairpin": sound.hairpin_sound(),
        "slur": sound.slur_sound(notes=["C3", "F3", "C3"]),
        "register": sound.register_sound(notes=["F2", "D2", "C2"]),
        "whole_test": sound.whole_test_sound(),
    }
    found = {
        name: getattr(measure, name)(one.write(folder / f"{name}.wav"))
        for name, one in made.items()
    }
    found["agreement"] = measure.agreement(readings(), "crow_hz")
    found["blades"] = measure.blades(thicknesses())
    factors = [Factor("gouge", (0.8, 1.0), "tube"), Factor("shape", ("narrow", "wide"))]
    cane = pd.DataFrame({"tube_id": [f"T{i}" for i in range(8)], "pieces": 4})
    drawn = plan.design_batch(factors, cane, 16, seed=1)
    pilot = analyse.sources(batch, "crow_cents")
    found["batch"] = drawn
    found["power"] = drawn.power(effect=1.0)
    found["pilot"] = plan.power(tubes=8, reeds_per_tube=3, effect=9.0, variance=pilot)
    found["keeping"] = plan.power(drawn, keep_rates=(0.2, 0.5), simulations=100)
    found["compared"] = drawn.compare(plan.design_batch(factors, cane, 24, seed=2))
    found["spared"] = plan.spare(["R1", "R2", "R3"])
    recipes = plan.fractional_factorial([*factors, Factor("soak", (60, 180))], runs=4)
    found["recipes"], found["aliases"] = recipes, recipes.aliases
    return found


@pytest.fixture(autouse=True)
def _strict():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield
