"""The invented truth behind the demo studies: every number here is made up.

Effects are per step of the factor: the change that a maker would make, as in the
schema; of a factor in words, from its first level to its second. Units are those of
the response.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from reedlab.schema import FACTORS

STAGES = ("day 1", "day 3", "day 7")

#: The factors in words, with their two levels.
LEVELS = {"shape": ("narrow", "wide"), "wire_tension": ("normal", "tight")}

#: The steps of the numeric factors.
STEPS = {factor.name: factor.step for factor in FACTORS if factor.step is not None}


@dataclass(frozen=True)
class Trait:
    """What makes one response.

    Attributes
    ----------
    unit : str
    mean : float
        On day 1, every numeric factor at its centre, every other at its first level.
    spread : float
        Standard deviation of all that no factor explains, over all sources.
    digits : int
        Decimals that are written down.
    least : float
        Smaller values cannot be.
    stages : tuple of float
        Shift at each of the :data:`STAGES`.
    effects : mapping of str to float
        By factor, per step; what is not listed has no effect.
    """

    unit: str
    mean: float
    spread: float
    digits: int
    least: float = float("-inf")
    stages: tuple[float, ...] = (0.0, 0.0, 0.0)
    effects: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Verdict:
    """How the maker decides, in log odds of carrying on with a reed (at last: of keeping it).

    Attributes
    ----------
    offsets : tuple of float
        At each of the :data:`STAGES`, for a reed on target with an average range.
    per_10_cents : float
        For each 10 cents by which the crow is away from the target.
    per_db : float
        For each decibel of dynamic range above the average.
    """

    offsets: tuple[float, ...]
    per_10_cents: float
    per_db: float


@dataclass(frozen=True)
class Truth:
    """All constants of the invented bench.

    Attributes
    ----------
    traits : mapping of str to Trait
        By response.
    shares : mapping of str to float
        Share of each source in what no factor explains; the same for all responses.
    centres : mapping of str to float
        Value of a numeric factor at which the means hold.
    verdict : Verdict
    balancing_ms : float
        What balancing the blades does to the slur gap of later tests.
    confounded : str
        The factor that does nothing, but was used more on dense cane in the season.
    """

    traits: Mapping[str, Trait]
    shares: Mapping[str, float]
    centres: Mapping[str, float]
    verdict: Verdict
    balancing_ms: float
    confounded: str

    def effect(self, response: str, factor: str) -> float:
        """Return the true effect of a factor, per step, in the response's unit.

        Examples
        --------
        >>> TRUTH.effect("crow_cents", "gouge_centre_mm"), TRUTH.effect("crow_cents", "shape")
        (-14.0, 0.0)
        """
        return self.traits[response].effects.get(factor, 0.0)

    def variances(self, response: str) -> dict[str, float]:
        """Return the variance of each source, in the square of the response's unit.

        Examples
        --------
        >>> round(TRUTH.variances("crow_cents")["tube"])
        246
        """
        total = self.traits[response].spread ** 2
        return {source: share * total for source, share in self.shares.items()}

    def without_effects(self) -> "Truth":
        """Return the same bench where no factor does anything."""
        traits = {name: replace(trait, effects={}) for name, trait in self.traits.items()}
        return replace(self, traits=traits)


#: The bench that the demo studies were made on. No number here was ever measured.
TRUTH = Truth(
    traits={
        "crow_cents": Trait(
            "cents",
            mean=30.0,
            spread=26.5,
            digits=0,
            stages=(0.0, 5.0, 9.0),
            effects={
                "gouge_centre_mm": -14.0,  # per 0.05 mm
                "density_kg_m3": 8.0,  # per 20 kg/m3
                "relative_humidity_pct": -7.0,  # per 10 %
            },
        ),
        "dynamic_range_db": Trait(
            "dB",
            mean=13.5,
            spread=2.4,
            digits=1,
            least=2.5,
            stages=(0.0, 0.4, 0.6),
            effects={
                "shape": 2.2,  # wide against narrow
                "density_kg_m3": 0.6,  # per 20 kg/m3
            },
        ),
        "loud_db": Trait("dB", mean=92.0, spread=1.8, digits=1),
        "tip_opening_mm": Trait("mm", mean=0.98, spread=0.1, digits=2, least=0.5),
        "attack_ms": Trait("ms", mean=62.0, spread=14.0, digits=0, least=8.0, stages=(0, -4, -6)),
        "slur_gap_ms": Trait("ms", mean=46.0, spread=16.0, digits=0, least=0.0),
        "low_evenness_cents": Trait("cents", mean=17.0, spread=4.5, digits=0, least=1.0),
    },
    shares={
        "lot": 0.08,
        "tube": 0.35,
        "reed": 0.20,
        "session": 0.07,
        "player": 0.07,
        "residual": 0.23,
    },
    centres={"gouge_centre_mm": 1.28, "density_kg_m3": 560.0, "relative_humidity_pct": 45.0},
    verdict=Verdict(offsets=(5.0, 3.7, 0.7), per_10_cents=-1.1, per_db=1.4),
    balancing_ms=-14.0,
    confounded="wire_tension",
)
