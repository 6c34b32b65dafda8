"""Which effects stand out of a design in which nothing was repeated.

Without a repeat there is no error to judge effects by. If only a few of them are real,
the others are noise and tell its size: the pseudo standard error. Effects are in the unit
of the response.
"""

from dataclasses import dataclass

import numpy as np

from reedlab.errors import ModelError

#: With fewer effects their middle is no measure of noise (Lenth's own examples have 15).
FEWEST = 7


@dataclass(frozen=True)
class PseudoError:
    """The size of the noise among effects; made by :func:`pseudo_standard_error`.

    Attributes
    ----------
    s0 : float
        First guess, of all effects.
    pse : float
        Pseudo standard error of an effect.
    df : float
        Degrees of freedom that go with it, a third of the number of effects.
    margin : float
        Margin of error: half the 95 % interval of one effect.
    simultaneous_margin : float
        The same for all effects at once.
    """

    s0: float
    pse: float
    df: float
    margin: float
    simultaneous_margin: float


def pseudo_standard_error(effects: np.ndarray) -> PseudoError:
    """Find the noise among effects of which most are none.

    Parameters
    ----------
    effects : array_like, shape (m,)
        All effects of an orthogonal design, of one variance; not the mean.

    Raises
    ------
    ModelError
        For fewer than 7 effects, or if half of them are exactly 0.

    References
    ----------
    Lenth (1989), Technometrics 31, 469-473. Validated on the filtration rate.

    Examples
    --------
    >>> effects = [21.625, 3.125, 9.875, 14.625, 0.125, -18.125, 16.625, 2.375, -0.375,
    ...            -1.125, 1.875, 4.125, -1.625, -2.625, 1.375]
    >>> pseudo_standard_error(effects).pse
    2.625
    """
    from scipy.stats import t

    size = np.abs(np.asarray(effects, dtype=float))
    if len(size) < FEWEST:
        raise ModelError(
            f"{len(size)} effects are too few to tell noise from effects; {FEWEST} or more are "
            "needed."
        )
    s0 = 1.5 * float(np.median(size))
    if s0 == 0:
        raise ModelError("Half of the effects are exactly 0, so the noise cannot be told.")
    pse = 1.5 * float(np.median(size[size < 2.5 * s0]))
    df = len(size) / 3
    all_at_once = (1 + 0.95 ** (1 / len(size))) / 2
    return PseudoError(
        s0, pse, df, float(t.ppf(0.975, df)) * pse, float(t.ppf(all_at_once, df)) * pse
    )
