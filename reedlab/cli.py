"""The command line: it reads what was asked, calls the library, and shows the answer.

No arithmetic here. What a command needs is imported inside it, so that ``--help``
answers at once. A raised fault becomes its message on the error stream and exit code
2; exit code 1 means that the record has errors, or that a recording was left out.
"""

import gc
import sys
from pathlib import Path
from typing import Annotated

import typer

import reedlab
from reedlab.cli_publish import handout, package
from reedlab.errors import ReedlabError
from reedlab.terminal import progress, show_table, working

#: So many new objects before the youngest are looked through (Python's own 700).
GARBAGE = 20_000

app = typer.Typer(
    help="Turn bench work on double reeds into evidence.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


def main() -> None:
    """Run the command line; show what reedlab raises as a message, never as a traceback."""
    # A command lives for seconds: looking for lost objects less often saves a twentieth of them.
    gc.set_threshold(GARBAGE)
    try:
        app()
    except ReedlabError as error:
        print(error, file=sys.stderr)  # noqa: T201
        sys.exit(2)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"reedlab {reedlab.__version__}")
        raise typer.Exit


@app.callback()
def _start(
    version: Annotated[
        bool,
        typer.Option("--version", help="Show the version.", callback=_version, is_eager=True),
    ] = False,
) -> None:
    """Turn bench work on double reeds into evidence."""


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(help="A folder that is empty or not there yet.")],
    instrument: Annotated[
        str, typer.Option(help="bassoon, contrabassoon, oboe, oboe d'amore or cor anglais.")
    ] = "bassoon",
) -> None:
    """Start an empty study: CSV files with headers, and their descriptor."""
    from reedlab.study import new_study

    study = new_study(folder, instrument=instrument)
    typer.echo(f"Started '{study.title}' in {folder} for {instrument}:")
    for sheet in study.sheets.values():
        typer.echo(f"  {sheet.file}")
    typer.echo(f"Fill in what you record, then run: reedlab check {folder}")


@app.command()
def check(
    folder: Annotated[Path, typer.Argument(help="The folder of a study.")],
) -> None:
    """Show every fault of a record; exit with 1 if one of them is an error."""
    from reedlab.study import open_study

    faults = open_study(folder).check()
    if not faults.table.empty:
        show_table(faults.table)
    typer.echo(faults.sentence)
    raise typer.Exit(0 if faults.ok else 1)


