"""Generators in the maker's words: which factor takes the signs of which product.

``{"bevel": ("gouge", "shape")}``: bevel is high where gouge and shape are both high or both
low. Columns are whole numbers as in aberration.py.
"""

from collections.abc import Mapping, Sequence

from reedlab.errors import CallError, listed, unknown_name
from reedlab.plan.classical.aberration import MOST_RUNS, Columns
from reedlab.schema import Factor


def own_columns(
    factors: Sequence[Factor], generators: Mapping[str, Sequence[str]], runs: int | None
) -> Columns:
    """Turn the maker's own generators into columns.

    Parameters
    ----------
    factors : sequence of Factor
    generators : mapping of str to sequence of str
        The factors, laid out in full, of whose product each other factor takes the signs.
    runs : int, optional
        The number of recipes asked for, if one is.

    Raises
    ------
    CallError
        All faults at once.

    Examples
    --------
    >>> own_columns([Factor(name, (1, 2)) for name in "abc"], {"c": ("a", "b")}, None)
    (1, 2, 3)
    """
    names = [factor.name for factor in factors]
    used = dict.fromkeys(
        [*generators, *(p for parts in generators.values() for p in _parts(parts))]
    )
    strange = [str(unknown_name("factor", name, names)) for name in used if name not in names]
    if strange:
        raise CallError(" ".join(strange))
    basic = [name for name in names if name not in generators]
    faults = []
    columns: dict[str, int] = {name: 1 << place for place, name in enumerate(basic)}
    taken = {column: name for name, column in columns.items()}
    for name, given in generators.items():
        parts = _parts(given)
        late = [part for part in parts if part in generators]
        if late:
            faults.append(
                f"The generator of {name} uses {listed(late)}, which is generated itself: write "
                f"it with {listed(basic)} only."
            )
        elif len(set(parts)) < len(parts) or not parts:
            faults.append(f"The generator of {name} must name different factors, each once.")
        else:
            column = sum(columns[part] for part in parts)
            if column in taken:
                faults.append(
                    f"{name} and {taken[column]} would have the same level in every recipe: give "
                    "one of them another generator."
                )
            columns[name] = column
            taken.setdefault(column, name)
    if runs is not None and runs != 2 ** len(basic):
        faults.append(
            f"{len(generators)} generators for {len(names)} factors make {2 ** len(basic)} "
            f"recipes, not {runs}: leave runs out, or change the generators."
        )
    if 2 ** len(basic) > MOST_RUNS:
        faults.append(f"{len(basic)} factors in full take more than {MOST_RUNS} recipes.")
    if faults:
        raise CallError(" ".join(faults))
    return tuple(columns[name] for name in names)


def generator_words(factors: Sequence[Factor], columns: Columns) -> list[str]:
    """Say how the generated factors follow from the others.

    Examples
    --------
    >>> generator_words([Factor(name, (1, 2)) for name in "abc"], (1, 2, 3))
    ['c = a × b']
    """
    basic = {column: f.label for f, column in zip(factors, columns, strict=True) if _single(column)}
    return [
        f"{factor.label} = {' × '.join(label for bit, label in basic.items() if bit & column)}"
        for factor, column in zip(factors, columns, strict=True)
        if not _single(column)
    ]


def _single(column: int) -> bool:
    return column.bit_count() == 1


def _parts(parts: Sequence[str]) -> tuple[str, ...]:
    return (parts,) if isinstance(parts, str) else tuple(parts)
