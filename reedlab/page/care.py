"""Which of the usual cautions stand where on the page."""

from reedlab.schema import cautions_for
from reedlab.study import Study


def hygiene() -> str:
    """Return what is to be done where several players try a reed."""
    return _with("testing", "several try")


def loud_playing() -> str:
    """Return what is said beside a hairpin."""
    return _with("testing", "Playing loud")


def scraping() -> str:
    """Return what is said once the number is there, and the knife is near."""
    return _with("bench", "Never scrape")


def others() -> tuple[str, ...]:
    """Return the cautions of testing that have no place of their own."""
    return tuple(
        text for text in cautions_for("testing") if text not in (hygiene(), loud_playing())
    )


def several_players(study: Study) -> bool:
    """Say whether more than one player is on record."""
    sessions = study.tables.get("sessions")
    if sessions is None or "player_id" not in sessions:
        return False
    return bool(sessions["player_id"].nunique() > 1)


def _with(place: str, words: str) -> str:
    return next(text for text in cautions_for(place) if words in text)
