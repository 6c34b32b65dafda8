"""What the mapping says of one column of an old sheet: how its cells are to be read.

An empty entry means "not settled": what then has two readings is asked about, what has
one is read. Units are those of bare numbers; a unit typed in a cell goes first.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from reedlab.errors import CallError, listed
from reedlab.schema import A4_HZ, note_hz

#: What an entry may be; empty where it is not settled.
DECIMALS = ("", ".", ",")
THOUSANDS = ("", ".", ",", "'", " ")
DATE_ORDERS = ("", "dmy", "mdy", "ymd")
NOTES = ("", "english", "german", "solfege")
RANGES = ("", "middle")
SERIALS = ("", "1900", "1904")


@dataclass(frozen=True)
class ColumnRule:
    """How the cells of one column of a sheet are read.

    Parameters
    ----------
    header : str
        Header of the column as typed in the sheet.
    table, column : str
        Where it goes in the record: a table and one of its columns, a factor's or a
        response's too. Both empty: the column is not brought in.
    unit : str, optional
        Unit of bare numbers, e.g. ``"mm"``, ``"thou"``, ``"1/100 mm"``, ``"cents"``.
    decimal : {"", ".", ","}, optional
        The column's decimal mark.
    thousands : {"", ".", ",", "'", " "}, optional
        Its mark of thousands; empty where it has none.
    date_order : {"", "dmy", "mdy", "ymd"}, optional
        Order of day, month and year in dates made of numbers.
    serials : {"", "1900", "1904"}, optional
        The year from which a spreadsheet's numbers of days are counted; empty: asked about.
    words : mapping of str to str, optional
        From a cell as typed to what it means: a level, ``"yes"`` or ``"no"``, another
        spelling, or ``""`` for "not recorded". Case and outer spaces do not matter.
    notes : {"", "english", "german", "solfege"}, optional
        How notes are named: in German names B is B flat and H is B.
    octave : int, optional
        Octave of notes typed without one; left out, that of the crow target.
    from_note : str, optional
        Note from which bare cents are counted, with its octave, e.g. ``"E4"``.
    crow : (str, str), optional
        Lowest and highest note of the study's crow target.
    a4_hz : float, optional
        Tuning of A4, in Hz.
    ranges : {"", "middle"}, optional
        What a range such as 24-25 stands for; empty: it is asked about.
    id_width : int, optional
        Digits to which ids made of digits alone are filled up with zeros; 0: as typed.
    stage : str, optional
        In a wide sheet: the stage of testing that the column holds.
    trial : int, optional
        In a wide sheet: the try that the column holds.

    Raises
    ------
    CallError
        For an entry that is none of those listed, or marks that contradict each other.

    Examples
    --------
    >>> ColumnRule("Höhlung mm", "reeds", "gouge_centre_mm", unit="mm", decimal=",").decimal
    ','
    """

    header: str = ""
    table: str = ""
    column: str = ""
    unit: str = ""
    decimal: str = ""
    thousands: str = ""
    date_order: str = ""
    serials: str = ""
    words: Mapping[str, str] = field(default_factory=dict, hash=False)
    notes: str = ""
    octave: int | None = None
    from_note: str = ""
    crow: tuple[str, str] = ("E4", "F4")
    a4_hz: float = A4_HZ
    ranges: str = ""
    id_width: int = 0
    stage: str = ""
    trial: int = 1

    def __post_init__(self) -> None:
        for name, allowed in (
            ("decimal", DECIMALS),
            ("thousands", THOUSANDS),
            ("date_order", DATE_ORDERS),
            ("notes", NOTES),
            ("ranges", RANGES),
            ("serials", SERIALS),
        ):
            if getattr(self, name) not in allowed:
                raise CallError(
                    f"Column '{self.header}': {name} is {getattr(self, name)!r}; "
                    f"it can be {listed(map(repr, allowed))}."
                )
        if self.decimal and self.decimal == self.thousands:
            raise CallError(
                f"Column '{self.header}': '{self.decimal}' cannot mark both decimals and thousands."
            )
        for note in (*self.crow, *filter(None, [self.from_note])):
            note_hz(note, self.a4_hz)  # says what is wrong with it

    def said(self, typed: str) -> str | None:
        """Return what the rule says a cell means; None where it says nothing of it.

        Examples
        --------
        >>> rule = ColumnRule(words={"x": "yes", "-": ""})
        >>> rule.said("X "), rule.said("-"), rule.said("keeper!")
        ('yes', '', None)
        """
        if not self.words:
            return None
        if typed in self.words:
            return self.words[typed]
        plain = typed.strip().casefold()
        for word, meaning in self.words.items():
            # A word that stands for itself says nothing of its other spellings.
            if word.strip().casefold() == plain and word != meaning:
                return meaning
        return None
