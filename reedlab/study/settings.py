"""What a study says about itself, apart from its tables.

The instrument and its crow target, the factors and responses, the test protocol, the
stages of testing with the work that they cost, and which factors of which batch were
randomised. Frozen; pitches in note names, tuning in Hz, work in minutes.
"""

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import pairwise
from numbers import Real

from reedlab.errors import CallError
from reedlab.schema import (
    A4_HZ,
    RESPONSES,
    Factor,
    Response,
    Step,
    default_factors,
    default_protocol,
    instrument,
    note_hz,
)


@dataclass(frozen=True)
class BatchRecord:
    """A planned batch and what was randomised in it.

    Attributes
    ----------
    batch_id : str
    randomised : sequence of str
        Names of the factors whose levels the plan assigned by chance.
    seed : int or None
        Seed of that assignment.
    how : str
        The assignment in words.
    terms : sequence of str
        What the batch was laid out to estimate: factors, ``"a:b"`` for an interaction,
        ``"a:a"`` for a bend.
    least : float or None
        Criterion of the layout below which a shuffle was drawn again; None if any would do.
    tube_shares : sequence of float
        Assumed shares of the tubes in the variance that the criterion rests on.
    predict : bool
        Whether the criterion is that of prediction (I), not of effects (D).
    sealed : bool
        Whether which code belongs to which reed is still kept in the key file.
    given : sequence of str
        Factors of the batch that the cane gives; they are measured, not set.
    unblinded : str
        Day on which the key was opened, ``2026-03-04``; empty while it is sealed.
    """

    batch_id: str
    randomised: Sequence[str] = ()
    seed: int | None = None
    how: str = ""
    terms: Sequence[str] = ()
    least: float | None = None
    tube_shares: Sequence[float] = ()
    predict: bool = False
    sealed: bool = False
    unblinded: str = ""
    given: Sequence[str] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "randomised", tuple(self.randomised))
        object.__setattr__(self, "terms", tuple(self.terms))
        object.__setattr__(self, "given", tuple(self.given))
        object.__setattr__(self, "tube_shares", tuple(self.tube_shares))


@dataclass(frozen=True)
class Stage:
    """A stage of testing and what a reed has cost by then.

    Attributes
    ----------
    name : str
        As the tests say it, e.g. ``"day 1"``.
    minutes : float
        Usual minutes of work on a reed from the cane to the end of its test at that stage.
    """

    name: str
    minutes: float


