"""What a stopping rule does, judged on things of which some were stopped early.

Of each thing it is known whether the rule would stop it; whether it would have ended well
is known of those that were finished and of the spared: a random few of the stopped that
were finished all the same. Three ways of reckoning are set side by side. Shares are of all
things, 0 to 1.
"""

from dataclasses import dataclass

import numpy as np

from reedlab.errors import CallError

METHODS = ("spared", "Begg & Greenes", "naive")
FATES = ("finished", "spared", "stopped")
#: How many draws an interval rests on; its limits are then sure to a hundredth of its width.
DRAWS = 4000
#: Jeffreys' prior: half a success and half a failure (Brown, Cai & DasGupta 2001).
_HALF = 0.5
# Cells of either verdict: good or not of the finished and of the spared, and the stopped.
_GOOD, _BAD, _SPARED_GOOD, _SPARED_BAD, _OPEN = range(5)


@dataclass(frozen=True)
class RuleShares:
    """Shares of all things, each a number or one number a draw.

    Attributes
    ----------
    stopped : ndarray
        Stopped by the rule.
    good : ndarray
        Those that would end well if all were finished.
    lost : ndarray
        Those that would end well and are stopped by the rule.
    """

    stopped: np.ndarray
    good: np.ndarray
    lost: np.ndarray

    @property
    def lost_of_good(self) -> np.ndarray:
        """What share of the good ones the rule stops; missing if there are none."""
        return np.divide(
            self.lost, self.good, out=np.full(np.shape(self.good), np.nan), where=self.good > 0
        )


@dataclass(frozen=True)
class EarlyStops:
    """Counts behind a rule's shares; made by :func:`early_stops`.

    Attributes
    ----------
    cells : ndarray, shape (groups, 2, 5)
        Numbers of things by group, by the rule's verdict (carried on, stopped), and by what
        became of them: finished and good, finished and not, spared and good, spared and
        not, stopped early.
    """

    cells: np.ndarray

    @property
    def spared(self) -> int:
        """How many were spared."""
        return int(self.cells[:, :, _SPARED_GOOD:_OPEN].sum())

    def estimate(self, method: str) -> RuleShares:
        """Return the shares as numbers.

        Parameters
        ----------
        method : {"spared", "Begg & Greenes", "naive"}
        """
        together = self.cells.sum(axis=0)[None]
        return _shares(together, method, np.zeros_like(together))

    def draws(self, method: str, seed: int | np.random.Generator = 1) -> RuleShares:
        """Draw the shares from what may be believed of them, for intervals by percentiles.

        Parameters
        ----------
        method : {"spared", "Begg & Greenes", "naive"}
        seed : int or numpy.random.Generator

        Notes
        -----
        Groups get exponential weights (the Bayesian bootstrap, Rubin 1981), so that things
        of a group go together; to cells that decide a share half a thing is added in the
        same way (Jeffreys' prior), so that none of few is no certainty. With groups of one
        thing these are the draws of a Dirichlet distribution.
        """
        rng = np.random.default_rng(seed)
        weights = rng.exponential(size=(DRAWS, len(self.cells)))
        drawn = np.einsum("dg,gvc->dvc", weights, self.cells)
        prior = rng.gamma(_HALF, size=drawn.shape)
        return _shares(drawn, method, prior)


def early_stops(
    verdict: np.ndarray, fate: np.ndarray, good: np.ndarray, groups: np.ndarray
) -> EarlyStops:
    """Count things by what the rule says of them and what became of them.

    Parameters
    ----------
    verdict : ndarray of bool, shape (n,)
        True where the rule would stop.
    fate : ndarray of str, shape (n,)
        ``"finished"``, ``"spared"`` or ``"stopped"``.
    good : ndarray of float, shape (n,)
        1 if it ended well, 0 if not; not looked at where it was stopped.
    groups : ndarray, shape (n,)
        What makes things alike.

    Returns
    -------
    EarlyStops

    Raises
    ------
    CallError
        For another fate, or a finished thing whose end is not known.

    Notes
    -----
    naive: only what was finished counts. Begg & Greenes (1983): among those of either
    verdict, the finished stand for the stopped; right if stopping depended on nothing else
    that tells of the end. spared: the spared stand for all that were to be stopped, each with
    the inverse of its chance of being carried on (Horvitz & Thompson 1952, with the share that
    was spared in the place of that chance); right if they were drawn at random.

    Examples
    --------
    >>> counts = early_stops(
    ...     np.array([True, True, True, False, False]),
    ...     np.array(["spared", "stopped", "stopped", "finished", "finished"]),
    ...     np.array([1.0, np.nan, np.nan, 1.0, 0.0]),
    ...     np.arange(5),
    ... )
    >>> [round(float(counts.estimate(method).lost_of_good[0]), 2) for method in METHODS]
    [0.75, 0.75, 0.5]
    """
    unknown = sorted(set(map(str, fate)) - set(FATES))
    if unknown:
        raise CallError(f"A fate is one of {', '.join(FATES)}; not {unknown[0]!r}.")
    stopped = fate == "stopped"
    if not np.isin(good[~stopped], (0, 1)).all():
        raise CallError("Of everything finished or spared it must be known whether it ended well.")
    kind = np.where(fate == "spared", _SPARED_GOOD, _GOOD) + (good == 0)
    kind = np.where(stopped, _OPEN, kind)
    codes, names = np.unique(groups, return_inverse=True)
    cells = np.zeros((len(codes), 2, 5))
    np.add.at(cells, (names, verdict.astype(int), kind), 1)
    return EarlyStops(cells)


def _shares(cells: np.ndarray, method: str, prior: np.ndarray) -> RuleShares:
    """Reckon shares from cells of shape (draws, verdicts, 5)."""
    if method not in METHODS:
        raise CallError(f"There is no method '{method}'; choose {', '.join(METHODS)}.")
    padded = cells + prior
    everything = cells.sum(axis=-1)
    if method == "spared":
        finished = cells[..., [_GOOD, _BAD]].any(axis=(0, 2))
        good = np.where(finished, padded[..., _GOOD], 0) + _good_of_early(cells, prior)
    elif method == "Begg & Greenes":
        seen = padded[..., :_OPEN]
        found = seen[..., _GOOD] + seen[..., _SPARED_GOOD]
        good = everything * _divided(found, seen.sum(axis=-1))
    else:
        everything = cells[..., :_OPEN].sum(axis=-1)
        good = padded[..., _GOOD] + cells[..., _SPARED_GOOD]
    good = np.where(everything > 0, good, 0)
    total = everything.sum(axis=-1)
    return RuleShares(everything[:, 1] / total, good.sum(axis=-1) / total, good[:, 1] / total)


def _good_of_early(cells: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """How many of those that were to be stopped early are good, by verdict."""
    early = cells[..., _SPARED_GOOD:].sum(axis=-1)
    good = np.where(early.any(axis=0), (cells + prior)[..., _SPARED_GOOD], 0)
    bad = cells[..., _SPARED_BAD].sum(axis=-1) + prior[:, 0, _SPARED_BAD]
    rate = _divided(good, np.broadcast_to((good.sum(axis=-1) + bad)[:, None], good.shape))
    # Where nothing was stopped early the rate is of no account, even if it is not known.
    together = early.sum(axis=-1, keepdims=True)
    return np.where(together > 0, together * rate, 0)


def _divided(part: np.ndarray, whole: np.ndarray) -> np.ndarray:
    return np.divide(part, whole, out=np.full(np.shape(part), np.nan), where=whole > 0)
