"""The usual cautions, grouped by the place where they are shown.

They are reminders, not medical or legal advice: local rules and professionals go
first. Where a text rests on a published source, the source stands beside it; the rest
is common practice, no source.
"""

from reedlab.errors import unknown_name

CAUTIONS = {
    "bench": (
        # Common practice, no source.
        "Knives and reamers are sharp: cut away from the hand, hold the reed in a holder to ream.",
        # Plant dust with mould spores harms lungs in other trades; for cane: common practice.
        "Cane dust and mould: sand wet or wear a mask, ventilate, throw mouldy cane away.",
        # Gambichler et al. 2004, BMC Dermatology 4:3 (nickel and cane allergy in musicians);
        # lead in free-cutting brass: common practice, no source.
        "Use brass wire that is free of lead; with a nickel allergy ask what it is plated with. "
        "Bend the wire ends down.",
        # Common practice, no source.
        "No flame near solvents or varnish; ventilate.",
        "Never scrape a reed while the instrument hangs on its strap: shavings get under the pads.",
    ),
    "testing": (
        # Marshall & Levy 2011, Int. J. Environ. Health Res. 21(4), 275-285: played instruments
        # carried live bacteria and mould, reed instruments most.
        "One reed, one player where possible; if several try it, let it dry and disinfect it, "
        "treat every reed alike and record it. Nobody with a lip sore tries a shared reed.",
        # Eur. Clin. Respir. J. 2017, art. 1351268: lung disease in a bassoon player from mould.
        "Dry reed and bocal after playing.",
        # Gambichler 2004; Wood Sci. Technol. 2025, 59(1): lip allergy to cane.
        "Stop on swelling, itching or a rash of the lips.",
        # NIOSH guide of 85 dBA over 8 h, halved for every 3 dB: 94 dBA for one hour.
        "Playing loud for long harms hearing: keep sessions short and take breaks.",
        # Fuks & Sundberg 1996 (reed woodwinds up to about 12 kPa in the mouth); whom it
        # concerns: common practice, no source.
        "Blowing is hard work: rest between reeds; with an eye, heart or hernia complaint ask a "
        "doctor first.",
    ),
    "statistics": (
        "Reeds from one tube are alike: what counts for a tube-level factor is the number of "
        "tubes, not of reeds.",
        "A season's record shows what goes together, not what causes what; a randomised batch "
        "can show causes.",
        "With few reeds and tubes a true effect is easily missed and a chance one easily found: "
        "look at the interval.",
        "Look at many factors and some will stand out by chance: the p values are corrected for "
        "those looked at here, not for those looked at elsewhere.",
    ),
}


def cautions_for(place: str) -> tuple[str, ...]:
    """Return the cautions that belong to a place.

    Parameters
    ----------
    place : {"bench", "testing", "statistics"}

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> cautions_for("testing")[1]
    'Dry reed and bocal after playing.'
    """
    if place not in CAUTIONS:
        raise unknown_name("place for cautions", place, CAUTIONS)
    return CAUTIONS[place]