@dataclass(frozen=True)
class Settings:
    """The settings of a study.

    Parameters
    ----------
    instrument : str
        As in :data:`reedlab.schema.INSTRUMENTS`.
    a4_hz : float
        Tuning that the crow target is reckoned with.
    crow_target : str or (str, str), optional
        A note, or the lowest and the highest note of a band; kept as a pair. Left out,
        it is the instrument's.
    invented : bool
        Whether the data are made up.
    factors, responses : sequence, optional
        What is varied and what is judged.
    protocol : sequence of Step, optional
        Left out, it is the instrument's default.
    batches : sequence of BatchRecord, optional
    stages : sequence of Stage, optional
        In order, the last one that at which a reed is finished; minutes grow.
    cane_minutes : float
        What the cane of one reed costs, in minutes of work.

    Raises
    ------
    CallError
        Listing all that does not fit.

    Examples
    --------
    >>> settings = Settings("bassoon", a4_hz=442)
    >>> settings.crow_target, [round(hz, 1) for hz in settings.crow_band_hz]
    (('E4', 'F4'), [331.1, 350.8])
    """

    instrument: str = "bassoon"
    a4_hz: float = A4_HZ
    crow_target: str | Sequence[str] = ()
    invented: bool = False
    factors: Sequence[Factor] = ()
    responses: Sequence[Response] = ()
    protocol: Sequence[Step] = ()
    batches: Sequence[BatchRecord] = ()
    stages: Sequence[Stage] = ()
    cane_minutes: float = 0.0

    def __post_init__(self) -> None:
        known = instrument(self.instrument)
        object.__setattr__(self, "crow_target", _band(self.crow_target) or known.crow_target)
        object.__setattr__(self, "protocol", tuple(self.protocol or default_protocol(known.name)))
        for name in ("factors", "responses", "batches", "stages"):
            object.__setattr__(self, name, tuple(getattr(self, name)))
        faults = [*self._pitch_faults(), *self._name_faults(), *self._minutes_faults()]
        if faults:
            raise CallError("\n".join(dict.fromkeys(faults)))

    @property
    def declared(self) -> tuple[Factor | Response, ...]:
        """The factors, then the responses."""
        return (*self.factors, *self.responses)

    @property
    def crow_band_hz(self) -> tuple[float, float]:
        """Lowest and highest frequency of the crow target; equal for a single note."""
        low, high = self.crow_target
        return note_hz(low, self.a4_hz), note_hz(high, self.a4_hz)

    def _pitch_faults(self) -> Iterator[str]:
        if not isinstance(self.a4_hz, Real) or not 300 <= self.a4_hz <= 600:
            yield f"a4_hz is {self.a4_hz!r}; a tuning of A4 lies between 300 and 600 Hz."
        if len(self.crow_target) != 2:
            yield "crow_target must be one note, or the lowest and the highest note."
            return
        edges = []
        for note in self.crow_target:
            if not isinstance(note, str):
                yield f"crow_target: {note!r} is no note; write its name, e.g. E4, Bb1 or F#4."
                continue
            try:
                edges.append(note_hz(note))
            except CallError as error:
                yield f"crow_target: {error}"
        if len(edges) == 2 and edges[0] > edges[1]:
            low, high = self.crow_target
            yield f"crow_target runs from {low} down to {high}; write the lower note first."

    def _name_faults(self) -> Iterator[str]:
        for kind, items in (
            ("factor", [item.name for item in self.factors]),
            ("response", [item.name for item in self.responses]),
            ("batch", [item.batch_id for item in self.batches]),
            ("stage", [item.name for item in self.stages]),
        ):
            for name in sorted({name for name in items if items.count(name) > 1}):
                yield f"The {kind} '{name}' is declared twice."
        factors = [factor.name for factor in self.factors]
        for batch in self.batches:
            for name in batch.randomised:
                if name not in factors:
                    near = get_close_matches(str(name), factors, n=1, cutoff=0.5)
                    hint = f"; nearest: '{near[0]}'" if near else ""
                    yield (
                        f"Batch '{batch.batch_id}' names '{name}' as randomised, which is no "
                        f"declared factor{hint}."
                    )

    def _minutes_faults(self) -> Iterator[str]:
        costs = [("cane_minutes", self.cane_minutes)]
        costs += [(f"minutes of the stage '{item.name}'", item.minutes) for item in self.stages]
        wrong = [(what, value) for what, value in costs if not is_duration(value)]
        for what, value in wrong:
            yield f"{what}: {value!r} is no number of minutes from 0 upwards."
        if not wrong:
            for earlier, later in pairwise(self.stages):
                if later.minutes <= earlier.minutes:
                    yield (
                        f"The stage '{later.name}' comes after '{earlier.name}' and must have more "
                        f"minutes than {earlier.minutes:g}; they count from the cane on."
                    )


def is_duration(value: object) -> bool:
    """Say whether a value is a finite number of minutes from 0 upwards.

    Examples
    --------
    >>> is_duration(70), is_duration(-1), is_duration(True), is_duration("an hour")
    (True, False, False, False)
    """
    if isinstance(value, bool) or not isinstance(value, Real):
        return False
    return 0 <= float(value) < math.inf


def _band(target: object) -> tuple[str, ...]:
    """Return a target as its two notes: one note twice, a band as it stands, "E4-F4" too."""
    if isinstance(target, str):
        notes = re.split(r"\s*[-–—,;]\s*|\s+to\s+|\s+", target.strip()) if target else []
    else:
        notes = [*target] if isinstance(target, Iterable) else [target]
    return tuple(notes * 2 if len(notes) == 1 else notes)


def default_settings(instrument_name: str = "bassoon", invented: bool = False) -> Settings:
    """Return the settings that a new study starts with.

    Examples
    --------
    >>> len(default_settings("bassoon").responses)
    10
    """
    return Settings(
        instrument_name,
        invented=invented,
        factors=default_factors(instrument_name),
        responses=RESPONSES,
    )
