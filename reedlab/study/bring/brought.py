"""What came of a sheet: rows that came in, were refused or left out, and what is still asked.

The rows of a sheet, below and around its header, are all counted: kept + refused + left out
are the rows that it has. While a question is open none is counted as kept.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from reedlab.answer import Answer, counted
from reedlab.study.bring.journey import Journey
from reedlab.study.bring.mapping import Question, SheetMapping
from reedlab.study.study import Study


@dataclass(frozen=True, eq=False, kw_only=True)
class Brought(Answer):
    """What came of a sheet.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a column of the sheet: column, becomes (its place in the record), and how
        many of its cells are as_typed, changed, not_recorded, refused, in_question, left_out;
        those of the rows that come in.
    study : Study
        Opened again, with what came in.
    mapping : SheetMapping
        How the columns were read.
    mapping_file : Path
        Where the mapping is kept.
    mapping_text : str
        The mapping as its file has it.
    journey : Journey
        What became of every cell; ``journey.table`` lists all that did not come in as typed.
    file : str
        Name of the sheet's file.
    rows_in, rows_kept, rows_refused, rows_left_out : int
        Rows of the sheet without its header.
    added : mapping of str to int
        New rows of the record by table.
    filled : int
        Cells of the record that were empty and are filled.
    written : bool
        Whether that stands in the study now.
    """

    study: Study
    mapping: SheetMapping
    mapping_file: Path
    mapping_text: str
    journey: Journey
    file: str
    rows_in: int
    rows_kept: int
    rows_refused: int
    rows_left_out: int
    added: Mapping[str, int]
    filled: int
    written: bool = False

    @property
    def questions(self) -> tuple[Question, ...]:
        """What the maker must say before the sheet can come in."""
        return self.mapping.open

    @property
    def waits(self) -> bool:
        """Whether something must be answered or confirmed first."""
        return bool(self.questions) or not self.mapping.confirmed

    def _say(self) -> str:
        if self.questions:
            count = counted(len(self.questions), "question")
            verb = "is" if len(self.questions) == 1 else "are"
            return f"{self.file}: nothing came in, for {count} {verb} open."
        news = [_rows(name, number) for name, number in self.added.items()]
        news += [f"{counted(self.filled, 'empty cell')} filled"] if self.filled else []
        told = f" ({', '.join(news)})" if news else ""
        if self.written:
            verb = "came in"
        elif self.rows_kept:
            verb = "would come in"
        else:
            verb = "brings anything new" if self.rows_in == 1 else "bring anything new"
        parts = [f"{self.rows_kept} of {counted(self.rows_in, 'row')} {verb}{told}"]
        if self.rows_refused:
            parts.append(f"{self.rows_refused} refused")
        if self.rows_left_out:
            parts.append(f"{self.rows_left_out} left out")
        changed = self.journey.cells["changed"]
        parts += [f"{counted(changed, 'cell')} changed"] if changed else []
        refused = sum(count["refused"] for count in self.journey.by_column.values())
        parts += [f"{counted(refused, 'cell')} refused"] if refused else []
        sentence = f"{self.file}: {', '.join(parts)}."
        if not self.mapping.confirmed:
            sentence += " Nothing is written before the mapping is confirmed."
        return sentence


def _rows(table: str, number: int) -> str:
    if table == "life" and number > 1:
        return f"{number} lives"
    return counted(number, table.removesuffix("s"))
