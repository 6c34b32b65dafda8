"""Values of old sheets: from a cell to what it means, or to why it cannot be said."""

from reedlab.study.bring.values.read import read_value
from reedlab.study.bring.values.readings import Read
from reedlab.study.bring.values.suggest import (
    Suggestion,
    suggest_date_order,
    suggest_decimal,
    suggest_unit,
)

__all__ = [
    "Read",
    "Suggestion",
    "read_value",
    "suggest_date_order",
    "suggest_decimal",
    "suggest_unit",
]
