"""Randomisation tests: what was seen, among all that the plan could as well have drawn.

Treatments move over the rows as a restricted shuffle lets them; the responses stay. No
distribution is assumed, only that the plan was carried out. Intervals hold the constant
shifts that the same test does not call an effect; units are the response's.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property, partial

import numpy as np
import pandas as pd

from reedlab.errors import InestimableTermError, ModelError
from reedlab.model.max_t import step_down
from reedlab.model.scores import Score, Terms
from reedlab.model.shuffles import Shuffles
from reedlab.model.tails import ROUNDING, Tail, tail, upper_limit
from reedlab.model.threads import one_thread
from reedlab.pieces import cut, in_pieces

#: Arrangements up to this number are all gone through.
MOST_LISTED = 20_000
DRAWS = 20_000
#: Arrangements that are reckoned at a time, so that they stay in the processor's cache.
CHUNK = 500
#: Arrangements that are drawn in a piece.
PIECE = 5000
#: Responses whose sums are kept for further questions.
MOST_SHARED = 8


@dataclass(frozen=True)
class Reference:
    """Arrangements to compare with, shape (m, n); row i takes the treatment of row [., i]."""

    taken: np.ndarray
    complete: bool

    def sums(self, columns: np.ndarray, response: np.ndarray) -> np.ndarray:
        """Sum of each column, moved, times the responses (n,) or (n, k): (p, m) or (p, m, k)."""
        found = np.empty((columns.shape[1], len(self.taken), *response.shape[1:]))
        for start in range(0, len(self.taken), CHUNK):
            rows = self.taken[start : start + CHUNK]
            for place, column in enumerate(columns.T.copy()):
                found[place, start : start + CHUNK] = column.take(rows) @ response
        return found

    def mc_error(self, p_value: float) -> float:
        """Monte-Carlo standard error of a p value; 0 if these are all arrangements."""
        return 0.0 if self.complete else float(np.sqrt(p_value * (1 - p_value) / len(self.taken)))


@dataclass(frozen=True)
class Shift:
    """The effect of one column: estimate and 95 % interval, in the response's unit."""

    estimate: float
    conf_low: float
    conf_high: float


