"""Which sound of a recording is which step of the test, by their order and their notes.

A recording falls into sounds with quiet between. Steps come in the order of the protocol; a
step may take several sounds (a crow tried twice), a sound may belong to none (a word, a cough),
a step may be missing. The cheapest such reading is taken. Hz and seconds.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from reedlab.errors import RecordError
from reedlab.measure.attempts import find_attempts
from reedlab.measure.notes import Note, find_notes, match_notes
from reedlab.measure.recording import Recording
from reedlab.measure.slur_notes import LEAST_STANDING
from reedlab.schema.pitch import cents, note_hz
from reedlab.schema.protocol import Step

#: What it costs to leave a sound out, and to miss a step.
LEFT_OUT, MISSED = 0.5, 1.5
#: What it costs to give a step a sound that only might be it: less than to leave the sound out.
#: What cannot be it is never given, nor what fits another step, if that can be helped.
DOUBTFUL, FITS = 0.45, 0.2
#: More than this share of its standing sound on one note, and a sound is that note. Its soft ends
#: may be heard octaves off in hum; then so much of the note itself is enough.
ONE_NOTE, ITSELF = 0.6, 0.45
#: So many notes make a list: an arpeggio has as many, and a step's notes name its line.
LIST_OF = 3
#: A note asked for may be so far off, in cents: another note was chosen, or the pitch bends.
NEAR_CENTS = 150.0
#: A crow may lie so far from its target, in cents.
CROW_CENTS = 900.0
#: The low register ends at least so near to its lowest note, in cents, and lies below this.
LOW_CENTS, LOW_HZ = 450.0, 140.0
#: An arpeggio leaps from note to note by more than a tone, in cents; a register goes by steps.
LEAP_CENTS = 250.0
#: At least such a share is standing notes, of a slurred line and of all else; of speech it is not.
SLURRED_SHARE, STANDING_SHARE = LEAST_STANDING, 0.6
#: Shorter is no long tone, but a word, and shorter no crow without a note, but a cough; in s.
LONG_TONE_S, LONG_HISS_S = 1.5, 1.0
#: So much of the quiet around is kept with a sound, in s.
MARGIN_S = 1.0


@dataclass(frozen=True, eq=False)
class Heard:
    """A sound of the recording, and the notes that stand in it.

    `part` is the sound with the quiet around it, `part_s` where that begins; the notes count
    from there. What was heard in the part is not heard again by those who measure it.
    """

    start_s: float
    end_s: float
    notes: tuple[Note, ...]
    part: Recording
    part_s: float

    @property
    def longest(self) -> Note:
        """The note that stands longest."""
        return max(self.notes, key=lambda note: note.end_s - note.start_s)

    @property
    def share(self) -> float:
        """The share of that pitch in all that stands, 0 to 1."""
        return self._share(octaves=False)

    @property
    def is_one_note(self) -> bool:
        """Whether it is one long tone."""
        return self.share > ITSELF and self._share(octaves=True) > ONE_NOTE

    @property
    def length_s(self) -> float:
        """How long it lasts."""
        return self.end_s - self.start_s

    @property
    def standing(self) -> float:
        """Which share of it is standing notes, 0 to 1."""
        return sum(note.end_s - note.start_s for note in self.notes) / self.length_s

    @property
    def leaps(self) -> bool:
        """Whether more than half of its steps from note to note are leaps."""
        heights = 1200 * np.log2([note.hz for note in self.notes])
        return bool(np.median(np.abs(np.diff(heights))) > LEAP_CENTS) if len(heights) > 1 else False

    def _share(self, octaves: bool) -> float:
        lengths = np.array([note.end_s - note.start_s for note in self.notes])
        off = np.log2([note.hz / self.longest.hz for note in self.notes])
        if octaves:
            off -= np.round(off)
        return float(lengths[1200 * np.abs(off) < NEAR_CENTS].sum() / lengths.sum())


def hear(recording: Recording) -> list[Heard]:
    """Return the sounds of a recording in order, each with its notes."""
    spans = list(find_attempts(recording))
    between = [(end_s + start_s) / 2 for (_, end_s), (start_s, _) in pairwise(spans)]
    limits = pairwise([0.0, *between, recording.duration_s])
    heard = []
    for (start_s, end_s), (low_s, high_s) in zip(spans, limits, strict=True):
        part_s = max(start_s - MARGIN_S, low_s)
        part = _cut(recording, part_s, min(end_s + MARGIN_S, high_s))
        try:
            notes = find_notes(part)
        except RecordError:
            notes = []
        heard.append(Heard(start_s, end_s, tuple(notes), part, part_s))
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
    prices = [_prices(sound, steps, crow_hz, a4_hz) for sound in heard]
    # cost[i][j]: the first i sounds are read, and step j - 1 is the last that has any.
    cost = np.full((len(heard) + 1, len(steps) + 1), np.inf)
    cost[0, 0] = 0.0
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


def part_of(recording: Recording, sounds: Sequence[Heard]) -> tuple[Recording, float]:
    """Return the sounds of a step with the quiet around, and where that begins, s."""
    first, last = sounds[0], sounds[-1]
    if first is last:
        return first.part, first.part_s
    return _cut(recording, first.part_s, last.part_s + last.part.duration_s), first.part_s


def _cut(recording: Recording, start_s: float, end_s: float) -> Recording:
    return replace(recording, samples=recording.part(start_s, end_s), cautions=())


def _prices(
    sound: Heard, steps: Sequence[tuple[str, Step]], crow_hz: tuple[float, float], a4_hz: float
) -> list[float]:
    """Return what it costs to take a sound for each of the steps: endless if it cannot be."""
    prices = [_price(sound, kind, step, crow_hz, a4_hz) for kind, step in steps]
    if min(prices) > FITS:
        return prices
    return [price if price <= FITS else price + MISSED for price in prices]


def _price(
    sound: Heard, kind: str, step: Step, crow_hz: tuple[float, float], a4_hz: float
) -> float:
    if not sound.notes:
        # A crow that only rattles has no note.
        return DOUBTFUL if kind == "crow" and sound.length_s > LONG_HISS_S else np.inf
    if kind == "crow":
        longest = sound.longest.hz
        far = max(cents(crow_hz[0], longest), cents(longest, crow_hz[1]), 0.0)
        return np.inf if far > CROW_CENTS or sound.share < 0.4 else DOUBTFUL * far / CROW_CENTS
    if kind == "hairpin":
        return _hairpin_price(sound, step, a4_hz)
    return _line_price(sound, kind, step, a4_hz)


def _hairpin_price(sound: Heard, step: Step, a4_hz: float) -> float:
    stands = sound.is_one_note and sound.standing > STANDING_SHARE
    if not stands or sound.length_s < LONG_TONE_S:
        return np.inf
    if not step.notes:
        return FITS
    longest = sound.longest.hz
    off = min(abs(cents(longest, note_hz(name, a4_hz))) for name in step.notes)
    return 0.0 if off < NEAR_CENTS else DOUBTFUL


def _line_price(sound: Heard, kind: str, step: Step, a4_hz: float) -> float:
    slurred = kind == "slur"
    fewest, least = (LIST_OF, SLURRED_SHARE) if slurred else (2, STANDING_SHARE)
    if len(sound.notes) < fewest or sound.share > ONE_NOTE or sound.standing < least:
        return np.inf
    if len(step.notes) >= LIST_OF:
        right = match_notes(sound.notes, step.notes, a4_hz).right_share
        return 0.0 if right >= 0.5 else DOUBTFUL
    if slurred:
        return 0.0 if sound.leaps else DOUBTFUL
    if not step.notes:
        return DOUBTFUL if sound.leaps else FITS
    pitches = [note.hz for note in sound.notes]
    lowest = min(note_hz(name, a4_hz) for name in step.notes)
    low = np.median(pitches) < LOW_HZ and cents(min(pitches), lowest) < LOW_CENTS
    return 0.0 if low else DOUBTFUL
