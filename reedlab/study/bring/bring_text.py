"""What is said of a sheet that was brought in: its changes, refusals, questions, what to do."""

from collections.abc import Iterator

from reedlab.study.bring.brought import Brought
from reedlab.study.bring.journey import Step

#: Steps that are told one by one; more are in the report or the journey's table.
_MOST = 40


def lines(found: Brought, dry_run: bool = False) -> Iterator[str]:
    """Return what came of a sheet in lines for a terminal.

    Parameters
    ----------
    found : Brought
    dry_run : bool, optional
        Whether nothing was to be written.

    Yields
    ------
    str
    """
    for step in found.journey.steps[:_MOST]:
        yield _line(step)
    more = len(found.journey.steps) - _MOST
    if more > 0:
        yield f"... and {more} more in the journey of the sheet"
    yield found.sentence
    for caution in found.cautions:
        yield f"  {caution}"
    for question in found.questions:
        yield f"  ? {question.key}: {question.text}"
    yield from _next(found, dry_run)


def _line(step: Step) -> str:
    if not step.column:
        what = f": {step.value}" if step.value else ""
        remedy = f"; {step.remedy}" if step.remedy else ""
        return f"row {step.row} {step.outcome} ({step.why}{remedy}){what}"
    if step.row is None:
        return f"'{step.column}' {step.outcome}: {step.why}"
    where = f"row {step.row}, '{step.column}': '{step.value}'"
    if step.outcome in ("changed", "not recorded"):
        why = f" ({step.why})" if step.why else ""
        return f"{where} -> {step.after or 'not recorded'}{why}"
    remedy = f"; {step.remedy}" if step.remedy else ""
    return f"{where} {step.outcome}: {step.why}{remedy}"


def _next(found: Brought, dry_run: bool) -> Iterator[str]:
    if not found.waits:
        if dry_run:
            yield "Nothing was written."
        return
    if dry_run:
        yield "Nothing was written. The mapping would be:"
        yield found.mapping_text.rstrip("\n")
        return
    answer = 'replace each "?" by the answer, ' if found.questions else ""
    yield (
        f"Next: look at {found.mapping_file}, {answer}write confirmed = true, and bring the sheet "
        "in again."
    )