@dataclass(frozen=True)
class Randomisation:
    """Randomisation tests of several terms; made by :func:`randomisation`.

    Attributes
    ----------
    responses : tuple of Terms
        One for each response.
    shuffles : Shuffles
    draws, most, seed : int
    """

    responses: tuple[Terms, ...]
    shuffles: Shuffles
    draws: int = DRAWS
    most: int = MOST_LISTED
    seed: int = 1
    _references: dict[str, Reference] = field(default_factory=dict, repr=False)
    _shared: dict[tuple[int, int], np.ndarray] = field(default_factory=dict, repr=False)

    @cached_property
    def table(self) -> pd.DataFrame:
        """One row a term and response.

        Returns
        -------
        DataFrame
            ``term``; ``response`` (its number); ``statistic`` (the score's sum of squares over
            the share of variation that the other terms leave); ``p_value`` and ``p_adjusted``
            (step-down maxT, Westfall & Young 1993, over terms and responses); ``mid`` (whether
            ties count half); ``smallest`` (the least p value that was to be had), ``level``
            (share of the arrangements with p below 0.05); ``assignments`` (how many the p value
            rests on), ``complete`` (whether these are all) and ``mc_error`` of p_value.
        """
        rows = []
        for response, terms in enumerate(self.responses):
            for term in self.names:
                reference = self.reference(term, response)
                found = self.test(term, response)
                rows.append(
                    {
                        "term": term,
                        "response": response,
                        "statistic": _seen(terms.score(term)),
                        **vars(found),
                        "assignments": len(reference.taken),
                        "complete": reference.complete,
                        "mc_error": reference.mc_error(found.p_value),
                    }
                )
        table = pd.DataFrame(rows)
        return table.assign(p_adjusted=self._adjusted(table))

    @property
    def names(self) -> tuple[str, ...]:
        """The terms."""
        return tuple(self.responses[0].planned)

    @one_thread
    def test(self, term: str, response: int = 0) -> Tail:
        """Set the statistic of a term beside those of its other arrangements."""
        reference, score = self.reference(term, response), self.responses[response].score(term)
        values = score.statistic(self._sums(reference, response, score))
        return tail(values, _seen(score), complete=reference.complete)

    @one_thread
    def shift(self, term: str, column: int = 0, response: int = 0, mid: bool = False) -> Shift:
        """Estimate the effect of one column of a term, its other columns allowed for.

        Parameters
        ----------
        term : str
        column : int
            Place among the term's columns.
        response : int
        mid : bool
            Whether ties count half, as the term's test has it.

        Returns
        -------
        Shift
            Limits are infinite where too few arrangements are possible for any.

        Notes
        -----
        A shift d is in the interval if the response less d times the column has p > 0.05.
        The score of an arrangement is linear in d, so the shifts at which it is as extreme
        as the one seen lie between two ends, and the limits are quantiles of these ends.
        """
        terms, reference = self.responses[response], self.reference(term, response)
        score = terms.score(term, column)
        weights, z = score.weights, terms.column(term, column)
        own = (weights.T @ np.column_stack([score.response, z]))[0]
        if abs(own[1]) <= ROUNDING * np.linalg.norm(weights) * np.linalg.norm(z):
            raise InestimableTermError(f"Nothing tells the effect of {term} from the others.", term)
        sums = self._sums(reference, response, score)
        a, c = score.own[:, 0] @ sums, reference.sums(weights, z)[0]
        left = np.sqrt(score.left(sums))
        seen_a, seen_c = own / np.sqrt(score.left(_own_sums(score))[0])
        a, c = a / left, c / left
        ends = np.stack([_crossing(seen_a, seen_c, sign * a, sign * c) for sign in (-1, 1)])
        always = np.isinf(ends).any(axis=0) | (np.abs(c) > abs(seen_c) * (1 + ROUNDING))
        high = np.where(always, np.inf, ends.max(axis=0))
        low = np.where(always, np.inf, -ends.min(axis=0))
        limits = [upper_limit(one, complete=reference.complete, mid=mid) for one in (low, high)]
        estimate = (weights[:, 0] @ terms.response(term, column)) / own[1]
        return Shift(float(estimate), -limits[0], limits[1])

    def reference(self, term: str, response: int = 0) -> Reference:
        """Return the arrangements that a term is compared with.

        Whole plots alone change places for a term that is the same within every plot; what
        else they bring along counts only if it is not spread evenly over the plots.
        """
        terms = self.responses[response]
        if not terms.whole[term]:
            return self._reference("rows")
        return self._reference("plots" if terms.even(term) else "plots and what is in them")

    def _reference(self, moving: str) -> Reference:
        if moving not in self._references:
            terms = self.responses[0]
            parts = [
                X for name, X in terms.planned.items() if terms.whole[name] or moving != "plots"
            ]
            kinds = np.unique(np.hstack(parts), axis=0, return_inverse=True)[1].ravel().tolist()
            shuffles = self.shuffles if moving == "rows" else self.shuffles.plots_only()
            if shuffles.count(kinds) <= self.most:
                found = Reference(shuffles.every(kinds), complete=True)
            else:
                seed = [self.seed, len(moving)]
                drawn = in_pieces(partial(_drawn, shuffles), cut(self.draws, PIECE), seed)
                found = Reference(np.concatenate(drawn), complete=False)
            self._references[moving] = found
        return self._references[moving]

    def _sums(self, reference: Reference, response: int, score: Score) -> np.ndarray:
        """Sums that all terms of a response share, made once."""
        if not score.plain:
            return reference.sums(score.base, score.response)
        key = (response, id(reference))
        if key not in self._shared:
            if len(self._shared) > MOST_SHARED:
                self._shared.clear()
            self._shared[key] = reference.sums(score.base, score.response)
        return self._shared[key]

    @one_thread
    def _adjusted(self, table: pd.DataFrame) -> np.ndarray:
        """Step-down maxT: each statistic beside the largest of those not yet passed."""
        if len(table) == 1:
            return table["p_value"].to_numpy()
        reference = self._reference("plots" if all(self.responses[0].whole.values()) else "rows")
        looks = list(zip(table["term"], table["response"], strict=True))
        scores = [self.responses[response].score(term) for term, response in looks]
        among = [
            score.statistic(self._sums(reference, response, score))
            for (_, response), score in zip(looks, scores, strict=True)
        ]
        corrected = step_down(
            np.stack(among, axis=1),
            table["statistic"].to_numpy(),
            np.array([score.own.shape[1] for score in scores]),
            complete=reference.complete,
        )
        return np.maximum(corrected, table["p_value"])


