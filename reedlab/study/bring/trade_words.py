"""What makers write above their columns, in English, German and French.

Common practice, no source. From the words of a header, without its unit, to the column of
the record that is likely meant; a header that fits two columns is asked about. Words are
compared in lower case, without accents and marks.
"""

import re
import unicodedata
from typing import NamedTuple

#: By column of the record: the headers that name it.
HEADERS: dict[str, str] = {
    "reeds.reed_id": "reed | reed id | reed no | reed number | reed nr | id | no | nr | number | "
    "rohr | rohr nr | rohr id | rohrnummer | nummer | anche | anche no | anche n | n | numero",
    "reeds.tube_id": "tube | tube id | tube no | tube nr | cane tube | cane | piece of cane | "
    "stange | stange nr | rohrholz | holz | canne | tube de canne | roseau",
    "reeds.batch_id": "batch | batch id | serie | lot de fabrication",
    "reeds.made_on": "made | made on | date made | day made | gebaut | gebaut am | hergestellt | "
    "hergestellt am | fait le | fabrique le | date | datum",
    "reeds.gouge_centre_mm": "gouge | gouge centre | gouge center | gouge middle | cane gouge | "
    "hohlung | hoehlung | hohlung mitte | hobelung | hobelstarke | innenhobelung | "
    "gouge milieu | gougeage | epaisseur gouge",
    "reeds.gouge_side_mm": "gouge side | gouge sides | hohlung seite | hohlung seiten | "
    "hobelung seite | gouge cote | gouge cotes",
    "reeds.profile": "profile | profil",
    "reeds.shape": "shape | fasson | facon | form | forme | taille",
    "reeds.tip_width_mm": "tip width | width at tip | spitzenbreite | breite | breite spitze | "
    "largeur | largeur pointe",
    "reeds.blade_length_mm": "blade length | blade | bahn | bahnlange | blattlange | "
    "longueur lame | longueur des lames",
    "reeds.total_length_mm": "total length | length | overall length | gesamtlange | lange | "
    "longueur | longueur totale",
    "reeds.bevel_mm": "bevel | tube bevel | fase | abschragung | biseau",
    "reeds.wire1_mm": "wire 1 | wire1 | first wire | 1st wire | draht 1 | draht1 | fil 1 | "
    "ligature 1",
    "reeds.wire2_mm": "wire 2 | wire2 | second wire | 2nd wire | draht 2 | draht2 | fil 2 | "
    "ligature 2",
    "reeds.wire3_mm": "wire 3 | wire3 | third wire | 3rd wire | draht 3 | draht3 | fil 3 | "
    "ligature 3",
    "reeds.wire_gauge_mm": "wire gauge | wire diameter | wire thickness | drahtstarke | "
    "drahtdurchmesser | diametre fil",
    "reeds.wire_tension": "wire tension | drahtspannung | tension fil",
    "reeds.staple": "staple | hulse | hulsen",
    "reeds.staple_length_mm": "staple length | hulsenlange | longueur tube",
    "reeds.soak_min": "soak | soaking | soak time | soaking time | einweichen | einweichzeit | "
    "wassern | wasserzeit | trempage",
    "reeds.rest_days": "rest | rest time | rest as blank | ruhe | ruhezeit | lagerzeit | repos",
    "reeds.minutes_spent": "work | working time | time spent | minutes spent | arbeitszeit | "
    "temps de travail",
    "reeds.kept": "kept | keep | keeper | behalten | gardee | garde | conservee",
    "reeds.fate": "fate | what became of it | verbleib | sort",
    "reeds.fate_reason": "reason | why | why discarded | grund | warum | raison",
    "reeds.spared": "spared | verschont | epargnee",
    "reeds.note": "remarks | remark | notes | comment | comments | bemerkung | bemerkungen | "
    "anmerkung | anmerkungen | remarque | remarques | commentaire",
    "tubes.outer_diameter_mm": "diameter | tube diameter | outer diameter | ø | durchmesser | "
    "rohrdurchmesser | aussendurchmesser | diametre | ⌀",
    "tubes.wall_mm": "wall | wall thickness | tube wall | wandstarke | wand | paroi",
    "tubes.density_kg_m3": "density | dichte | densite",
    "tubes.hardness": "hardness | cane hardness | harte | durete",
    "tubes.flex_mm": "flex | flexibility | biegung | flexion",
    "tubes.lot_id": "lot | lot id | cane lot | lieferung | charge | lot de canne",
    "tubes.pieces": "pieces | stucke | morceaux",
    "lots.harvest_year": "harvest | harvest year | ernte | erntejahr | recolte",
    "lots.seasoning_months": "seasoning | ablagerung | sechage",
    "sessions.session_id": "session | session id | sitzung | seance",
    "sessions.started_at": "tested | tested on | test date | session date | played on | "
    "getestet | getestet am | testdatum | date | datum | essaye le",
    "sessions.player_id": "player | played by | spieler | gespielt von | joueur | musicien",
    "sessions.instrument_id": "instrument | bassoon | oboe | fagott | basson | hautbois",
    "sessions.bocal": "bocal | crook | s bogen | bogen",
    "sessions.room": "room | raum | salle",
    "sessions.relative_humidity_pct": "humidity | relative humidity | rh | luftfeuchte | "
    "luftfeuchtigkeit | feuchte | humidite",
    "sessions.temperature_c": "temperature | temp | room temperature | temperatur",
    "sessions.a4_hz": "a4 | tuning | stimmung | stimmton | diapason",
    "tests.stage": "stage | day | stufe | tag | etape | jour",
    "tests.trial": "trial | try | versuch | essai",
    "tests.tip_opening_mm": "tip opening | opening | aperture | offnung | offnung spitze | "
    "ouverture",
    "tests.crow_hz": "crow | crow pitch | pitch | krahton | kraehton | krahen | tonhohe | "
    "cri | hauteur",
    "tests.crow_cents": "crow | crow cents | crow pitch | pitch | krahton | kraehton | krahen | "
    "cri | hauteur",
    "tests.soft_db": "softest | soft | pp | ppp | leise | leisester ton | doux",
    "tests.loud_db": "loudest | loud | ff | fff | laut | lautester ton | fort",
    "tests.dynamic_range_db": "range | dynamic range | dynamics | ppp fff | pp ff | dynamik | "
    "dynamikumfang | umfang | nuances | dynamique",
    "tests.attack_ms": "attack | ansprache | attaque",
    "tests.slur_gap_ms": "slur | slur gap | bindung | legato",
    "tests.low_evenness_cents": "low register | low evenness | tiefe lage | registre grave",
    "tests.rating_overall": "rating | overall | overall rating | score | mark | bewertung | "
    "gesamturteil | urteil | appreciation | evaluation",
    "tests.minutes_played": "minutes played | spielminuten | minutes jouees",
    "tests.resoaked": "resoaked | soaked again | neu eingeweicht | retrempee",
    "tests.recording": "recording | aufnahme | enregistrement",
    "life.first_played": "first played | first use | first day | erstmals gespielt | "
    "zuerst gespielt | premier jeu | joue la premiere fois",
    "life.last_played": "last played | last use | zuletzt gespielt | dernier jeu",
    "life.hours_played": "hours played | hours | spielstunden | stunden | heures | heures jouees",
    "life.retired": "retired | ausgespielt | retiree",
}

