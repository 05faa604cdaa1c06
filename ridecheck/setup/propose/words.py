"""What column names and unit texts say, by the stems of words in several languages.

Names only ever suggest. A stem that means two things suggests both, and what the values
show outweighs it.
"""

import re
import unicodedata
from collections.abc import Mapping
from functools import cache

from ridecheck.core.catalog import channels
from ridecheck.core.units import UnitError, to_channel_unit, units_for


def word_set(text: str) -> frozenset[str]:
    """The words of a text that is parted by blanks."""
    return frozenset(text.split())


_STEMS: Mapping[str, str] = {
    "speed": "speed spd veloc vitesse geschw snelh hastigh hastighed fart predk rychl nopeus "
    "hiz sebess vss kmh kph mph viteza sog geschw gschw skorost скорост 速度 車速 车速",
    "wheel": "wheel whl radgesch rad roue rueda ruota roda wiel hjul kolo kola rengas teker kerek",
    "front": "front frnt vorn vorder avant delant anterior davanti diant voor fram fremre forre "
    "przed predn etu elso перед 前",
    "rear": "rear hinten hinter arriere tras poster dietro achter bak bag tyln zadn taka arka "
    "hatso задн 後 后",
    "gps": "gps gnss ground sog satell",
    "engine": "engine eng motor moteur motore moottor silnik двигат",
    "turns": "rpm drehz umdreh regime tours giri revs varvtal turat omdr toeren obrot otack kierr "
    "devir fordul crank kurbel оборот 回転 转速",
    "gear": "gear gang getriebe rapport marcha marcia versnel vaxel bieg prevod vaihde vites "
    "fokozat gir передач ギア 档位",
    "neutral": "neutral leerl pointmort puntomuerto folle pontomorto frilage ntrl",
    "throttle": "throttle thr tps tp drossel papillon mariposa farfalla gasklep spjall przepust "
    "skrtic kaasu gaz gas gass acelerador accelerat 油门 スロットル",
    "grip": "grip griff poignee puno manopola punho handvat handtag manetk rukojet kahva demand "
    "twist aps",
    "pedal": "pedal fuss foot pied pie pedale voet fot nozn jalka ayak",
    "lever": "lever hand levier maneta leva hendel spak kar kahva",
    "heat": "heat heiz chauff calef riscald verwarm",
    "oil": "oil ol olio huile aceite olie",
    "limit": "limit lim",
    "brake": "brak brk brems frein fren freio rem broms hamul brzd jarru fek тормоз ブレーキ 刹车",
    "lamp": "lamp leucht light licht feu luz luce lys swiatl svetl valo",
    "stop": "stop",
    "pressure": "press druck pression presion pressao druk tryck trykk cisn tlak paine basinc",
    "clutch": "clutch clt kuppl embray embrag frizion embrei koppel sprzeg spojk kytkin debriy "
    "kuplung kobling сцеплен クラッチ 离合",
    "cruise": "cruise cruis tempomat crucero regulat regolat cruzeiro vakion cc ccs speedcontrol "
    "farthall круиз 巡航",
    "set": "set soll consigne consigna target desir wanted nastav zadan wunsch memor",
    "engaged": "engag act hold halt activ aktiv actif attiv ativ regel inreg eingeschalt",
    "armed": "arm armed ready bereit pret listo pronto standby enabl haupt main",
    "button": "button btn switch sw taste bouton boton pulsant botao knop knapp knap przycisk "
    "tlacitk painike dugme",
    "power": "power pwr main haupt",
    "resume": "resum res rsm wieder repris reanud ripres retom hervat ater genopt wznow obnov",
    "cancel": "cancel cncl abbruch annul cancela abort avbryt peruut iptal",
    "roll": "rolloff roll shutoff zugedreh",
    "supply": "batt bat supply alim bordnetz bordspann accu akku ubat vbat voeding napet napiec "
    "jannit",
    "voltage": "volt spann tension",
    "coolant": "cool clt wtr kuhl kuehl eau refroid water wasser refriger acqua koelw kylv chlod "
    "chlad jaahd ect sogutma",
    "air": "air luft aire aria lucht ilma powietr vzduch ambient umgeb outside iat",
    "temperature": "temp temperat",
    "odometer": "odo mileage kmstand kilomet tachostand compteur distan trip wegstr",
    "acceleration": "accel acc beschl accelerat acelerac accelerazion versnelling przyspies zrychl",
    "vertical": "vert",
    "lean": "lean bank schraglage inclin kantel",
    "yaw": "yaw gier lacet",
    "altitude": "alt height hohe hoehe elev altit",
    "stand": "stand bequille cavallet caballete",
    "run": "run kill notaus",
    "marker": "mark event lap",
    "fault": "fault mil dtc error fehler",
    "abs": "abs",
    "traction": "tract tcs asr",
    "position": "lat lon lng latit longit breite lange",
    "time": "time zeit temps tiempo tempo hora uhr heure stamp clock czas cas tid aika zaman ido "
    "date datum fecha data jour dag",
}
_WHOLE = word_set(
    "rad rem gas eng rpm cc ccs lat lon lng abs alt odo ect iat mil tcs asr run arm set "
    "stop main air tps thr vss spd clt brk gir bak bag tid cas ido jour dag data date "
    "gear gang fek roll lap mark kill hiz fart time temps temp acc accel act res can bat "
    "eau wtr tp aps hand kar pie fot ol lim bank"
)
"""Stems this short or common count only as a whole word."""