def randomisation(
    responses: np.ndarray,
    terms: Mapping[str, np.ndarray],
    shuffles: Shuffles,
    *,
    made: Mapping[str, np.ndarray] | None = None,
    blocks: np.ndarray | None = None,
    beside: np.ndarray | None = None,
    draws: int = DRAWS,
    most: int = MOST_LISTED,
    seed: int = 1,
) -> Randomisation:
    """Test terms by the restricted randomisation that gave them to the rows.

    Parameters
    ----------
    responses : ndarray, shape (n,) or (n, R)
        Numbers of any kind: measurements, 1 and 0, scores, ranks; NaN for a row that was
        lost. That a row was lost is taken to have nothing to do with its treatment.
    terms : mapping of str to ndarray, shape (n,) or (n, q)
        Columns of each term as planned. All of them move together.
    shuffles : Shuffles
    made : mapping, optional
        Columns as they came to be, where they are not as planned: tests go by the plan,
        effects are of what was made.
    blocks : ndarray, shape (n, b), optional
        Columns that no shuffle changes (lots within which plots change places). The mean is
        always among them.
    beside : ndarray, shape (n, g), optional
        Covariates that stay with the rows.
    draws : int
        How many arrangements are drawn if they are not all gone through.
    most : int
        All arrangements are gone through if they are no more than this.
    seed : int

    Returns
    -------
    Randomisation

    Raises
    ------
    ModelError
        If a response never varies, a term cannot be told from the others, or only one
        assignment was possible.

    References
    ----------
    Fisher (1935), The Design of Experiments; Freedman & Lane (1983), Journal of Business and
    Economic Statistics 1, 292-298; Westfall & Young (1993), Resampling-Based Multiple
    Testing; Phipson & Smyth (2010), Statistical Applications in Genetics and Molecular
    Biology 9, 39. Checked in tests/model/test_randomisation.py.

    Examples
    --------
    Fisher's lady told all eight cups right: one of 70 arrangements, and its mirror image.

    >>> milk_first = np.array([1.0, 0, 0, 1, 1, 0, 1, 0])
    >>> cups = Shuffles(np.arange(8), np.zeros(8, dtype=int))
    >>> found = randomisation(milk_first, {"said": milk_first}, cups).table.iloc[0]
    >>> int(found["assignments"]), round(float(found["p_value"]) * 70, 6)
    (70, 2.0)
    """
    Y = np.asarray(responses, dtype=float).reshape(len(responses), -1)
    planned = {term: _columns(X) for term, X in terms.items()}
    known = np.ones((len(Y), 1)) if blocks is None else np.column_stack([np.ones(len(Y)), blocks])
    given = np.empty((len(Y), 0)) if beside is None else _columns(beside)
    came = planned | {term: _columns(X) for term, X in (made or {}).items()}
    if any(len(np.unique(y[np.isfinite(y)])) < 2 for y in Y.T):
        raise ModelError("The response never varies, so there is nothing to compare.")
    parts = tuple(Terms(y, planned, came, shuffles.plot, known, given) for y in Y.T)
    found = Randomisation(parts, shuffles, draws, most, seed)
    for term in planned:
        reference = found.reference(term)
        if reference.complete and len(reference.taken) < 2:
            why = f"{term}: only one assignment was possible, so there is nothing to compare with."
            raise InestimableTermError(why, term)
    return found


@one_thread
def _drawn(shuffles: Shuffles, count: int, seed: np.random.SeedSequence) -> np.ndarray:
    return shuffles.draw(count, np.random.default_rng(seed))


def _own_sums(score: Score) -> np.ndarray:
    return (score.base.T @ score.response)[:, None]


def _seen(score: Score) -> float:
    """The statistic of the arrangement that was carried out."""
    return float(score.statistic(_own_sums(score))[0])


def _crossing(a: float, c: float, other_a: np.ndarray, other_c: np.ndarray) -> np.ndarray:
    """Find the shift d at which a - d c equals other_a - d other_c; infinite if never or always."""
    slope = c - other_c
    level = np.abs(slope) <= ROUNDING * abs(c)
    return np.where(level, np.inf, (a - other_a) / np.where(level, 1.0, slope))


def _columns(X: np.ndarray) -> np.ndarray:
    X = np.asarray(X, dtype=float)
    return X.reshape(len(X), -1)
