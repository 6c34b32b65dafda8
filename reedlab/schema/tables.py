"""The eight tables of a study, column by column, with bounds for a bassoon reed.

Where the bounds come from is said beside them: a published source where there is
one, else "common practice, no source" or "from memory, no source". The plausible
ones are defaults; a study's descriptor may change each of them. No tolerance for
bassoon reeds has been published. The possible ones are physics and arithmetic.
"""

from collections.abc import Sequence
from dataclasses import replace

from reedlab.errors import unknown_name
from reedlab.schema.columns import Column, Table
from reedlab.schema.instruments import instrument

# The least that a bench gauge shows; what has thickness, width or length has this much.
_LEAST_MM = 0.01


def _mm(
    name: str, meaning: str, plausible: tuple[float, float] | None = None, most: float = 100.0
) -> Column:
    return Column(name, "number", "mm", meaning, plausible, (_LEAST_MM, most))


def _number(
    name: str,
    unit: str,
    meaning: str,
    plausible: tuple[float, float] | None = None,
    possible: tuple[float, float] | None = None,
) -> Column:
    return Column(name, "number", unit, meaning, plausible, possible)


def _whole(
    name: str, meaning: str, plausible: tuple[float, float], possible: tuple[float, float]
) -> Column:
    return Column(name, "integer", "", meaning, plausible, possible)


def _key(name: str, meaning: str) -> Column:
    return Column(name, "text", "", meaning, required=True)


def _text(name: str, meaning: str) -> Column:
    return Column(name, "text", "", meaning)


_REED = _key("reed_id", "the reed")
_SESSION = _key("session_id", "the occasion of testing")
_TRIAL = Column(
    "trial", "integer", "", "1 for the first try, 2 for its repeat", (1, 20), (1, 1000), (), True
)

LOTS = Table(
    "lots",
    ("lot_id",),
    (
        _key("lot_id", "the purchase of cane"),
        # Bounds: the span of living memory; nothing finer is meant.
        _whole("harvest_year", "year in which the cane was cut", (1980, 2040), (1900, 2100)),
        _number("seasoning_months", "months", "time from harvest to use", (0, 240), (0, 1200)),
    ),
)

TUBES = Table(
    "tubes",
    ("tube_id",),
    (
        _key("tube_id", "the tube of cane"),
        _text("lot_id", "the purchase it came from"),
        # 24-27 mm for bassoon: Boldt-Neurohr, The Double Reed (properties and anatomy of reed
        # cane); 24-26 mm: a university's reed-making guide, 2021. One millimetre added.
        _mm("outer_diameter_mm", "outer diameter of the tube", (23.0, 28.0), 60.0),
        # Whole species 2-7 mm: same article.
        _mm("wall_mm", "wall of the tube, bark included", (2.0, 7.0), 20.0),
        # Plausible from memory, no source; the cane's solid matter alone is near 1500 kg/m3.
        _number("density_kg_m3", "kg/m3", "density of the dry cane", (300, 800), (50, 1600)),
        # Readings of 12-17 (an instruction sheet) and 19-25 (players, another device) were
        # quoted: devices disagree, so readings of two devices must not share this column.
        _number(
            "hardness",
            "0.01 mm",
            "depth of a pin under a fixed load; larger is softer; one device only",
            (5, 40),
            (0, 200),
        ),
        # No source for any range.
        _number("flex_mm", "mm", "bending of the gouged cane under a fixed load", None, (0, 50)),
        # A tube is split in 3 or 4 (encyclopaedia article on the bassoon); a long one is cut
        # in lengths first.
        _whole("pieces", "pieces of gouged cane that the tube gave", (1, 16), (1, 60)),
    ),
    {"lot_id": "lots"},
)

