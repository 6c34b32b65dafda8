"""What is worked out once for each opened study.

A study in memory does not change: whoever records, measures or takes back gets another one,
opened again. So what is worked out of its tables is kept beside it, as its faults are with
it, and is forgotten when it goes.
"""

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec, TypeVar
from weakref import WeakKeyDictionary

from reedlab.study.study import Study

Asked = ParamSpec("Asked")
Found = TypeVar("Found")


def once_a_study(
    ask: Callable[Concatenate[Study, Asked], Found],
) -> Callable[Concatenate[Study, Asked], Found]:
    """Let a function answer once for each study and arguments; later calls get the same object.

    Parameters
    ----------
    ask : callable
        Its first parameter is the study, the others can be hashed. What it returns is not
        changed by those who get it, and does not hold the study. What it raises is not kept.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> @once_a_study
    ... def count(study, table):
    ...     print("counting")
    ...     return len(study.tables[table])
    >>> study = example_study("batch")
    >>> count(study, "reeds"), count(study, "reeds")
    counting
    (24, 24)
    """
    known: WeakKeyDictionary[Study, dict[object, Found]] = WeakKeyDictionary()

    @wraps(ask)
    def asked(study: Study, /, *args: Asked.args, **options: Asked.kwargs) -> Found:
        found = known.setdefault(study, {})
        given = (args, *options.items())
        if given not in found:
            found[given] = ask(study, *args, **options)
        return found[given]

    return asked
