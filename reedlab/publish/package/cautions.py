"""What the maker must know before the package leaves the house, and what its readers are told."""

from collections.abc import Iterator, Mapping, Sequence

import pandas as pd

from reedlab.answer import counted
from reedlab.errors import listed
from reedlab.publish.package.choices import Choices
from reedlab.publish.package.days import OTHER
from reedlab.publish.package.part import Part
from reedlab.study import Settings, Study
from reedlab.study.journal import FOLDER as JOURNAL
from reedlab.study.plans import made_file

_PLACES = ("instrument_id", "bocal", "room")
_WEEK = 7


def notices(
    study: Study,
    choices: Choices,
    left: Mapping[str, Sequence[str]],
    unsaid: int,
) -> Iterator[str]:
    """Yield what was changed or left out, for the readers of the package."""
    naming = choices.naming
    if naming.people:
        yield "People have other names; the same name is the same person in every file."
    elif not choices.pseudonyms:
        yield "People are named as in the record."
    if naming.places:
        yield f"Other words stand in the place of these columns' own: {listed(naming.places)}."
    if choices.days:
        week = "" if choices.days % _WEEK else " Days of the week are the same."
        yield f"All days are moved by the same number of days; hours are as they were.{week}"
    if left:
        told = "; ".join(f"{table} ({listed(columns)})" for table, columns in left.items())
        yield f"Free words are left out: {told}."
    made = [made_file(batch.batch_id) for batch in study.settings.batches]
    if not choices.notes and any((study.folder / file).exists() for file in made):
        yield "Notes in what was made of a plan are left out."
    tests = study.tables.get("tests", pd.DataFrame())
    if "recording" in tests and tests["recording"].notna().any():
        if choices.recordings:
            yield "Recordings have new names, and hold their sound alone."
            if unsaid:
                yield f"{counted(unsaid, 'recording')} could not be added."
        else:
            yield "Recordings, and the column that names them, are left out."
    yield from _sealed(study.settings)
    yield "The journal of the study's changes is left out."
    warnings = study.faults.table["row"].notna().sum()
    if warnings:
        yield (
            f"The check of the record has {counted(warnings, 'warning')}: values that may be right "
            "but should be looked at. They are published as they stand."
        )
    else:
        yield "The check of the record found no fault."


def _sealed(settings: Settings) -> Iterator[str]:
    for batch in settings.batches:
        if batch.sealed:
            yield (
                f"Batch {batch.batch_id} is still judged blind: its key, and the seed from which "
                "it could be drawn again, stay with the maker until it is opened."
            )


def cautions(study: Study, choices: Choices, parts: Sequence[Part], keyed: bool) -> Iterator[str]:
    """Yield what the maker should know before publishing."""
    if len(choices.naming.people) > 1 and not keyed and not (study.folder / JOURNAL).is_dir():
        yield (
            "Who is who was drawn from the record as typed; somebody who has all of it and the "
            "names could draw it again. Give a key that only you know to prevent that."
        )
    yield from _names(study, choices, parts)
    yield from _few(study, choices)
    if choices.days:
        if choices.days % _WEEK:
            yield (
                f"Moving by {choices.days} days changes the days of the week; a multiple of 7 "
                "keeps them."
            )
        texts = [part.file for part in parts if part.cells and _says_another_day(part)]
        if texts:
            yield (
                f"A day may be written in another way in {listed(texts)}; such days are not moved, "
                "so look there."
            )
        if "harvest_year" in study.tables.get("lots", ()):
            yield "Years of harvest are not moved."
    if choices.recordings and choices.renamed:
        yield (
            "Listen to each recording before you publish it: a voice, a name that is spoken, or a "
            "room may tell who plays."
        )
    if choices.notes:
        yield "Notes are published: read them once more for anything that tells who is meant."
    for told in _sealed(study.settings):
        yield f"{told} Better wait until then, for who tries many seeds may draw it again."


def _names(study: Study, choices: Choices, parts: Sequence[Part]) -> Iterator[str]:
    naming = choices.naming
    if not choices.pseudonyms:
        yield "People keep their names: publish only with the consent of each of them."
        return
    if naming.people:
        yield (
            "Found are names that stand in columns of people; nicknames, initials and other "
            "people's names stay, so read titles, labels and texts once more."
        )
    if naming.whole_only:
        yield (
            f"{listed(map(repr, naming.whole_only))} is too short, or a word of the record too, to "
            "be found in texts; it is replaced in columns of people only. Read the texts."
        )
    if naming.trade_words:
        yield (
            f"{listed(map(repr, naming.trade_words))} is part of a name and a word of the record "
            "too; in texts it is replaced with the whole name only. Read them."
        )
    left = [
        part.file
        for part in parts
        if isinstance(part.content, bytes)
        and any(trace in part.content.decode("utf-8-sig").casefold() for trace in naming.traces)
    ]
    if left:
        yield (
            f"The letters of a person's name still stand in {listed(left)}; look whether it is "
            "meant."
        )
    if choices.maker and any(choices.maker.casefold() == n.casefold() for n in naming.people):
        yield "The maker is named and also plays, so readers may guess which player that is."
    shown = [
        name
        for name in _PLACES
        if name not in naming.places
        and any(
            sum(map(str.isalpha, str(word))) > 2
            for word in study.tables.get("sessions", pd.DataFrame()).get(name, ())
        )
    ]
    if shown:
        yield (
            f"{listed(shown)} of the sessions may tell where or on whose instrument was played; "
            f"hide={shown!r} puts other words in their place."
        )


def _few(study: Study, choices: Choices) -> Iterator[str]:
    """Tell which small groups may give a player away."""
    sessions = study.tables.get("sessions", pd.DataFrame())
    if "player_id" not in sessions:
        return
    players = sessions["player_id"].value_counts()
    if len(players) == 1:
        yield "There is one player only: who knows the maker may know the player."
        return
    once = sum(players == 1)
    if once:
        yield (
            f"{counted(once, 'player')} played in one session only: its day, room and instrument "
            "may tell who that was."
        )
    known = [name for name in _PLACES if name in sessions]
    if known:
        whose = sessions.groupby(known, dropna=False)["player_id"].nunique()
        alone = int((whose == 1).sum())
        if alone:
            yield (
                f"{counted(alone, 'combination')} of {' and '.join(known)} "
                f"{'occurs' if alone == 1 else 'occur'} with one player only, and may tell who "
                "that is."
            )


def _says_another_day(part: Part) -> bool:
    return any(OTHER.search(cell) for row in part.cells for cell in row if len(cell) > 5)
