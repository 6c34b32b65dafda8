"""Which reeds to make next: the batch that answers the question, from the cane on hand."""

from collections.abc import Callable, Sequence
from typing import Literal

import pandas as pd

from reedlab.errors import CallError
from reedlab.plan.batch import Batch
from reedlab.plan.cane import BREAKAGE, loose_cane, read_cane
from reedlab.plan.draw import Request, draw_batch
from reedlab.plan.layout import TUBE_SHARES
from reedlab.plan.request import Forbidden, level_faults, session_faults
from reedlab.plan.terms import Interactions, Model, terms_for
from reedlab.schema import Factor

#: A larger share of broken pieces is no batch but an accident.
MOST_BREAKAGE = 0.9


def design_batch(
    factors: Sequence[Factor],
    cane: pd.DataFrame | None = None,
    reeds: int = 24,
    *,
    interactions: Interactions = "none",
    curved: Sequence[str] = (),
    seed: int,
    criterion: Literal["D", "I"] = "D",
    tube_share: float | None = None,
    forbidden: Sequence[Forbidden] = (),
    breakage: float = BREAKAGE,
    sessions: int = 2,
    batch_id: str = "B1",
    tell: Callable[[int, int], None] | None = None,
) -> Batch:
    """Design the batch that answers the question best, with its orders and blind codes.

    Parameters
    ----------
    factors : sequence of Factor
        With two levels or more: set by the maker, at the factor's stratum. Without levels
        (and numeric): given by the cane, a column of `cane`.
    cane : DataFrame, optional
        The tubes on hand, one row each: ``tube_id``, ``pieces`` that the tube still yields,
        ``lot_id`` if known, covariates; see :func:`reedlab.plan.cane_on_hand`. Left out,
        every reed is its own tube.
    reeds : int
        How many to make.
    interactions : {"none", "two-way"} or sequence of (str, str)
    curved : sequence of str
        Numeric factors whose effect may bend; they need three levels.
    seed : int
        The same seed gives the same batch.
    criterion : {"D", "I"}
        "D": which effects are there? "I": which recipe is best? (least variance of
        prediction, averaged over the recipes).
    tube_share : float, optional
        Assumed share of the tubes in the variance, 0 up to 1 (without it). Left out, the
        batch is good on average over 0.1, 0.4 and 0.7.
    forbidden : sequence of Forbidden
        Combinations that must not be made.
    breakage : float
        Share of pieces that break at the knife, 0 up to 0.9; decides the spare pieces.
    sessions : int
        Occasions on which every reed is played.
    batch_id : str
    tell : callable, optional
        Called with the number of starts that have ended and of all, for a progress bar.

    Returns
    -------
    Batch

    Raises
    ------
    CallError
        Listing all that does not fit, each in one sentence with the way out.

    Notes
    -----
    Exact designs by coordinate exchange (Meyer & Nachtsheim 1995) for split plots
    (Goos & Vandebroek 2003; Jones & Goos 2007) from many random starts, then shuffled as
    far as tubes and reeds can change places. A reed that is lost at the knife is made again
    from the next spare piece of its tube, with its recipe and in its place; if the tube has
    none left it stays away. Recipes are never exchanged after the draw.

    References
    ----------
    Meyer & Nachtsheim (1995), Technometrics 37, 60-69; Goos & Vandebroek (2003), JQT 35,
    1-15; Jones & Goos (2007), Applied Statistics 56, 347-364; Morgan & Rubin (2012), Annals
    of Statistics 40, 1263-1282. Validated on the maximal determinants of OEIS A003433 and
    on enumeration.

    Examples
    --------
    >>> shape = Factor("shape", levels=("narrow", "wide"))
    >>> tension = Factor("wire_tension", levels=("normal", "tight"))
    >>> batch = design_batch([shape, tension], reeds=8, interactions="two-way", seed=3)
    >>> batch.table.groupby(["shape", "wire_tension"]).size().tolist()
    [2, 2, 2, 2]
    """
    faults = level_faults(factors, cane=cane is not None)
    faults += _setting_faults(reeds, criterion, tube_share, breakage)
    if not faults:
        faults += session_faults([f for f in factors if f.stratum == "session"], sessions)
    if faults:
        raise CallError("\n".join(faults))
    here = tuple(factor for factor in factors if factor.stratum != "session")
    request = Request(
        Model(here, terms_for(here, interactions, curved)),
        tuple(factor for factor in factors if factor.stratum == "session"),
        reeds,
        sessions,
        seed,
        batch_id,
        criterion == "I",
        TUBE_SHARES if tube_share is None else (tube_share,),
        tuple(forbidden),
        breakage,
    )
    found = None if cane is None else read_cane(cane, request.model.given, faults)
    if faults:
        raise CallError("\n".join(faults))
    return draw_batch(request, found or loose_cane(reeds), pd.DataFrame(), tell)


def _setting_faults(
    reeds: int, criterion: str, tube_share: float | None, breakage: float
) -> list[str]:
    faults = []
    if reeds < 2:
        faults.append(f"reeds is {reeds}; a batch compares at least 2.")
    if criterion not in ("D", "I"):
        faults.append(
            f'criterion is \'{criterion}\'; say "D" (which effects are there?) or "I" (which '
            "recipe is best?)."
        )
    if tube_share is not None and not 0 <= tube_share < 1:
        faults.append(f"tube_share is {tube_share}; it is a share of the variance, 0 up to 1.")
    if not 0 <= breakage <= MOST_BREAKAGE:
        faults.append(f"breakage is {breakage}; it is a share of pieces, 0 to {MOST_BREAKAGE}.")
    return faults