_RECIPES: tuple[tuple[str, tuple[str, ...], tuple[str, ...]], ...] = (
    # channel, concepts that must all be there, concepts that must not
    ("front_brake_pressure", ("brake", "front", "pressure"), ()),
    ("rear_brake_pressure", ("brake", "rear", "pressure"), ()),
    ("front_brake", ("brake", "front"), ("pressure", "lamp", "abs", "temperature")),
    ("front_brake", ("brake", "lever"), ("pressure", "lamp", "abs", "temperature", "rear")),
    ("rear_brake", ("brake", "rear"), ("pressure", "lamp", "abs", "temperature")),
    ("rear_brake", ("brake", "pedal"), ("pressure", "lamp", "abs", "temperature", "front")),
    ("brake_lamp", ("brake", "lamp"), ("front", "rear")),
    ("brake_lamp", ("stop", "lamp"), ("front", "rear")),
    ("brake_lamp", ("stop",), ("engine", "button", "run")),
    ("clutch", ("clutch",), ("temperature",)),
    ("cruise_set_speed", ("set", "speed"), ("button",)),
    ("cruise_set_speed", ("set", "cruise"), ("button",)),
    ("front_wheel_speed", ("front", "speed"), ("set", "gps")),
    ("gps_speed", ("gps", "speed"), ("set",)),
    ("wheel_speed", ("speed",), ("set", "gps", "front", "turns", "engine", "cruise", "limit")),
    ("engine_speed", ("turns",), ("wheel",)),
    ("engine_speed", ("engine", "speed"), ("wheel", "set", "limit")),
    ("gear", ("gear",), ("speed", "acceleration", "temperature", "oil")),
    ("neutral_switch", ("neutral",), ()),
    ("throttle_grip", ("grip",), ("roll", "heat", "brake", "clutch")),
    ("throttle_grip", ("pedal", "throttle"), ("brake", "voltage")),
    ("throttle", ("throttle",), ("grip", "roll", "voltage")),
    ("roll_off", ("roll",), ("lean",)),
    ("switch_resume", ("resume",), ()),
    ("switch_cancel", ("cancel",), ()),
    ("switch_set", ("set",), ("speed", "resume", "cancel", "temperature")),
    ("switch_power", ("power", "button"), ("resume", "cancel")),
    ("switch_power", ("power", "cruise"), ("resume", "cancel")),
    ("switch_set", ("set", "cruise"), ("speed", "resume", "cancel")),
    ("cruise_armed", ("cruise", "armed"), ("button",)),
    ("cruise_armed", ("cruise", "lamp"), ("button",)),
    ("cruise_engaged", ("cruise", "engaged"), ("button", "speed")),
    ("supply_voltage", ("supply",), ("throttle", "temperature", "brake", "clutch")),
    ("supply_voltage", ("supply", "voltage"), ("throttle", "temperature", "brake", "clutch")),
    ("coolant_temperature", ("coolant",), ("oil",)),
    ("coolant_temperature", ("engine", "temperature"), ("oil", "air")),
    ("air_temperature", ("air", "temperature"), ("pressure",)),
    ("odometer", ("odometer",), ("speed",)),
    ("vertical_acceleration", ("acceleration", "vertical"), ()),
    ("acceleration", ("acceleration",), ("vertical", "throttle", "pedal", "resume", "set")),
    ("lean_angle", ("lean",), ("throttle",)),
    ("yaw_rate", ("yaw",), ()),
    ("altitude", ("altitude",), ()),
    ("side_stand", ("stand",), ()),
    ("run_switch", ("run",), ()),
    ("marker", ("marker",), ()),
    ("fault_lamp", ("fault",), ("cruise",)),
    ("abs_active", ("abs",), ("pressure",)),
    ("traction_active", ("traction",), ()),
)
_LETTERS = {
    "front": ["f", "v", "av", "ant", "fr", "fw", "vr"],
    "rear": ["r", "h", "ar", "post", "rr", "rw", "hr"],
}
"""Letters that mean front and rear beside a word for brake or wheel."""
_PER_MINUTE = re.compile(
    r"\b(u|tr|t|r|o|ot|obr|ford|omdr|varv)\s*/\s*min\b|min-1|1/min", re.IGNORECASE
)
_UNIT_IN_NAME = re.compile(r"[\[({]([^\[\](){}]*)[\])}]")
_LAST_WORD = re.compile(r"[_\s.:/-]([A-Za-z%/°²2]+)$")


