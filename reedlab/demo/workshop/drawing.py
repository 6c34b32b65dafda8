"""Drawing the truth of a world: which factors matter, and how much, from its kind and seed.

The shape of the truth is drawn by chance; then all effects are made larger or smaller
together until the best recipe makes the kind's share of good reeds. No maker is asked.
"""

from dataclasses import replace

import numpy as np

from reedlab.demo.workshop.assumed import FACTORS, USUAL, USUAL_OFF
from reedlab.demo.workshop.kinds import Kind
from reedlab.demo.workshop.nature import REEDS, Nature, code

#: What a factor that matters does, before all are scaled together: dB at either end, cents at
#: either end, dB of bend, dB of two factors together. Sizes in proportion are assumptions.
_SPAN, _CROW, _BEND, _TOGETHER = (0.3, 0.9), (5.0, 20.0), (0.6, 1.4), (0.3, 0.7)
#: A bend's best place lies inside what is tried, and at least so far from the usual (coded).
_INSIDE, _AWAY = 0.7, 0.4
#: Worlds whose best recipe would need effects beyond so many times those drawn are drawn anew:
#: no factor then moves the crow by more than a semitone from one end to the other.
_MOST, _HALVINGS = 2.5, 14


def draw_nature(kind: Kind, rng: np.random.Generator) -> Nature:
    """Draw the truth of a world.

    Parameters
    ----------
    kind : Kind
    rng : numpy.random.Generator

    Returns
    -------
    Nature

    Examples
    --------
    >>> from reedlab.demo.workshop.kinds import KINDS
    >>> nature = draw_nature(KINDS["ordinary"], np.random.default_rng(1))
    >>> len(nature.matters), round(nature.best[1], 2)
    (3, 0.45)
    """
    luck = rng.standard_normal((3, REEDS))
    while True:
        drawn = _drawn(kind, rng, luck)
        if not kind.active:
            return drawn
        if _scaled(drawn, _MOST).best[1] > kind.best_good:
            return _reaching(drawn)


def _drawn(kind: Kind, rng: np.random.Generator, luck: np.ndarray) -> Nature:
    numeric = np.array([factor.kind == "numeric" for factor in FACTORS])
    n, usual = len(FACTORS), code([USUAL])[0]
    chosen = rng.permutation(n)[: kind.active]
    while kind.active and not numeric[chosen].any():
        chosen = rng.permutation(n)[: kind.active]
    acts = np.isin(np.arange(n), chosen)
    sign = rng.choice([-1.0, 1.0], n)
    peak = rng.uniform(-_INSIDE, _INSIDE, n)
    near = np.abs(peak - usual) < _AWAY
    peak[near] = np.clip(usual + np.where(usual > 0, -1, 1) * _AWAY, -_INSIDE, _INSIDE)[near]
    pair = (int(chosen[0]), int(chosen[1])) if kind.active > 1 else (0, 1)
    together = rng.choice([-1.0, 1.0]) * rng.uniform(*_TOGETHER)
    return Nature(
        kind,
        off=float(rng.choice([-1.0, 1.0]) * rng.uniform(*USUAL_OFF)),
        crow=np.where(acts, sign * rng.uniform(*_CROW, n), 0.0),
        span=np.where(acts & ~numeric, rng.choice([-1.0, 1.0], n) * rng.uniform(*_SPAN, n), 0.0),
        bend=np.where(acts & numeric, rng.uniform(*_BEND, n), 0.0),
        peak=peak,
        pair=pair,
        together=float(together) if kind.active > 1 else 0.0,
        luck=luck,
    )


def _scaled(nature: Nature, by: float) -> Nature:
    return replace(
        nature,
        crow=by * nature.crow,
        span=by * nature.span,
        bend=by * nature.bend,
        together=by * nature.together,
    )


def _reaching(nature: Nature) -> Nature:
    """Scale all effects until the best recipe makes the kind's share of good reeds."""
    low, high = 0.0, _MOST
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if _scaled(nature, middle).best[1] < nature.kind.best_good:
            low = middle
        else:
            high = middle
    return _scaled(nature, high)
