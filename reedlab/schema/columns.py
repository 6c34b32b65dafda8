"""What a table and its columns are made of: name, type, unit, meaning, bounds.

Two kinds of bounds are kept apart. A value outside *possible* cannot be right and is
an error; a value outside *plausible* may be right and is a warning to look at. All
bounds include their ends and are in the column's unit.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from reedlab.errors import CallError, unknown_name

#: text: as typed; number: decimal point; integer: whole; boolean: true or false;
#: date: 2026-03-04; datetime: 2026-03-04 19:30.
TYPES = ("text", "number", "integer", "boolean", "date", "datetime")


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        The header, exactly as typed.
    type : {"text", "number", "integer", "boolean", "date", "datetime"}
        How a cell is read.
    unit : str, optional
        Unit of a number.
    meaning : str, optional
        What the column says, in one line.
    plausible, possible : (float, float), optional
        Bounds in the unit, ends included; ``None`` where there are none.
    levels : sequence of str or numbers, optional
        The only values allowed, in their natural order.
    required : bool, optional
        Whether a cell may be left empty; keys may not.

    Raises
    ------
    CallError
        For an unknown type, or bounds that are upside down.

    Examples
    --------
    >>> Column("tip_opening_mm", "number", "mm", plausible=(0.3, 2.0)).unit
    'mm'
    """

    name: str
    type: str = "text"
    unit: str = ""
    meaning: str = ""
    plausible: tuple[float, float] | None = None
    possible: tuple[float, float] | None = None
    levels: Sequence[str | float] = ()
    required: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "levels", tuple(self.levels))
        if self.type not in TYPES:
            raise CallError(
                f"Column '{self.name}' has the type '{self.type}'; it can be {', '.join(TYPES)}."
            )
        for kind, bounds in (("plausible", self.plausible), ("possible", self.possible)):
            if bounds is not None and not bounds[0] < bounds[1]:
                raise CallError(f"Column '{self.name}': {kind} {bounds} is upside down.")


@dataclass(frozen=True)
class Table:
    """One table: its columns, the key that tells its rows apart, and where it points.

    Parameters
    ----------
    name : str
        Name of the table; its file is ``<name>.csv``.
    key : sequence of str
        The columns that together occur once.
    columns : sequence of Column
        In the order of a fresh file.
    references : mapping of str to str, optional
        From a column to the table in whose key of the same name it must be found.

    Raises
    ------
    CallError
        If a key or a reference is not among the columns.

    Examples
    --------
    >>> lots = Table("lots", ("lot_id",), (Column("lot_id", required=True),))
    >>> lots.column("lot_id").required, lots.file
    (True, 'lots.csv')
    """

    name: str
    key: Sequence[str]
    columns: Sequence[Column]
    references: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "key", tuple(self.key))
        object.__setattr__(self, "columns", tuple(self.columns))
        for name in (*self.key, *self.references):
            self.column(name)

    @property
    def file(self) -> str:
        """The file that holds the table."""
        return f"{self.name}.csv"

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the columns, in order."""
        return tuple(column.name for column in self.columns)

    def column(self, name: str) -> Column:
        """Return the column of that name, or say which are near."""
        for column in self.columns:
            if column.name == name:
                return column
        raise unknown_name(f"column of {self.name}", name, self.names)