#: Words before a number that make a header one of several occasions; which of them are
#: tries of one occasion rather than occasions of their own.
OCCASIONS = [
    "day",
    "tag",
    "jour",
    "stage",
    "stufe",
    "session",
    "sitzung",
    "seance",
    "week",
    "woche",
    "semaine",
    "test",
]
TRIES = ["trial", "try", "versuch", "essai"]

#: Units as headers have them, longest first, and as the record names them.
UNITS: dict[str, str] = {
    "1/100 mm": "1/100 mm",
    "0.01 mm": "1/100 mm",
    "0,01 mm": "1/100 mm",
    "hundredths of a mm": "1/100 mm",
    "1/1000 in": "thou",
    "0.001 in": "thou",
    "mm": "mm",
    "cm": "cm",
    "µm": "µm",
    "μm": "µm",
    "thou": "thou",
    "mil": "thou",
    "inches": "in",
    "inch": "in",
    "zoll": "in",
    "pouces": "in",
    "in": "in",
    "cents": "cents",
    "cent": "cents",
    "ct": "cents",
    "db": "dB",
    "hz": "Hz",
    "ms": "ms",
    "minutes": "minutes",
    "min": "minutes",
    "days": "days",
    "tage": "days",
    "jours": "days",
    "hours": "hours",
    "h": "hours",
    "months": "months",
    "%": "%",
    "°c": "°C",
    "kg/m3": "kg/m3",
    "kg/m³": "kg/m3",
}

_BRACKETS = re.compile(r"[(\[]([^)\]]*)[)\]]")
_FROM = re.compile(r"\s+(from|above|vom|von|du|de)\b.*$")


class Named(NamedTuple):
    """A header apart: its plain words and the unit that it names, if any."""

    words: str
    unit: str


def taken_apart(header: str) -> Named:
    """Part a header into its words and its unit.

    Examples
    --------
    >>> taken_apart("Höhlung (1/100 mm)"), taken_apart("ppp-fff dB")
    (Named(words='hohlung', unit='1/100 mm'), Named(words='ppp fff', unit='dB'))
    """
    unit = ""
    rest = header
    for match in _BRACKETS.finditer(header):
        found = unit_named(match[1])
        if found:
            unit = unit or found
            rest = rest.replace(match[0], " ")
    if not unit:
        low = rest.casefold().rstrip(" .:")
        for typed, known in sorted(UNITS.items(), key=lambda item: -len(item[0])):
            if low.endswith((f" {typed}", f"_{typed}")):
                unit, rest = known, rest[: len(low) - len(typed)]
                break
    return Named(plain(rest.removesuffix(" in ")), unit)


def unit_named(text: str) -> str:
    """Return the unit that a bracket of a header names; empty if it names none."""
    typed = _FROM.sub("", " ".join(text.split()).casefold().removeprefix("in ").strip())
    return UNITS.get(typed, "")


def plain(text: str) -> str:
    """Return words in lower case, without accents and marks, one space between them.

    Examples
    --------
    >>> plain("Rohr-Nr."), plain("Fa dièse")
    ('rohr nr', 'fa diese')
    """
    bare = unicodedata.normalize("NFKD", text.casefold().replace("ß", "ss"))
    letters = "".join(mark for mark in bare if not unicodedata.combining(mark))
    return " ".join(re.sub(r"[^\w#ø⌀]+|_", " ", letters).split())


def columns_named(words: str) -> list[str]:
    """Return the columns of the record that plain words name."""
    return _BY_WORDS.get(words, [])


def _by_words() -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for column, texts in HEADERS.items():
        for text in texts.split("|"):
            names = found.setdefault(plain(text), [])
            if column not in names:
                names.append(column)
    return found


_BY_WORDS = _by_words()