def plain(text: str) -> str:
    """A name in lower case, without accents, words parted by blanks.

    >>> plain("VitesseRoueAvant_kmh")
    'vitesse roue avant kmh'
    """
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    text = text.replace("ß", "ss").replace("ø", "o").replace("ł", "l").replace("ı", "i")
    text = unicodedata.normalize("NFKD", text)
    text = "".join(c for c in text if not unicodedata.combining(c)).lower()
    return " ".join(re.findall(r"[^\W\d_]+|\d+", text))


@cache
def concepts(name: str) -> frozenset[str]:
    """What a name may be about."""
    bare = plain(_UNIT_IN_NAME.sub(_without_unit, name))
    parts = bare.split()
    together = "".join(parts)
    found = set()
    for concept, stems in _STEMS.items():
        for stem in stems.split():
            short = stem in _WHOLE or (len(stem) <= 3 and stem.isascii())
            if any(p == stem for p in parts) or (
                not short
                and (
                    any(p.startswith(stem) for p in parts) or (len(stem) >= 5 and stem in together)
                )
            ):
                found.add(concept)
                break
    for part in parts:
        found |= _compound(part)
    if found & {"brake", "wheel"} and not found & {"front", "rear"}:
        found |= {place for place, marks in _LETTERS.items() if set(parts) & set(marks)}
    for place, both in (("front", "fw"), ("rear", "rw")):
        found |= {place, "wheel"} if both in parts else set()
    if "t" in parts and found & {"air", "coolant"}:
        found.add("temperature")
    if _PER_MINUTE.search(name):
        found.add("turns")
    return frozenset(found)


def _without_unit(found: re.Match[str]) -> str:
    """What stands in brackets is left out where it is a unit."""
    return " " if known_unit(found.group(1)) else f" {found.group(1)} "


def _compound(word: str) -> frozenset[str]:
    """Front, rear, lever or pedal written together with what it stands before.

    >>> sorted(_compound("voorrem"))
    ['brake', 'front']
    """
    for place in ("front", "rear", "lever", "pedal"):
        begins = [s for s in _STEMS[place].split() if len(s) >= 3] + _LETTERS.get(place, [])
        for begin in sorted(begins, key=len, reverse=True):
            for thing in ("brake", "wheel", "speed"):
                if thing == "speed" and begin in _LETTERS.get(place, []):
                    continue  # vspeed is a speed
                rest = word.removeprefix(begin)
                if rest != word and any(
                    rest == s or (len(s) >= 3 and rest.startswith(s)) for s in _STEMS[thing].split()
                ):
                    return frozenset((place, thing))
    for begin in (b for b in _STEMS["brake"].split() if len(b) >= 3):
        rest = word.removeprefix(begin)
        if rest != word and any(rest.startswith(e) for e in _STEMS["lamp"].split()):
            return frozenset(("brake", "lamp"))
    return frozenset()


def suggested(name: str) -> tuple[str, ...]:
    """Channels whose recipe a name fulfils, the most specific first; a channel's own name."""
    own = "_".join(plain(_UNIT_IN_NAME.sub(_without_unit, name)).split())
    if own in channels():
        return (own,)
    about = concepts(name)
    fitting = [
        (len(needs), channel)
        for channel, needs, never in _RECIPES
        if about.issuperset(needs) and about.isdisjoint(never)
    ]
    most = max((n for n, _ in fitting), default=0)
    return tuple(dict.fromkeys(channel for n, channel in fitting if n == most))


def unit_text(name: str, units_row: str = "") -> str:
    """The unit a column states: in the units row, in brackets, or as its last word."""
    if units_row and known_unit(units_row):
        return units_row.strip().strip("[]()")
    for found in _UNIT_IN_NAME.findall(name):
        if known_unit(found):
            return str(found).strip()
    last = _LAST_WORD.search(name)
    if last and len(last.group(1)) >= 2 and known_unit(last.group(1)):
        return last.group(1)
    return ""


@cache
def known_unit(text: str) -> bool:
    """True for a unit that some channel, or the time, may have."""
    bare = text.strip().strip("[](){}").lower()
    if bare in {"s", "sec", "ms", "msec", "us", "bool", "on/off", "0/1", "n/a", "deg", "°"}:
        return True
    return bool(units_for(text.strip().strip("[](){}")))


def unit_fits(unit: str, channel: str) -> bool:
    """True where a unit measures what the channel holds."""
    stored = channels()[channel].unit
    try:
        to_channel_unit(unit, stored)
    except UnitError:
        return False
    return bool(unit)
