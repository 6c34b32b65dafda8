"""The kinds of invented worlds: how much the recipe, the cane and the player's ear matter.

Nothing here is measured. The ordinary world's figures stand in the middle of what the plan
allows for and of what is asked about ratings; the easy and the hopeless one stand at its
sides. They are fixed before any maker is tried in them.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """A kind of world.

    Attributes
    ----------
    name : str
    active : int
        How many of the six factors do anything; which ones, chance decides.
    best_good : float
        Share of good reeds that the best recipe makes, 0 to 1; the usual one makes a quarter.
    spread : float
        Reeds of one recipe differ so many times as much as on the demo bench.
    tube_share : float
        Share of the tubes in the lasting variance within a lot, 0 to 1. The plan averages
        over 0.1, 0.4 and 0.7.
    agreement : float
        Agreement of a player's ratings of one reed with each other (intraclass correlation),
        0 to 1. Players were found self-consistent in repeated rankings of violins, and far
        from each other (Saitis 2013, thesis, McGill University, study 1); no figure for
        double reeds was found. 0.55 is the middle of 0.3 to 0.8.
    """

    name: str
    active: int
    best_good: float
    spread: float = 1.0
    tube_share: float = 0.4
    agreement: float = 0.55


KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("easy", active=3, best_good=0.6, spread=0.7, tube_share=0.2, agreement=0.7),
        Kind("ordinary", active=3, best_good=0.45),
        Kind("hopeless", active=0, best_good=0.25),
    )
}
