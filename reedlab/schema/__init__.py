"""What may be recorded: instruments, tables, factors, responses, units, the protocol.

Nothing here reads or writes a file.
"""

from reedlab.schema.cautions import CAUTIONS, cautions_for
from reedlab.schema.codes import draw_codes, read_code
from reedlab.schema.columns import TYPES, Column, Table
from reedlab.schema.defaults import FACTORS, RESPONSES, default_factors
from reedlab.schema.factors import FEW, STRATA, STRATUM_KEY, STRATUM_TABLE, Factor, is_number
from reedlab.schema.instruments import INSTRUMENTS, Instrument, instrument
from reedlab.schema.pitch import A4_HZ, cents, cents_from_band, nearest_note, note_hz
from reedlab.schema.protocol import Step, default_protocol
from reedlab.schema.responses import DIRECTIONS, KINDS, Response
from reedlab.schema.tables import TABLES, table_named, tables_for
from reedlab.schema.units import LENGTH_UNITS, to_mm

__all__ = [
    "A4_HZ",
    "CAUTIONS",
    "DIRECTIONS",
    "FACTORS",
    "FEW",
    "INSTRUMENTS",
    "KINDS",
    "LENGTH_UNITS",
    "RESPONSES",
    "STRATA",
    "STRATUM_KEY",
    "STRATUM_TABLE",
    "TABLES",
    "TYPES",
    "Column",
    "Factor",
    "Instrument",
    "Response",
    "Step",
    "Table",
    "cautions_for",
    "cents",
    "cents_from_band",
    "default_factors",
    "default_protocol",
    "draw_codes",
    "instrument",
    "is_number",
    "nearest_note",
    "note_hz",
    "read_code",
    "table_named",
    "tables_for",
    "to_mm",
]
