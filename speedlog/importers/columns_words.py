"""The trade's words for the columns of the common table. Data only; `columns.py` reads it.

Every phrase is a set of words in any order, in the one spelling that `ALIASES` gives. Words of the
decimal-comma countries stand beside the English ones.
"""

from __future__ import annotations

from dataclasses import dataclass

from speedlog.units import Kind


@dataclass(frozen=True)
class Entry:
    """A column that a phrase may mean; `needs_unit`: only where a unit of the kind is stated."""

    column: str
    kind: Kind | None
    rank: float = 0.0
    traits: frozenset[str] = frozenset()
    needs_unit: bool = False
    plain_units: tuple[str, ...] = ()  # what may stand in brackets where the column has no unit


_SPELLINGS = {
    "lat": "latitude breite breitengrad latitud latitudine",
    "lon": "longitude lng long longitudinal länge laenge längengrad laengengrad longitud longitudine",
    "alt": "altitude height elevation elev höhe hoehe hmsl msl altitud",
    "speed": "velocity vel spd geschwindigkeit vitesse velocidad tempo velocita velocità",
    "course": "cog", "track": "trk", "heading": "hdg head", "bearing": "brg",
    "temp": "temperature tmp temperatur température temperatura temps",
    "motor": "mot mtr moteur", "engine": "eng",
    "esc": "controller fet fets mosfet mosfets mos inverter regler variateur ctrl",
    "battery": "batt bat pack lipo akku batterie batería", "input": "inp",
    "voltage": "volts volt spannung tension vbat vbatt voltaje",
    "current": "amps amp ampere amperes curr strom courant",
    "rpm": "rpms drehzahl", "erpm": "erpms", "revs": "rev revolutions",
    "throttle": "thr thro gas gaz throt", "duty": "dutycycle",
    "accel": "acceleration acc accelerometer beschleunigung accélération", "forward": "fwd",
    "sats": "satellites satellite sat svs satelliten satelites numsv nsat nsats numsat numsats satcount sv",
    "fix": "fixtype", "quality": "qual", "cn0": "cno snr", "accuracy": "sacc", "sd": "std stdev sigma stddev",
    "gps": "gnss gpsd", "time": "zeit uhrzeit heure hora times", "date": "datum fecha",
    "number": "num no nr count", "pwm": "pulse pulsewidth", "elapsed": "verstrichen",
}  # fmt: skip
ALIASES = {other: word for word, others in _SPELLINGS.items() for other in others.split()}
FILLERS = frozenset(
    [
        "gps",
        "value",
        "data",
        "signal",
        "log",
        "logged",
        "raw",
        "actual",
        "measured",
        "the",
        "of",
        "sensor",
        "reading",
    ]
)
# the quantity's own word says the unit
IMPLIED_UNIT = {"rpm": "rpm", "erpm": "rpm", "revs": "rpm", "g": "g"}

