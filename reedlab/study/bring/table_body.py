"""Which rows below a header are records, and why the others are none.

A row is left out if it is blank, repeats the header, sums up others (Mittel, mean,
total), holds words outside the table, or has more cells than the header, for then its
cells may have shifted. The reason is kept with each.
"""

import re
from collections import Counter
from typing import NamedTuple

from reedlab.errors import listed
from reedlab.study.bring.grid import Grid
from reedlab.study.bring.table_header import Row, blocks, figures_below, is_figure, is_word

#: What a summary row is headed by, in English, German, French, Italian, Spanish, Dutch.
_OR = (
    r"means?|averages?|avg\.?|ave\.|median|mode|totals?|sums?|subtotal|count|sd|s\.d\.|std\.?|"
    r"stdev|st\.dev\.|se|variance|var\.|minimum|maximum|min\.?|max\.?|range|"
    r"mittel|mittelwerte?|durchschnitt|schnitt|summen?|gesamt|insgesamt|anzahl|spannweite|"
    r"standardabweichung|stabw|zwischensumme|"
    r"moyennes?|moy\.?|somme|médiane|[ée]cart-type|nombre|étendue|"
    r"media|promedio|mediana|suma|somma|total[ei]|gemiddelde?|totaal|som|aantal|ø|x̄|σ|∑|μ"
)
_SUMS_UP = re.compile(
    rf"(?:grand |overall |standard )?(?:{_OR}|deviation|standard error)"
    rf"(?:\s*(?:[/±+&-]|and|und|et)\s*(?:{_OR}))*"
    r"\s*(?:[:=.]?|[:=]?\s*\(.*\)|(?:of|der|des|de|du|di|van|\(?n\s*=)\b.*)\s*|n\s*[:=].*"
)
_MARKED = re.compile(r"[*†‡#¹²³]")


class LeftOut(NamedTuple):
    """A row that is no record, as the sheet numbers it, and why."""

    row: int
    why: str


