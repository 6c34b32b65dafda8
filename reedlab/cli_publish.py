"""The commands that tell others: a handout of what was found, and the open form of the data.

As in the command line itself nothing is reckoned here, and what a command needs is imported
inside it.
"""

from pathlib import Path
from typing import Annotated

import typer

from reedlab.errors import CallError
from reedlab.terminal import show_table, working


def handout(
    folder: Annotated[
        Path | None,
        typer.Argument(help="The folder of a study. With --from it may be left out."),
    ] = None,
    response: Annotated[
        list[str] | None,
        typer.Option(
            help="A response to tell of; may be given more than once. Left out: those in which "
            "something was found."
        ),
    ] = None,
    notebook: Annotated[
        Path | None,
        typer.Option("--from", help="Tell the answers that this run notebook shows."),
    ] = None,
    audience: Annotated[str, typer.Option(help="students or colleagues.")] = "students",
    title: Annotated[str, typer.Option(help="Left out: the study's.")] = "",
    out: Annotated[
        Path | None,
        typer.Option(help="Where it goes. Left out: handout, in FOLDER or beside the notebook."),
    ] = None,
) -> None:
    """Make a handout of what was found: a web page and a PDF to print."""
    import matplotlib

    from reedlab.publish import handout as make
    from reedlab.publish.choosing import Chosen, choose
    from reedlab.publish.kept import Kept, answers_of
    from reedlab.study import open_study

    if notebook and response:
        raise CallError("The answers of a notebook are told as they are; leave --response out.")
    matplotlib.use("Agg")  # pictures go to files; no window may open
    with working() as tell:
        told: Chosen | Kept
        if notebook:
            told = answers_of(notebook, open_study(folder) if folder else None, tell)
        elif folder:
            told = choose(open_study(folder), response or (), tell)
        else:
            raise CallError("Say of which study: reedlab handout FOLDER, or --from NOTEBOOK.")
        tell("writing the handout")
        target = out or (folder or Path(notebook or "").parent) / "handout"
        written = make(told.study, told.answers, title, audience).write(target)
    for answer in told.answers:
        typer.echo(f"{answer.question} {answer.sentence}")
    for note in told.notes:
        typer.echo(f"  {note}")
    for path in written:
        typer.echo(f"  {path}")


def package(
    folder: Annotated[Path, typer.Argument(help="The folder of a study.")],
    licence: Annotated[
        str, typer.Option(help="Under which licence the data are opened, e.g. CC-BY-4.0.")
    ] = "",
    maker: Annotated[str, typer.Option(help="Who is to be cited. Left out: nobody.")] = "",
    notes: Annotated[bool, typer.Option("--notes", help="Publish free words too.")] = False,
    recordings: Annotated[
        bool, typer.Option("--recordings", help="Add the recordings, their sound alone.")
    ] = False,
    shift_days: Annotated[int, typer.Option(help="Move all days by so many.")] = 0,
    names: Annotated[bool, typer.Option("--names", help="Leave players their names.")] = False,
    hide: Annotated[
        list[str] | None,
        typer.Option(help="A column whose words are replaced too; may be given more than once."),
    ] = None,
    key: Annotated[
        str, typer.Option(help="A secret, so that players are called alike in the next package.")
    ] = "",
    out: Annotated[
        Path | None, typer.Option(help="The zip. Left out: beside FOLDER, under its name.")
    ] = None,
) -> None:
    """Write the open form of a study as a zip, for others to check."""
    from reedlab.publish import data_package
    from reedlab.study import open_study

    with working() as tell:
        study = open_study(folder)
        tell("packing")
        home = folder.resolve()
        made = data_package(
            study,
            out or home.with_name(f"{home.name}.zip"),
            licence,
            maker=maker,
            notes=notes,
            recordings=recordings,
            shift_days=shift_days,
            pseudonyms=not names,
            hide=hide or (),
            key=key,
        )
    show_table(made.table)
    if not made.left_out.empty:
        show_table(made.left_out)
    typer.echo(made.sentence)
    for caution in made.cautions:
        typer.echo(f"  {caution}")
    typer.echo(f"  {made.path}")