@app.command()
def season(
    folder: Annotated[Path, typer.Argument(help="The folder of a study.")],
    response: Annotated[
        list[str] | None,
        typer.Option(
            help="A response to look at; may be given more than once. Left out: all, but not twice "
            "what tells the same (crow in Hz, the two ends of the dynamic range)."
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Where tables and pictures go. Left out: FOLDER/findings."),
    ] = None,
) -> None:
    """Sum up a season: faults, keep rate, sources, drivers, what to do; write the details."""
    import matplotlib
    import pandas as pd

    from reedlab.analyse import season as ask
    from reedlab.analyse.season_text import blocks
    from reedlab.study import open_study

    matplotlib.use("Agg")  # pictures go to files; no window may open
    # Where pyarrow is installed pandas keeps texts with it, which is slower for a few hundred rows.
    with working() as tell, pd.option_context("mode.string_storage", "python"):
        found = ask(open_study(folder), response, tell)
        tell("writing tables and pictures")
        target = out or folder / "findings"
        written = found.write(target)
    for block in blocks(found):
        typer.echo(block.heading)
        for line in block.lines:
            typer.echo(f"  {line}")
        if block.table is not None and not block.table.empty:
            show_table(block.table)
    typer.echo(f"{len(written)} tables and pictures are in {target}.")


@app.command()
def plan(
    folder: Annotated[Path, typer.Argument(help="The folder of a study that lists its tubes.")],
    factor: Annotated[
        list[str],
        typer.Option(
            help="name=level,level for what you set, e.g. shape=narrow,wide; a name alone for what "
            "the cane gives, e.g. outer_diameter_mm. May be given more than once."
        ),
    ],
    reeds: Annotated[int, typer.Option(help="How many reeds to make.")] = 24,
    interactions: Annotated[
        bool, typer.Option("--interactions", help="Ask for all interactions of two factors.")
    ] = False,
    curved: Annotated[
        list[str] | None, typer.Option(help="A number whose effect may bend (three levels).")
    ] = None,
    best_recipe: Annotated[
        bool, typer.Option("--best-recipe", help="Look for the best recipe, not for effects.")
    ] = False,
    sessions: Annotated[int, typer.Option(help="Occasions on which every reed is played.")] = 2,
    breakage: Annotated[float, typer.Option(help="Share of pieces that break at the knife.")] = 0.1,
    effect: Annotated[
        float,
        typer.Option(
            help="The difference worth finding, in the unit of --response; without one, in "
            "standard deviations of a reed."
        ),
    ] = 1.0,
    response: Annotated[
        str | None, typer.Option(help="Take the variation of this response from the study so far.")
    ] = None,
    seed: Annotated[int | None, typer.Option(help="Draw the same batch again.")] = None,
    name: Annotated[
        str | None, typer.Option(help="Name of the batch. Left out: B1, B2, ...")
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show, but write nothing.")] = False,
) -> None:
    """Plan the next batch: what to make from which tube, in which order, and what it can show."""
    import secrets

    from reedlab.analyse import sources
    from reedlab.answer import rounded
    from reedlab.plan import asked_factor, cane_on_hand, design_batch, next_name
    from reedlab.study import open_study

    study = open_study(folder)
    with progress("searching for the best batch") as tell:
        batch = design_batch(
            [asked_factor(text, study) for text in factor],
            cane_on_hand(study),
            reeds,
            interactions="two-way" if interactions else "none",
            curved=curved or (),
            seed=secrets.randbelow(2**31) if seed is None else seed,
            criterion="I" if best_recipe else "D",
            breakage=breakage,
            sessions=sessions,
            batch_id=name or next_name(study),
            tell=tell,
        )
    shown = batch.power(effect, variance=sources(study, response) if response else None)
    typer.echo(batch.sentence)
    show_table(rounded(batch.table.drop(columns="shuffled_among")))
    typer.echo(shown.sentence)
    for caution in (*batch.cautions, *shown.cautions):
        typer.echo(f"  {caution}")
    if dry_run:
        typer.echo(f"Nothing was written. To draw it again: --seed {batch.seed}")
        return
    batch.write(study)
    typer.echo(f"{batch.batch_id} is in {folder}. Next: reedlab sheets {folder}")


@app.command()
def sheets(
    folder: Annotated[Path, typer.Argument(help="The folder of a study.")],
    batch: Annotated[str | None, typer.Option(help="Which batch. Left out: the last one.")] = None,
    paper: Annotated[str, typer.Option(help="A4 or letter.")] = "A4",
    out: Annotated[
        Path | None, typer.Option(help="Where the sheets go. Left out: FOLDER/sheets.")
    ] = None,
) -> None:
    """Print the bench sheets of a batch: making, labelling, sessions, testing."""
    from reedlab.plan import last_batch, write_sheets
    from reedlab.study import open_study

    study = open_study(folder)
    for path in write_sheets(study, batch or last_batch(study), out, paper):
        typer.echo(f"  {path}")
    typer.echo(f"Fill in the CSV sheets, then run: reedlab record {folder} SHEET")


@app.command()
def record(
    folder: Annotated[Path, typer.Argument(help="The folder of a study.")],
    sheet: Annotated[list[Path], typer.Argument(help="Filled sheets (CSV).")],
) -> None:
    """Record filled bench sheets; a sheet with a fault is refused whole."""
    from reedlab.study import open_study, record_sheet

    study = open_study(folder)
    for path in sheet:
        recorded = record_sheet(study, path)
        study = recorded.study
        typer.echo(f"{path.name}: {recorded.sentence}")


@app.command()
def bring(
    folder: Annotated[Path, typer.Argument(help="The folder of a study.")],
    sheet_file: Annotated[Path, typer.Argument(metavar="SHEET", help="XLSX, ODS, CSV, Parquet.")],
    mapping: Annotated[Path | None, typer.Option(help="How its columns are read (TOML).")] = None,
    sheet: Annotated[str | None, typer.Option(help="Which sheet of a workbook.")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show, but write nothing.")] = False,
) -> None:
    """Bring an old sheet in; exit with 1 while it waits for answers, or if rows are refused."""
    from reedlab.study import bring_in, open_study
    from reedlab.study.bring.bring_text import lines

    with progress("reading") as tell:
        study = open_study(folder)
        found = bring_in(study, sheet_file, mapping, sheet=sheet, dry_run=dry_run, progress=tell)
    for line in lines(found, dry_run):
        typer.echo(line)
    raise typer.Exit(1 if found.waits or found.rows_refused else 0)


@app.command()
def measure(
    kind: Annotated[
        str,
        typer.Argument(
            help="What was played: crow, hairpin, slur, register; or test, a whole one, its steps "
            "one after the other."
        ),
    ],
    files: Annotated[
        list[Path],
        typer.Argument(help="Recordings, or folders or patterns ('autumn/*.wav') of recordings."),
    ],
    study: Annotated[
        Path | None,
        typer.Option(
            help="The folder of the study in whose tests the numbers are recorded, by the names of "
            "the files: reed_session_stage_trial, e.g. R07_S3_day2_1.wav. Its tuning, instrument, "
            "crow target and protocol are taken."
        ),
    ] = None,
    mapping: Annotated[
        Path | None,
        typer.Option(
            help="A table (CSV) that says it instead: file, reed_id, session_id, stage, trial."
        ),
    ] = None,
    notes: Annotated[
        str | None,
        typer.Option(help="slur, register: the notes at sounding pitch, e.g. 'C3 E3 G3 C4'."),
    ] = None,
    a4: Annotated[
        float | None,
        typer.Option(help="Tuning of A4 in Hz. Left out: the study's, and 440 without one."),
    ] = None,
    instrument: Annotated[
        str | None, typer.Option(help="crow, test: whose crow it is. Left out: bassoon.")
    ] = None,
    calibration: Annotated[
        str | None,
        typer.Option(
            help="hairpin: the dB that make levels those of sound pressure, or the recording of a "
            "calibrator with its level, e.g. calibrator.wav=94."
        ),
    ] = None,
) -> None:
    """Measure recordings; exit with 1 if one of them was left out. They are only read."""
    from reedlab.answer import rounded
    from reedlab.measure import measure_files
    from reedlab.measure.asked import asked_calibration
    from reedlab.study import open_study

    asked = {
        "notes": notes,
        "a4_hz": a4,
        "instrument": instrument,
        "calibration": calibration and asked_calibration(calibration),
    }
    given = {name: value for name, value in asked.items() if value is not None}
    opened = open_study(study) if study else None
    with progress("listening") as tell:
        found = measure_files(kind, files, opened, mapping, tell, **given)
    for row in found.table.to_dict("records"):
        typer.echo(f"{row['file']}: {row['sentence']}")
        if row["caution"]:
            typer.echo(f"  {row['caution']}")
    if not found.table.empty:
        show_table(rounded(found.table.drop(columns=["sentence", "caution"])))
    typer.echo(found.sentence)
    for caution in found.cautions:
        typer.echo(f"  {caution}")
    raise typer.Exit(0 if found.left_out.empty else 1)


app.command()(handout)
app.command()(package)


@app.command()
def unblind(
    folder: Annotated[Path, typer.Argument(help="The folder of a study.")],
    batch: Annotated[str, typer.Argument(help="The batch whose key is opened.")],
) -> None:
    """Open the key of a batch for good; the date is logged."""
    from reedlab.study import open_study

    study = open_study(folder).unblind(batch)
    opened = study.plan(batch).record
    typer.echo(f"{batch} was opened on {opened.unblinded}: {opened.how}")


@app.command()
def undo(
    folder: Annotated[Path, typer.Argument(help="The folder of a study.")],
) -> None:
    """Take back the last addition: a recorded sheet, measured numbers, a plan."""
    from reedlab.study import open_study
    from reedlab.study import undo as take_back

    typer.echo(take_back(open_study(folder)).sentence)