REEDS = Table(
    "reeds",
    ("reed_id",),
    (
        _key("reed_id", "the reed"),
        _text("blind_code", "the mark on the reed while it is judged blind"),
        _text("batch_id", "the planned batch it belongs to"),
        _text("tube_id", "the tube it was cut from"),
        Column("made_on", "date", "", "day on which the blank was formed"),
        # 1.20-1.27 mm: two players' pages; 1.20-1.35 from memory. Widened.
        _mm("gouge_centre_mm", "thickness of the gouged cane, centre", (1.0, 1.6), 7.0),
        # 0.9-1.1 mm from memory, no source. Widened.
        _mm("gouge_side_mm", "thickness of the gouged cane, sides", (0.5, 1.4), 7.0),
        _text("profile", "which profile was cut"),
        _text("shape", "which shape was cut"),
        # 14-16 mm from memory, no source.
        _mm("tip_width_mm", "width at the tip", (12.0, 18.0), 40.0),
        # 25.5 mm by arithmetic from one reed-making page (tip 28.5 mm, collar 3 mm above wire 1).
        _mm("blade_length_mm", "collar to tip", (22.0, 33.0), 80.0),
        # 53.9 mm by arithmetic from two pages; 54-57 mm from memory.
        _mm("total_length_mm", "butt to tip", (48.0, 64.0), 150.0),
        # 9.5 mm (one page) up to wire 2 (another); zero is an unbevelled tube.
        _number("bevel_mm", "mm", "length of the tube bevel from the butt", (0, 20), (0, 60)),
        # Wire 1 is nearest the tip: 25.4 mm (a teaching blog), 25-27 mm common practice;
        # wires 2 and 3 from memory, no source.
        _mm("wire1_mm", "wire nearest the tip, distance from the butt", (22.0, 31.0)),
        _mm("wire2_mm", "second wire, distance from the butt", (12.0, 22.0)),
        _mm("wire3_mm", "wire nearest the butt, distance from the butt", (2.0, 10.0)),
        # 22 and 23 gauge (two pages): 0.644 and 0.573 mm by the gauge's definition.
        _mm("wire_gauge_mm", "diameter of the wire", (0.4, 0.8), 2.0),
        _text("wire_tension", "how tight the wires are, in the maker's words"),
        _text("staple", "which staple"),
        _mm("staple_length_mm", "length of the staple"),
        # 2 h, 2-3 h, overnight, up to days (players' pages).
        _number("soak_min", "minutes", "soaking before gouging or profiling", (5, 7200), (0, 1e5)),
        # "At least two weeks" as a blank: one teaching page.
        _number("rest_days", "days", "rest as a blank before finishing", (0, 400), (0, 5000)),
        # Common practice, no source.
        _number("minutes_spent", "minutes", "work on the reed so far", (1, 600), (0, 10000)),
        Column(
            "fate",
            "text",
            "",
            "what became of it; empty while that is open",
            levels=("kept", "discarded", "unfinished", "lost"),
        ),
        _text("fate_stage", "stage of testing at which its fate was decided"),
        _text("fate_reason", "why it was given up; empty for a kept reed"),
        Column(
            "spared",
            "boolean",
            "",
            "finished although the rule said stop, so that the rule can be judged",
        ),
    ),
    {"tube_id": "tubes"},
)

SESSIONS = Table(
    "sessions",
    ("session_id",),
    (
        _key("session_id", "the occasion of testing"),
        Column("started_at", "datetime", "", "local day and time"),
        _text("player_id", "who played; an alias is enough"),
        _text("instrument_id", "which instrument"),
        _text("bocal", "which bocal (crook)"),
        _text("room", "which room"),
        # Players advise 35-50 %; real rooms go well outside. Possible: a percentage.
        _number("relative_humidity_pct", "%", "relative humidity of the room", (15, 90), (0, 100)),
        # Common practice, no source.
        _number("temperature_c", "°C", "temperature of the room", (10, 35), (-20, 60)),
        # ISO 16 gives 440 Hz; 415 to 443 are in use.
        _number("a4_hz", "Hz", "tuning of the session", (390, 470), (300, 600)),
    ),
)

TESTS = Table(
    "tests",
    ("reed_id", "session_id", "stage", "trial"),
    (
        _REED,
        _SESSION,
        _key("stage", "point in the reed's life, e.g. the day of its break-in"),
        _TRIAL,
        # 0.8-1.2 mm wet, from memory, no source. Widened. Zero is a closed reed.
        _number("tip_opening_mm", "mm", "height of the wet tip, centre", (0.3, 2.0), (0, 10)),
        Column("resoaked", "boolean", "", "soaked again just before the test"),
        # About E4-F4, common practice, no source; 370-440 Hz on one page; a player can bend it
        # by about an octave (a player's page).
        _number("crow_hz", "Hz", "pitch of the crow", (200, 700), (20, 20000)),
        _number(
            "crow_cents",
            "cents",
            "crow against the study's target; from its nearest edge where it is a band",
            (-800, 800),
            (-6000, 6000),
        ),
        # Level depends on the recorder unless it is calibrated: no plausible range.
        _number("soft_db", "dB", "level of the softest note that stands", None, (-150, 150)),
        _number("loud_db", "dB", "level of the loudest note", None, (-150, 150)),
        # About 10 dB, or 15-25 dB on one note, both from memory. Widened.
        _number("dynamic_range_db", "dB", "loudest minus softest", (2, 45), (0, 120)),
        # No source for the times and for evenness: wide guesses.
        _number("attack_ms", "ms", "from the start of air to a standing tone", (1, 1000), (0, 1e4)),
        _number("slur_gap_ms", "ms", "longest break inside the slurs", (0, 500), (0, 1e4)),
        _number("low_evenness_cents", "cents", "spread of the low register", (0, 100), (0, 1200)),
        Column("rating_overall", "integer", "", "the player's judgement, 1 poor to 5 excellent"),
        _number("minutes_played", "minutes", "playing before this test", (0, 6000), (0, 1e5)),
        _text("recording", "file of the recording"),
    ),
    {"reed_id": "reeds", "session_id": "sessions"},
)