_TABLE: tuple[tuple[str, Kind | None, str, str], ...] = (
    # column, kind of unit, traits, phrases from the best to the least ("|" between equals, ";" a rank down)
    ("lat_deg", "angle", "", "lat | lat wgs84 | lat decimal"),
    ("lon_deg", "angle", "", "lon | lon wgs84 | lon decimal"),
    ("alt_m", "length", "", "alt | alt sea level | alt above sea level | alt mean sea level | alt amsl"),
    ("speed_mps", "speed", "",
     "ground speed | speed over ground | sog | gspeed | doppler speed | groundspeed; speed | 2d "
     "speed | horizontal speed; current speed | speed 3d | 3d speed; vehicle speed | car speed"),
    ("wheel_speed", "speed", "wheel", "wheel speed | wheelspeed"),
    ("track_deg", "angle", "",
     "course over ground | course | track | track angle | course true | track true | heading "
     "motion | motion heading | track over ground | true course | true track; heading | heading "
     "true; bearing | direction | kurs"),
    ("fix", None, "quality", "quality | fix quality | position quality"),
    ("fix", None, "", "fix | fix type | fix mode | fix status | position fix | fix valid; valid"),
    ("hdop", None, "", "hdop | horizontal dop | h dop | horizontal dilution precision"),
    ("satellites", None, "", "sats used | used sats; sats | sats number | sats tracked"),
    ("cn0_dbhz", None, "",
     "cn0 | c n0 | c no | carrier to noise | cn0 mean | mean cn0 | cn0 avg | cn0 db hz | cn0 dbhz "
     "| cn0 db"),
    ("speed_sd_mps", "speed", "",
     "speed accuracy | speed sd | speed accel | s accel | accuracy speed | speed error | speed "
     "uncertainty | speed accuracy estimate | accuracy speed"),
    ("rpm", "rotation", "electrical",
     "erpm | electrical rpm | electric rpm | e rpm | motor erpm | erpm motor | electrical speed | "
     "electrical motor rpm | electrical motor speed | esc erpm"),
    ("rpm", "rotation", "",
     "motor rpm | mechanical rpm | motor speed | motor rotation speed | motor revs; rpm | revs | "
     "esc rpm; rotation speed | rotational speed | engine rpm | engine speed | speed rpm"),
    ("rpm", "rotation", "wheel", ";;; wheel rpm | rpm wheel | wheel revs"),
    ("current_a", "current", "pack",
     "battery current | input current | dc current | bus current | current in | supply current | "
     "total current | main current"),
    ("current_a", "current", "", "; current; esc current"),
    ("current_a", "current", "motor",
     ";;; motor current | phase current | output current | current out | motor phase current"),
    ("voltage_v", "voltage", "",
     "battery voltage | voltage battery | main voltage | total voltage; voltage; input voltage | "
     "vin | voltage in | supply voltage | bus voltage | dc voltage; esc voltage | v battery | u "
     "battery"),
    ("motor_temp_c", "temperature", "", "motor temp | motor temp winding | temp motor case"),
    ("controller_temp_c", "temperature", "",
     "esc temp | speed esc temp | power stage temp | esc temp board"),
    ("temp", "temperature", "", "temp"),
    ("throttle", "share", "",
     "throttle | throttle position | throttle input | throttle percent | throttle in; throttle "
     "output | throttle out | throttle pwm | esc throttle | throttle channel; duty | duty cycle | "
     "motor duty | esc duty; pwm"),
    ("throttle", "time", "pulse",
     "throttle | throttle input | throttle in | throttle channel; throttle pwm | throttle output; "
     "pwm"),
    ("accel_mps2", "acceleration", "", "lon accel | forward accel | lon g | g lon | lon g force; accel"),
    ("lat_side", None, "",
     "n s | ns | lat ns | lat n s | lat side | lat hemisphere | ns indicator | n s indicator | lat"
     " direction | lat ref"),
    ("lon_side", None, "",
     "e w | ew | lon ew | lon e w | lon side | lon hemisphere | ew indicator | e w indicator | lon"
     " direction | lon ref"),
    ("x", None, "", "x"),
    ("y", None, "", "y"),
)  # fmt: skip

# only together with a unit of the kind: "Forward (m/s²)", "speed (rpm)"; "mph" alone is a speed
_WITH_UNIT: tuple[tuple[str, Kind, str, str], ...] = (
    ("accel_mps2", "acceleration", "", "forward | lon | inline"),
    ("rpm", "rotation", "", "speed | motor"),
    ("rpm", "rotation", "wheel", "wheel speed | wheel"),
    ("current_a", "current", "pack", "battery | input | i battery | i in"),
    ("current_a", "current", "", "i"),
    ("current_a", "current", "motor", "motor | i motor"),
    ("voltage_v", "voltage", "", "battery | input | u | u in"),
    ("motor_temp_c", "temperature", "", "motor"),
    ("controller_temp_c", "temperature", "", "esc"),
    ("speed_mps", "speed", "", ""),
)


def _phrases() -> dict[tuple[str, ...], tuple[Entry, ...]]:
    found: dict[tuple[str, ...], list[Entry]] = {}

    def add(text: str, entry: Entry) -> None:
        words = [ALIASES.get(word, word) for word in text.split()]
        key = tuple(sorted(word for word in words if word not in FILLERS))
        found.setdefault(key, []).append(entry)

    for column, kind, traits, ranks in _TABLE:
        for rank, phrases in enumerate(ranks.split(";")):
            for phrase in phrases.split("|"):
                if phrase.strip():
                    add(
                        phrase,
                        Entry(
                            column, kind, float(rank), frozenset(traits.split()), plain_units=_plain(column)
                        ),
                    )
    for column, kind, traits, phrases in _WITH_UNIT:
        for phrase in phrases.split("|"):
            add(phrase, Entry(column, kind, 2.0, frozenset(traits.split()), needs_unit=True))
    return {key: tuple(entries) for key, entries in found.items()}


def _plain(column: str) -> tuple[str, ...]:
    return {"cn0_dbhz": ("db-hz", "dbhz", "db hz", "db"), "hdop": ("1", "m"), "satellites": ("1",)}.get(
        column, ("1",)
    )


PHRASES = _phrases()
VOCABULARY = frozenset(word for words in PHRASES for word in words) | FILLERS | frozenset(_SPELLINGS)
