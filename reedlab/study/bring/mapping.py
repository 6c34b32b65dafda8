"""The mapping: how the columns of one kind of sheet are read into a study.

It is kept as ``bring/<name>.toml`` in the study's folder, proposed once and confirmed or
edited by the maker, so that next month's sheet with the same headers comes in by itself.
What only the maker can know is a question of the mapping, and nothing is brought in while
one is open. Units are those of bare numbers.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple

from reedlab.errors import CallError, unknown_name
from reedlab.study.bring.grid import column_letters
from reedlab.study.bring.rules import ColumnRule

#: Where mappings and journeys lie in a study's folder.
FOLDER = "bring"
#: What a person writes for a cell that says nothing.
MISSING = "missing"
#: Orders of a date in words, and as the rules name them.
DATE_ORDERS = {"day first": "dmy", "month first": "mdy", "year first": "ymd"}
#: The settings of a column, as the file names them, and as the rules do.
SETTINGS = {
    "to": "column",
    "unit": "unit",
    "decimal": "decimal",
    "thousands": "thousands",
    "dates": "date_order",
    "serials": "serials",
    "notes": "notes",
    "octave": "octave",
    "from_note": "from_note",
    "ranges": "ranges",
    "id_width": "id_width",
    "stage": "stage",
    "trial": "trial",
}
_WHOLE = ("octave", "id_width", "trial")


class Question(NamedTuple):
    """What the maker must say before a sheet can come in.

    `kind` is "column" (a setting of it), "word" (in a column), "fixed" (what the sheet
    does not say) or "cell"; `where` the header, or of a cell its text as typed; `name` the
    setting, the word, the column of the record, or the cell; `file` that of the cell.
    """

    kind: str
    where: str
    name: str
    text: str
    file: str = ""

    @property
    def key(self) -> str:
        """The name by which it is answered."""
        if self.kind in ("column", "word"):
            return f"{self.where}.{self.name}"
        return self.name


class CellAnswer(NamedTuple):
    """What one cell of one file means; it holds for no other text than the one typed."""

    file: str
    cell: str
    typed: str
    means: str


@dataclass(frozen=True)
class SheetMapping:
    """How the columns of one kind of sheet are read.

    Attributes
    ----------
    name : str
        Of its file, without ending.
    columns : tuple of ColumnRule
        One a column of the sheet, in its order.
    fixed : mapping of str to str
        What the sheet does not say, by ``table.column``, for every row; ``{reed_id}`` and
        the like stand for the row's own.
    cells : tuple of CellAnswer
    open : tuple of Question
        What is not settled yet.
    sheet : str
        Which sheet of a workbook.
    confirmed : bool
        Whether the maker has said yes to it.
    header : tuple of int
        Rows of the header, where the program found them wrongly.
    encoding : str
        Of a text file, where the program found it wrongly.
    """

    name: str
    columns: tuple[ColumnRule, ...]
    fixed: Mapping[str, str] = field(default_factory=dict)
    cells: tuple[CellAnswer, ...] = ()
    open: tuple[Question, ...] = ()
    sheet: str = ""
    confirmed: bool = False
    header: tuple[int, ...] = ()
    encoding: str = ""

    @property
    def headers(self) -> tuple[str, ...]:
        """The headers that it speaks of."""
        return tuple(rule.header for rule in self.columns)

    def column(self, header: str) -> ColumnRule:
        """Return what is said of a column, by its header."""
        for rule in self.columns:
            if rule.header == header:
                return rule
        raise unknown_name("column of the mapping", header, self.headers)

    def with_rule(self, rule: ColumnRule) -> "SheetMapping":
        """Return the mapping with another rule for the column of that header."""
        columns = [rule if known.header == rule.header else known for known in self.columns]
        return replace(self, columns=tuple(columns))

    def knows(self, key: str) -> bool:
        """Say whether an answer of that name has a place in the mapping."""
        places = {question.key for question in self.open} | {*self.fixed}
        places |= {answer.cell for answer in self.cells}
        return key in places or any(key.startswith(f"{header}.") for header in self.headers)

    def answered(self, answers: Mapping[str, str], confirmed: bool | None = None) -> "SheetMapping":
        """Return the mapping with answers filled in.

        Parameters
        ----------
        answers : mapping of str to str
            ``"made.dates": "day first"`` for a setting of a column, ``"kept.keeper!":
            "yes"`` for a word in it, ``"A9": "05-1"`` for a cell that is asked about,
            ``"tests.stage": "new"`` for what the sheet does not say.
        confirmed : bool, optional
            As it is if left out.

        Returns
        -------
        SheetMapping

        Raises
        ------
        CallError
            Naming what has no place in the mapping.

        Examples
        --------
        >>> rule = ColumnRule("made", "reeds", "made_on")
        >>> asked = Question("column", "made", "dates", "Is 3/4 in March or in April?")
        >>> made = SheetMapping("old", (rule,), open=(asked,))
        >>> settled = made.answered({"made.dates": "day first"}, confirmed=True)
        >>> settled.column("made").date_order, settled.open
        ('dmy', ())
        """
        found = self if confirmed is None else replace(self, confirmed=confirmed)
        for key, means in answers.items():
            found = found._with(key, str(means).strip())
        return found

    def _with(self, key: str, means: str) -> "SheetMapping":
        question = next((one for one in self.open if one.key == key), None)
        rest = replace(self, open=tuple(one for one in self.open if one.key != key))
        if question is None:
            question = self._unasked(key)
        kind, where, name, _, file = question
        if kind == "cell":
            others = [one for one in self.cells if (one.file, one.cell) != (file, name)]
            return replace(rest, cells=(*others, CellAnswer(file, name, where, means)))
        if kind == "fixed":
            return replace(rest, fixed={**self.fixed, name: means})
        rule = self.column(where)
        if kind == "word":
            meant = "" if means == MISSING else means
            return rest.with_rule(replace(rule, words={**rule.words, name: meant}))
        return rest.with_rule(settled(rule, name, means))

    def _unasked(self, key: str) -> Question:
        """Return the place of an answer that nobody has asked for."""
        headers = [name for name in self.headers if key.startswith(f"{name}.")]
        if headers:
            header = max(headers, key=len)
            name = key[len(header) + 1 :]
            return Question("column" if name in SETTINGS else "word", header, name, "")
        if key in self.fixed:
            return Question("fixed", "", key, "")
        for answer in reversed(self.cells):
            if answer.cell == key:
                return Question("cell", answer.typed, key, "", answer.file)
        raise unknown_name("question", key, [one.key for one in self.open])


def settled(rule: ColumnRule, name: str, means: str) -> ColumnRule:
    """Return a rule with one setting as the maker writes it.

    Examples
    --------
    >>> settled(ColumnRule("made"), "to", "reeds.made_on").column
    'made_on'
    """
    if name == "to":
        table, _, column = means.partition(".")
        return replace(rule, table=table, column=column)
    value: Any = means
    if name == "dates":
        value = DATE_ORDERS.get(means, means)
    if name in _WHOLE:
        if not means.removeprefix("-").isdecimal():
            raise CallError(f"Column '{rule.header}': {name} is '{means}'; write a whole number.")
        value = int(means)
    try:
        return replace(rule, **{SETTINGS[name]: value})
    except CallError:
        if name == "dates":
            choices = ", ".join(f"'{order}'" for order in DATE_ORDERS)
            raise CallError(
                f"Column '{rule.header}': dates is '{means}'; it can be {choices}."
            ) from None
        raise


def setting(rule: ColumnRule, name: str) -> str:
    """Return one setting of a rule as the maker writes it; empty where it is not set."""
    if name == "to":
        return f"{rule.table}.{rule.column}" if rule.column else ""
    value = getattr(rule, SETTINGS[name])
    if name == "dates":
        return {order: words for words, order in DATE_ORDERS.items()}.get(value, "")
    if name in _WHOLE:
        usual = {"trial": 1, "id_width": 0, "octave": None}[name]
        return "" if value == usual else str(value)
    return str(value)


def labels(headers: Sequence[str], columns: Sequence[int]) -> tuple[str, ...]:
    """Name the columns of a sheet, each differently; one without a header by its letter.

    Examples
    --------
    >>> labels(["reed", "crow", "crow", ""], [1, 2, 3, 4])
    ('reed', 'crow', 'crow (2)', 'column D')
    """
    found: list[str] = []
    for header, column in zip(headers, columns, strict=True):
        name = header.strip() or f"column {column_letters(column)}"
        label, number = name, 1
        while label in found:
            number += 1
            label = f"{name} ({number})"
        found.append(label)
    return tuple(found)


def mapping_files(folder: Path) -> list[Path]:
    """Return the mappings of a study, by name."""
    return sorted((folder / FOLDER).glob("*.toml"))


def require_headers(mapping: SheetMapping, headers: Sequence[str], file: str) -> None:
    """Refuse a sheet whose columns are not those that a mapping speaks of.

    Raises
    ------
    CallError
        Naming the columns that are missing, and those that it does not know.
    """
    lacking = [rule.header for rule in mapping.columns if rule.header not in headers]
    strange = [name for name in headers if name not in mapping.headers]
    parts = [
        f"{verb} {', '.join(map(repr, names))}"
        for verb, names in (("lacks", lacking), ("has besides", strange))
        if names
    ]
    if parts:
        raise CallError(
            f"The mapping '{mapping.name}' does not fit {file}, which {' and '.join(parts)}; "
            "mend the headers in the mapping, or leave it out to have one proposed."
        )
