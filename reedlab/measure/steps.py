"""Which sound of a recording is which step of the test, by their order and their notes.

A recording falls into sounds with quiet between. Steps come in the order of the protocol; a
step may take several sounds (a crow tried twice), a sound may belong to none (a word, a cough),
a step may be missing. The cheapest such reading is taken. Hz and seconds.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reedlab.errors import RecordError
from reedlab.measure.attempts import find_attempts
from reedlab.measure.notes import Note, find_notes
from reedlab.measure.recording import Recording
from reedlab.schema.pitch import cents, note_hz
from reedlab.schema.protocol import Step

#: What it costs to leave a sound out, to miss a step, and to give a step a sound that only
#: might be it. What cannot be it is never given.
LEFT_OUT, MISSED, DOUBTFUL = 1.0, 1.5, 0.6
#: More than this share of its standing sound on one note, and a sound is that note.
ONE_NOTE = 0.6
#: A line of at least so many notes is an arpeggio.
FEWEST_NOTES = 3
#: A note asked for may be so far off, in cents: another note was chosen, or the pitch bends.
NEAR_CENTS = 150.0
#: A crow may lie so far from its target, in cents.
CROW_CENTS = 900.0
#: The low register ends at least so near to its lowest note, in cents, and lies below this.
LOW_CENTS, LOW_HZ = 450.0, 140.0
#: So much of the quiet around is kept with a sound, in s.
MARGIN_S = 1.0


@dataclass(frozen=True)
class Heard:
    """A sound of the recording, and the notes that stand in it."""

    start_s: float
    end_s: float
    notes: tuple[Note, ...]

    @property
    def longest(self) -> Note:
        """The note that stands longest."""
        return max(self.notes, key=lambda note: note.end_s - note.start_s)

    @property
    def share(self) -> float:
        """Its share of all that stands, 0 to 1."""
        lengths = [note.end_s - note.start_s for note in self.notes]
        return max(lengths) / sum(lengths)


def hear(recording: Recording) -> list[Heard]:
    """Return the sounds of a recording in order, each with its notes."""
    heard = []
    for start_s, end_s in find_attempts(recording):
        part = replace(recording, samples=recording.part(start_s, end_s))
        try:
            notes = find_notes(part)
        except RecordError:
            notes = []
        heard.append(Heard(start_s, end_s, tuple(notes)))
    return heard


def assign(
    heard: Sequence[Heard],
    steps: Sequence[tuple[str, Step]],
    crow_hz: tuple[float, float],
    a4_hz: float,
) -> list[list[Heard]]:
    """Return the sounds of each step, none where it is missing.

    Parameters
    ----------
    heard : sequence of Heard
    steps : sequence of (str, Step)
        With the kind of each: crow, hairpin, slur or register.
    crow_hz : (float, float)
        Lowest and highest pitch of the crow that is aimed at.
    a4_hz : float

    Returns
    -------
    list of list of Heard
    """
    prices = [[_price(sound, *step, crow_hz, a4_hz) for step in steps] for sound in heard]
    # cost[i][j]: the first i sounds are read, and step j - 1 is the last that has any.
    cost = np.full((len(heard) + 1, len(steps) + 1), np.inf)
    cost[0] = MISSED * np.maximum(np.arange(len(steps) + 1) - 1.0, 0.0)
    cost[0, 1:] = np.inf
    came = np.zeros(cost.shape, dtype=int)
    for i, row in enumerate(prices, start=1):
        for j in range(len(steps) + 1):
            cost[i, j], came[i, j] = cost[i - 1, j] + LEFT_OUT, -1
            if j == 0:
                continue
            # The sound is of step j: the one before was of this step or of an earlier one.
            before = [cost[i - 1, k] + MISSED * max(j - k - 1, 0) for k in range(j + 1)]
            best = int(np.argmin(before))
            if before[best] + row[j - 1] < cost[i, j]:
                cost[i, j], came[i, j] = before[best] + row[j - 1], best
    missed = MISSED * (len(steps) - np.arange(len(steps) + 1))
    j = int(np.argmin(cost[-1] + missed))
    found: list[list[Heard]] = [[] for _ in steps]
    for i in range(len(heard), 0, -1):
        if came[i, j] >= 0:
            found[j - 1].insert(0, heard[i - 1])
            j = int(came[i, j])
    return found


def part_of(
    recording: Recording, sounds: Sequence[Heard], heard: Sequence[Heard]
) -> tuple[Recording, float]:
    """Cut the sounds of a step out, with the quiet around; return also where that begins, s."""
    first, last = heard.index(sounds[0]), heard.index(sounds[-1])
    start_s, end_s = sounds[0].start_s - MARGIN_S, sounds[-1].end_s + MARGIN_S
    if first:
        start_s = max(start_s, (heard[first - 1].end_s + sounds[0].start_s) / 2)
    if last + 1 < len(heard):
        end_s = min(end_s, (sounds[-1].end_s + heard[last + 1].start_s) / 2)
    start_s, end_s = max(start_s, 0.0), min(end_s, recording.duration_s)
    return replace(recording, samples=recording.part(start_s, end_s), cautions=()), start_s


def _price(
    sound: Heard, kind: str, step: Step, crow_hz: tuple[float, float], a4_hz: float
) -> float:
    """Return what it costs to take a sound for a step: 0 if it fits, endless if it cannot be."""
    if not sound.notes:
        # A crow that only rattles has no note.
        return DOUBTFUL if kind == "crow" else np.inf
    longest = sound.longest.hz
    wanted = [note_hz(name, a4_hz) for name in step.notes]
    if kind == "crow":
        far = max(cents(crow_hz[0], longest), cents(longest, crow_hz[1]), 0.0)
        return np.inf if far > CROW_CENTS or sound.share < 0.4 else far / CROW_CENTS
    if kind == "hairpin":
        if sound.share < ONE_NOTE:
            return np.inf
        off = min((abs(cents(longest, hz)) for hz in wanted), default=NEAR_CENTS)
        return 0.0 if off < NEAR_CENTS else DOUBTFUL
    pitches = np.array([note.hz for note in sound.notes])
    if kind == "register":
        lowest = min(wanted, default=LOW_HZ / 2)
        low = np.median(pitches) < LOW_HZ and abs(cents(pitches.min(), lowest)) < 2 * LOW_CENTS
        return 0.0 if low and cents(pitches.min(), lowest) < LOW_CENTS else DOUBTFUL
    if len(pitches) < FEWEST_NOTES or sound.share > ONE_NOTE:
        return np.inf
    return 0.0 if cents(pitches.max(), pitches.min()) > 600 else DOUBTFUL
