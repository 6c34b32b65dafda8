"""Randomisation tests: what was seen, among all that the plan could as well have drawn.

Treatments move over the rows as a restricted shuffle lets them; the responses stay. No
distribution is assumed, only that the plan was carried out. Each term is tested by the
score of its columns, the other terms and what is not shuffled taken out first (Freedman
& Lane 1983), rows of a whole plot weighted as alike as they are. Intervals hold the
constant shifts that the same test does not call an effect; units are the response's.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from reedlab.errors import ModelError
from reedlab.model.shuffles import Shuffles
from reedlab.model.tails import ROUNDING, Tail, snapped, tail, upper_limit
from reedlab.model.threads import one_thread

#: Arrangements up to this number are all gone through.
MOST_LISTED = 20_000
DRAWS = 20_000
#: Rows of a plot are never taken to be more alike than this.
MOST_ALIKE = 0.95


@dataclass(frozen=True)
class Reference:
    """Arrangements to compare with; row i takes the treatment of row ``taken[., i]``."""

    taken: np.ndarray
    complete: bool

    def scores(self, weights: np.ndarray, residual: np.ndarray) -> np.ndarray:
        """Sum of weights times residuals, the weights moving: (m,) or (m, k) for k residuals."""
        return weights[self.taken] @ residual


@dataclass(frozen=True)
class Score:
    """What the test of some columns rests on, for one response.

    ``weights`` (n, q) move with the treatments and ``residual`` (n,) stays; ``spread``
    (q, q) is what the scores of q columns vary like.
    """

    weights: np.ndarray
    residual: np.ndarray
    spread: np.ndarray

    def seen(self) -> float:
        """The statistic of the arrangement that was carried out."""
        return float(self._form((self.weights.T @ self.residual)[None])[0])

    def among(self, reference: Reference) -> np.ndarray:
        """The statistic of every arrangement, shape (m,)."""
        scores = [reference.scores(column, self.residual) for column in self.weights.T]
        return self._form(np.stack(scores, axis=1))

    def _form(self, scores: np.ndarray) -> np.ndarray:
        return np.einsum("mq,mq->m", scores @ np.linalg.pinv(self.spread), scores)


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
    responses : ndarray, shape (n, R)
        NaN where a row gave none.
    planned, made : mapping of str to ndarray, shape (n, q)
        Columns of each term as the plan gave them and as they came to be.
    shuffles : Shuffles
    blocks : ndarray, shape (n, b)
        Columns that no shuffle changes, the mean among them.
    beside : ndarray, shape (n, g)
        Columns that stay with the rows, such as a covariate.
    draws, most, seed : int
    """

    responses: np.ndarray
    planned: Mapping[str, np.ndarray]
    made: Mapping[str, np.ndarray]
    shuffles: Shuffles
    blocks: np.ndarray
    beside: np.ndarray
    draws: int = DRAWS
    most: int = MOST_LISTED
    seed: int = 1
    _references: dict[bool, Reference] = field(default_factory=dict, repr=False)

    @cached_property
    def table(self) -> pd.DataFrame:
        """One row a term and response.

        Returns
        -------
        DataFrame
            ``term``; ``response`` (its number); ``statistic`` (a quadratic form of the
            scores); ``p_value`` and ``p_adjusted`` (step-down maxT, Westfall & Young 1993,
            over terms and responses); ``mid`` (whether ties count half); ``smallest`` (the
            least p value that was to be had), ``level`` (share of the arrangements with p
            below 0.05); ``assignments`` (how many the p value rests on), ``complete``
            (whether these are all) and ``mc_error`` of p_value.
        """
        rows = []
        for term in self.planned:
            reference = self.reference(term)
            for response in range(self.responses.shape[1]):
                found = self.test(term, response)
                rows.append(
                    {
                        "term": term,
                        "response": response,
                        "statistic": self.score(term, response).seen(),
                        **vars(found),
                        "assignments": len(reference.taken),
                        "complete": reference.complete,
                        "mc_error": _mc_error(found, reference),
                    }
                )
        table = pd.DataFrame(rows)
        return table.assign(p_adjusted=self._adjusted(table))

    def test(self, term: str, response: int = 0) -> Tail:
        """Set the statistic of a term beside those of its other arrangements."""
        reference, score = self.reference(term), self.score(term, response)
        return tail(score.among(reference), score.seen(), complete=reference.complete)

    @one_thread
    def shift(self, term: str, column: int, response: int = 0, mid: bool = False) -> Shift:
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
        planned, made = self.planned[term], self.made[term]
        rest = np.delete(np.arange(planned.shape[1]), column)
        others = (planned[:, rest], made[:, rest])
        score = self.score(term, response, [column], others)
        z = self._left(made[:, [column]], term, response, others[1])
        weights, both = score.weights[:, 0], np.column_stack([score.residual, z[:, 0]])
        own_a, own_c = weights @ both
        if abs(own_c) <= ROUNDING * np.linalg.norm(weights) * np.linalg.norm(made[:, column]):
            raise ModelError(f"Nothing tells the effect of {term} from the others.")
        reference = self.reference(term)
        a, c = reference.scores(weights, both).T
        ends = np.stack([_crossing(own_a, own_c, sign * a, sign * c) for sign in (-1, 1)])
        always = np.isinf(ends).any(axis=0) | (np.abs(c) > abs(own_c) * (1 + ROUNDING))
        high = np.where(always, np.inf, ends.max(axis=0))
        low = np.where(always, np.inf, -ends.min(axis=0))
        limits = [
            upper_limit(one, complete=reference.complete, mid=mid) for one in (low, high)
        ]
        return Shift(float(own_a / own_c), -limits[0], limits[1])

    def reference(self, term: str) -> Reference:
        """Return the arrangements that a term is compared with.

        Whole plots alone change places for a term that is the same within every plot.
        """
        return self._reference(whole=self._whole[term])

    def score(
        self,
        term: str,
        response: int,
        columns: Sequence[int] | None = None,
        others: tuple[np.ndarray, np.ndarray] | None = None,
    ) -> Score:
        """Return what the test of a term (or of some of its columns given `others`) rests on."""
        own = self.planned[term] if columns is None else self.planned[term][:, columns]
        alike = [
            part for name, part in self.planned.items()
            if name != term and (self._whole[name] or not self._whole[term])
        ]
        if others is not None:
            alike.append(others[0])
        steady = self._whitening(response)
        frame = steady(np.hstack([self.blocks, *alike]))
        left = _residual(steady(own), frame)
        if np.linalg.matrix_rank(left, tol=1e-8 * max(np.linalg.norm(own), 1e-300)) < own.shape[1]:
            raise ModelError(f"Nothing tells the effect of {term} from the others.")
        y = self.responses[:, [response]]
        residual = self._left(y, term, response, None if others is None else others[1])
        return Score(steady(left), residual[:, 0], left.T @ left)

    def _left(
        self, values: np.ndarray, term: str, response: int, others: np.ndarray | None
    ) -> np.ndarray:
        """What the other terms, as made, leave of values; zero where the response is missing."""
        used = np.isfinite(self.responses[:, response])
        rest = [part for name, part in self.made.items() if name != term]
        if others is not None:
            rest.append(others)
        known = np.hstack([self.blocks, self.beside, *rest])[used]
        steady = self._whitening(response, used)
        weights = np.linalg.lstsq(steady(known), steady(values[used]), rcond=None)[0]
        left = np.zeros_like(values)
        left[used] = values[used] - known @ weights
        return left

    def _whitening(self, response: int, used: np.ndarray | None = None) -> "Whitening":
        rows = np.ones(len(self.responses), dtype=bool) if used is None else used
        return Whitening(self.shuffles.plot[rows], self._alike[response])

    @cached_property
    def _alike(self) -> list[float]:
        """How alike rows of a plot are in each response, 0 to MOST_ALIKE; no shuffle changes it."""
        shares = []
        for y in self.responses.T:
            used = np.isfinite(y)
            known = np.hstack([self.blocks, self.beside])[used]
            shares.append(alike_share(_residual(y[used, None], known)[:, 0], self.shuffles.plot[used]))
        return shares

    @cached_property
    def _whole(self) -> dict[str, bool]:
        """Whether a term is the same within every plot."""
        _, first, code = np.unique(self.shuffles.plot, return_index=True, return_inverse=True)
        return {term: bool(np.all(X == X[first][code])) for term, X in self.planned.items()}

    def _reference(self, *, whole: bool) -> Reference:
        if whole not in self._references:
            parts = [X for term, X in self.planned.items() if self._whole[term] or not whole]
            kinds = np.unique(np.hstack(parts), axis=0, return_inverse=True)[1].ravel().tolist()
            shuffles = self.shuffles.plots_only() if whole else self.shuffles
            if shuffles.count(kinds) <= self.most:
                found = Reference(shuffles.every(kinds), complete=True)
            else:
                rng = np.random.default_rng([self.seed, whole])
                found = Reference(shuffles.draw(self.draws, rng), complete=False)
            self._references[whole] = found
        return self._references[whole]

    def _adjusted(self, table: pd.DataFrame) -> np.ndarray:
        """Step-down maxT: each statistic beside the largest of those not yet passed."""
        if len(table) == 1:
            return table["p_value"].to_numpy()
        reference = self._reference(whole=all(self._whole.values()))
        scores = [self.score(row.term, row.response) for row in table.itertuples()]
        spread = np.stack([score.among(reference) for score in scores], axis=1)
        columns = np.array([self.planned[term].shape[1] for term in table["term"]])
        usual = spread.mean(axis=0) / columns
        usual[usual == 0] = 1.0
        spread = _normal(spread / usual, columns)
        seen = _normal(np.array([score.seen() for score in scores]) / usual, columns)
        order = np.argsort(-seen)
        largest = np.maximum.accumulate(spread[:, order[::-1]], axis=1)[:, ::-1]
        p = np.empty(len(table))
        reached = 0.0
        for place, which in enumerate(order):
            found = tail(largest[:, place], float(seen[which]), complete=reference.complete)
            reached = max(reached, found.p_value)
            p[which] = reached
        return np.maximum(p, table["p_value"])