ADJUSTMENTS = Table(
    "adjustments",
    ("reed_id", "session_id", "step"),
    (
        _REED,
        _SESSION,
        Column("step", "integer", "", "1, 2, 3 in order", (1, 100), (1, 1000), (), True),
        _text("where", "place on the reed"),
        _text("action", "what was done"),
        Column("amount", "number", "", "how much"),
        _text("amount_unit", "unit of the amount"),
        _number("minutes", "minutes", "time that it took", (0, 120), (0, 10000)),
        Column(
            "by_chance",
            "boolean",
            "",
            "drawn by chance, not chosen; a reed drawn to be left alone has the action 'nothing'",
        ),
    ),
    {"reed_id": "reeds", "session_id": "sessions"},
)

BLADES = Table(
    "blades",
    ("reed_id", "session_id", "blade", "from_tip_mm", "across_mm", "trial"),
    (
        _REED,
        _SESSION,
        _key("blade", "up or down: the side where the twist of wire 1 sits is up"),
        replace(_number("from_tip_mm", "mm", "from the tip", (0, 35), (0, 80)), required=True),
        replace(
            _number("across_mm", "mm", "from the spine, left negative", (-9, 9), (-25, 25)),
            required=True,
        ),
        # Tip edge about 0.05 mm (one player); up to about 1.1 mm at the collar, from memory.
        _mm("thickness_mm", "thickness of the blade", (0.03, 1.6), 10.0),
        _TRIAL,
    ),
    {"reed_id": "reeds", "session_id": "sessions"},
)

LIFE = Table(
    "life",
    ("reed_id",),
    (
        _REED,
        Column("first_played", "date", "", "first day of use"),
        Column("last_played", "date", "", "last day of use so far"),
        # 10-20 h for clarinet reeds (Payne, 131st ASA meeting, 1996); far more is claimed.
        _number("hours_played", "hours", "playing so far", (0, 300), (0, 10000)),
        Column("retired", "boolean", "", "true once it is played out, false while in use or lost"),
        _text("reason", "why it was retired"),
    ),
    {"reed_id": "reeds"},
)

TABLES = (LOTS, TUBES, REEDS, SESSIONS, TESTS, ADJUSTMENTS, BLADES, LIFE)


def tables_for(instrument_name: str) -> tuple[Table, ...]:
    """Return the eight tables as they stand for one instrument.

    Staple columns come only where the family has a staple, and plausible bounds
    that hold for a bassoon reed are replaced or taken off.

    Parameters
    ----------
    instrument_name : str
        As in :data:`reedlab.schema.INSTRUMENTS`.

    Returns
    -------
    tuple of Table

    Examples
    --------
    >>> "staple" in tables_for("bassoon")[2].names, "staple" in tables_for("oboe")[2].names
    (False, True)
    """
    known = instrument(instrument_name)

    def fit(columns: Sequence[Column]) -> tuple[Column, ...]:
        return tuple(
            replace(column, plausible=known.plausible[column.name])
            if column.name in known.plausible
            else column
            for column in columns
            if known.uses_staple or not column.name.startswith("staple")
        )

    return tuple(replace(table, columns=fit(table.columns)) for table in TABLES)


def table_named(name: str) -> Table:
    """Return one of the eight tables, with the bounds for a bassoon reed.

    Examples
    --------
    >>> table_named("tests").key
    ('reed_id', 'session_id', 'stage', 'trial')
    """
    for table in TABLES:
        if table.name == name:
            return table
    raise unknown_name("table", name, [table.name for table in TABLES])