class Body:
    """The rows below a header.

    Parameters
    ----------
    grid : Grid
    header : range
        Rows of the header, counted from 0.
    names : dict of int to str
        Of the columns that have one.

    Attributes
    ----------
    records : list of tuple of Cell
    left_out : list of LeftOut
    notes : list of str
    shifted : list of int
        Rows with more cells than the header, and in `cells_of` how many.
    width : int
        Cells that the header has.
    by_comma : bool
        Whether commas separate the cells.
    """

    def __init__(self, grid: Grid, header: range, names: dict[int, str]) -> None:
        self.records: list[Row] = []
        self.left_out: list[LeftOut] = []
        self.notes: list[str] = []
        self.shifted: list[int] = []
        self.cells_of: dict[int, int] = {}
        self.by_comma = grid.separator == ","
        self._grid, self._names = grid, names
        self._rows = grid.rows[header.stop :]
        self._header = _words(grid.rows[header.stop - 1])
        self.width = max(len(grid.rows[place]) for place in header)
        self._learn()
        self._sort(header.stop)
        self._note()

    def _learn(self) -> None:
        """Learn from the wide rows what ids look like and which columns hold figures."""
        self._counts = [blocks(row) for row in self._rows]
        self._few = max(1, 0.4 * len(self._names))
        full = self._few if max(self._counts, default=0) > self._few else 1
        places = [place for place, count in enumerate(self._counts) if count > full]
        wide = [self._rows[place] for place in places]
        self._last = places[-1] if places else 0
        leads = Counter(row[0].column for row in map(_filled, wide))
        self._lead = min(leads, key=lambda column: (-leads[column], column)) if leads else 1
        ids = [row[self._lead - 1].text.strip() for row in wide if len(row) >= self._lead]
        summing = sum(map(sums_up, ids))
        # Where many rows are headed so, it is what their things are called.
        self._sums = summing < max(3, 0.3 * len(ids))
        ids = [text for text in ids if text and not sums_up(text)]
        self._longest = max(map(len, ids), default=0)
        self._spaced = any(" " in text for text in ids)
        self._numbered = bool(ids) and all(any(map(str.isdigit, text)) for text in ids)
        self._figures = figures_below(wide[:500])

    def _sort(self, start: int) -> None:
        ended = ""
        for place, row in enumerate(self._rows):
            number = start + place + 1
            if not self._counts[place]:
                why = "blank"
            elif ended:
                why = ended
            elif self._begins_another(place):
                why = "names the columns of another table"
                ended = f"of another table, which begins in row {number}"
                self.notes.append(
                    f"Row {number} begins another table; bring it in from a sheet of its own."
                )
            else:
                why = self._why(place, row)
            if why:
                self.left_out.append(LeftOut(number, why))
            else:
                self.records.append(row)

    def _why(self, place: int, row: Row) -> str:
        """Return why a row is left out; empty for a record."""
        filled = _filled(row)
        words = filled[0].text.strip()[:200]
        headed = self._sums and filled[0].kind == "text" and sums_up(words)
        if headed or all(cell.kind == "formula" for cell in filled):
            return f"summary row '{words}'"
        if self._is_header(row):
            return "the header once more"
        if self._too_long(row):
            self.shifted.append(row[0].row)
            self.cells_of[row[0].row] = len(row)
            return (
                f"{len(row)} cells where the header has {self.width}: a "
                f"{'comma, such as a decimal comma,' if self.by_comma else 'separator'} inside a "
                "cell may have cut it"
            )
        if self._is_note(place, row):
            where = "below the table" if place > self._last else "between the records"
            return f"note {where}, '{words}'"
        return ""

    def _too_long(self, row: Row) -> bool:
        """Say whether a row of a text file has more cells than its header.

        Beside commas even a blank cell too many counts: 1,0,62, may be 1,0 and 62.
        """
        if not self._grid.separator or len(row) <= self.width:
            return False
        return self.by_comma or any(cell.kind != "blank" for cell in row[self.width :])

    def _is_header(self, row: Row) -> bool:
        # Few rows begin as the header does; only of those the rest is compared.
        first = next((text for cell in row if (text := cell.text.strip())), "")
        return [first] == self._header[:1] and _words(row) == self._header

    def _is_note(self, place: int, row: Row) -> bool:
        """Say whether a row is words outside the table rather than a record cut short."""
        if len(self._names) < 2 or self._counts[place] > self._few:
            return False
        first, *others = _filled(row)
        if any(map(is_figure, others)):
            return False
        if first.kind != "text" or first.column > self._lead:
            return self._counts[place] == 1 and first.column > self._lead
        return not self._like_an_id(first.text.strip())

    def _like_an_id(self, text: str) -> bool:
        return (
            len(text) <= self._longest + 2
            and (self._spaced or " " not in text)
            and not _MARKED.match(text)
            and (not self._numbered or any(map(str.isdigit, text)))
        )

    def _begins_another(self, place: int) -> bool:
        """Say whether a row after a blank one names columns where there are figures above."""
        if place == 0 or self._counts[place] < 2 or self._counts[place - 1]:
            return False
        row = self._rows[place]
        filled = _filled(row)
        over = sum(cell.column in self._figures and is_word(cell) for cell in filled)
        return (
            over > 1
            and not any(map(is_figure, filled))
            and not self._is_header(row)
            and not (self._sums and sums_up(filled[0].text.strip()))
        )

    def _note(self) -> None:
        if self.shifted and self.records and self.by_comma:
            self.notes.append(
                "Rows with too many cells are left out; look whether a comma inside a cell has "
                "shifted others too."
            )
        if not self._grid.separator:
            return
        short = [row[0].row for row in self.records if len(row) < self.width]
        if short:
            more = " and more" if len(short) > 10 else ""
            self.notes.append(
                f"Rows shorter than the header, whose last cells are taken as empty: "
                f"{listed(short[:10])}{more}."
            )


def sums_up(text: str) -> bool:
    """Say whether a word heads a summary row.

    Examples
    --------
    >>> [sums_up(text) for text in ("Mittel", "mean (n=4)", "Total:", "total length", "Max-01")]
    [True, True, True, False, False]
    """
    return len(text) < 80 and _SUMS_UP.fullmatch(text.strip().casefold()) is not None


def _words(row: Row) -> list[str]:
    return [text for cell in row if (text := cell.text.strip())]


def _filled(row: Row) -> Row:
    return tuple(cell for cell in row if cell.kind != "blank")