@one_thread
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
        If no response is there or none varies, if a term cannot be told from the others, or
        only one arrangement was possible.

    References
    ----------
    Fisher (1935), The Design of Experiments; Freedman & Lane (1983), Journal of Business and
    Economic Statistics 1, 292-298; Westfall & Young (1993), Resampling-Based Multiple
    Testing. Checked in tests/model/test_randomisation.py.

    Examples
    --------
    Fisher's lady told all eight cups right: one of 70 arrangements, and its mirror image.

    >>> milk_first = np.array([1.0, 0, 0, 1, 1, 0, 1, 0])
    >>> cups = Shuffles(np.arange(8), np.zeros(8, dtype=int))
    >>> found = randomisation(milk_first, {"said": milk_first}, cups).table.iloc[0]
    >>> int(found["assignments"]), round(found["p_value"] * 70, 6)
    (70, 1.0)
    """
    Y = np.asarray(responses, dtype=float).reshape(len(responses), -1)
    planned = {term: _columns(X) for term, X in terms.items()}
    known = np.ones((len(Y), 1)) if blocks is None else np.column_stack([np.ones(len(Y)), blocks])
    for y in Y.T:
        if len(np.unique(y[np.isfinite(y)])) < 2:
            raise ModelError("The response never varies, so there is nothing to compare.")
    found = Randomisation(
        Y,
        planned,
        planned | {term: _columns(X) for term, X in (made or {}).items()},
        shuffles,
        known,
        np.empty((len(Y), 0)) if beside is None else _columns(beside),
        draws,
        most,
        seed,
    )
    for term in planned:
        reference = found.reference(term)
        if reference.complete and len(reference.taken) < 2:
            raise ModelError(
                f"{term}: only one assignment was possible, so chance gives nothing to compare with."
            )
    return found


@dataclass(frozen=True)
class Whitening:
    """Takes out of each row so much of its plot's mean that rows are no longer alike.

    Parameters
    ----------
    plot : ndarray, shape (n,)
    alike : float
        Correlation of rows of a plot, 0 to below 1.
    """

    plot: np.ndarray
    alike: float

    def __call__(self, columns: np.ndarray) -> np.ndarray:
        """Return the columns, shape (n, k), so weighted; doing so twice multiplies by V^-1."""
        _, code, size = np.unique(self.plot, return_inverse=True, return_counts=True)
        sums = np.zeros((len(size), columns.shape[1]))
        np.add.at(sums, code, columns)
        part = 1 - np.sqrt((1 - self.alike) / (1 - self.alike + self.alike * size))
        return columns - (part / size)[code, None] * sums[code]


def alike_share(residual: np.ndarray, plot: np.ndarray) -> float:
    """Estimate how alike rows of a plot are, by the analysis of variance of one layer.

    Examples
    --------
    >>> alike_share(np.array([1.0, 1.0, -1.0, -1.0]), np.array([0, 0, 1, 1]))
    0.95
    """
    _, code, size = np.unique(plot, return_inverse=True, return_counts=True)
    n, plots = len(residual), len(size)
    if plots in (1, n):
        return 0.0
    means = np.bincount(code, residual) / size
    within = float(np.sum((residual - means[code]) ** 2) / (n - plots))
    between = float(np.sum(size * (means - residual.mean()) ** 2) / (plots - 1))
    usual = (n - np.sum(size**2) / n) / (plots - 1)
    excess = max(0.0, (between - within) / usual)
    return min(MOST_ALIKE, excess / (excess + within)) if excess else 0.0


def _crossing(a: float, c: float, other_a: np.ndarray, other_c: np.ndarray) -> np.ndarray:
    """Find the shift d at which a - d c equals other_a - d other_c; infinite if never or always."""
    slope = c - other_c
    level = np.abs(slope) <= ROUNDING * abs(c)
    return np.where(level, np.inf, (a - other_a) / np.where(level, 1.0, slope))


def _residual(values: np.ndarray, known: np.ndarray) -> np.ndarray:
    return values - known @ np.linalg.lstsq(known, values, rcond=None)[0]


def _normal(statistic: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Bring chi-squared statistics of different width to one scale (Wilson & Hilferty 1931)."""
    rest = 2 / (9 * columns)
    return (np.cbrt(statistic / columns) - (1 - rest)) / np.sqrt(rest)


def _columns(X: np.ndarray) -> np.ndarray:
    X = np.asarray(X, dtype=float)
    return X.reshape(len(X), -1)


def _mc_error(found: Tail, reference: Reference) -> float:
    if reference.complete:
        return 0.0
    return float(np.sqrt(found.p_value * (1 - found.p_value) / (len(reference.taken) + 1)))
