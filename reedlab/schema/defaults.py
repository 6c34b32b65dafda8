"""The factors and responses that every new study starts with.

Steps are changes that a maker would try, in the column's unit: common practice, no
source. A study's descriptor lists them all and may change, drop or add any.
"""

from reedlab.schema.factors import Factor
from reedlab.schema.responses import Response
from reedlab.schema.tables import tables_for


def _numeric(name: str, stratum: str, unit: str, step: float, label: str) -> Factor:
    return Factor(name, (), stratum, unit, label, "numeric", step)


FACTORS = (
    _numeric("harvest_year", "lot", "years", 1, "harvest year"),
    _numeric("seasoning_months", "lot", "months", 12, "seasoning"),
    _numeric("outer_diameter_mm", "tube", "mm", 0.5, "tube diameter"),
    _numeric("wall_mm", "tube", "mm", 0.2, "tube wall"),
    _numeric("density_kg_m3", "tube", "kg/m3", 20, "cane density"),
    _numeric("hardness", "tube", "", 1, "cane hardness reading"),
    _numeric("flex_mm", "tube", "mm", 0.1, "cane flexibility"),
    _numeric("gouge_centre_mm", "reed", "mm", 0.05, "gouge, centre"),
    _numeric("gouge_side_mm", "reed", "mm", 0.05, "gouge, sides"),
    Factor("profile"),
    Factor("shape"),
    _numeric("tip_width_mm", "reed", "mm", 0.2, "tip width"),
    _numeric("blade_length_mm", "reed", "mm", 0.5, "blade length"),
    _numeric("total_length_mm", "reed", "mm", 0.5, "total length"),
    _numeric("bevel_mm", "reed", "mm", 1, "tube bevel"),
    _numeric("wire1_mm", "reed", "mm", 0.5, "wire 1 from butt"),
    _numeric("wire2_mm", "reed", "mm", 0.5, "wire 2 from butt"),
    _numeric("wire3_mm", "reed", "mm", 0.5, "wire 3 from butt"),
    _numeric("wire_gauge_mm", "reed", "mm", 0.05, "wire diameter"),
    Factor("wire_tension"),
    Factor("staple"),
    _numeric("staple_length_mm", "reed", "mm", 0.5, "staple length"),
    _numeric("soak_min", "reed", "minutes", 60, "soaking"),
    _numeric("rest_days", "reed", "days", 7, "rest as a blank"),
    _numeric("relative_humidity_pct", "session", "%", 10, "relative humidity"),
    _numeric("temperature_c", "session", "°C", 5, "room temperature"),
)

RESPONSES = (
    Response("crow_cents", "continuous", "cents", "target", 0.0, label="crow against target"),
    Response("crow_hz", "continuous", "Hz", label="crow pitch"),
    Response("dynamic_range_db", "continuous", "dB", "higher", label="dynamic range"),
    Response("soft_db", "continuous", "dB", "lower", label="softest note"),
    Response("loud_db", "continuous", "dB", "higher", label="loudest note"),
    Response("attack_ms", "continuous", "ms", "lower", label="attack"),
    Response("slur_gap_ms", "continuous", "ms", "lower", label="longest slur gap"),
    Response("low_evenness_cents", "continuous", "cents", "lower", label="low-register spread"),
    Response(
        "rating_overall", "ordinal", "", "higher", levels=(1, 2, 3, 4, 5), label="overall rating"
    ),
    Response("kept", "binary", "", "higher", table="reeds", label="kept"),
)


def default_factors(instrument_name: str) -> tuple[Factor, ...]:
    """Return the factors of a new study for that instrument.

    Parameters
    ----------
    instrument_name : str
        As in :data:`reedlab.schema.INSTRUMENTS`.

    Returns
    -------
    tuple of Factor

    Examples
    --------
    >>> "staple" in [factor.name for factor in default_factors("bassoon")]
    False
    """
    recorded = {name for table in tables_for(instrument_name) for name in table.names}
    return tuple(factor for factor in FACTORS if factor.name in recorded)
