"""Words that stand in the heads of logs, and what they say: English, German, French and Spanish trade words."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

# A plain word is a whole word of the name; word* begins one; *word* stands anywhere, also inside a German compound.
_CONCEPTS = {
    key: words.split()
    for key, words in {
        "time": "time timer timestamp zeit *zeitstempel* uhrzeit temps tiempo t clock elapsed horodatage",
        "rpm": "rpm revs rev *drehz* regime *umdrehung* revolution* revoluciones regimen tacho tach",
        "engine": "engine eng motor mot moteur crank crankshaft",
        "speed": "*speed* spd *geschwindigkeit* vitesse velocidad vss",
        "throttle": "*throttle* thr throt tps tp tpos *drossel* papillon *mariposa* dk",
        "pedal": "pedal *pedal* acelerador accelerateur",
        "lambda": "*lambda* lam lbd afr wideband wb *breitband* lambdasonde gemisch mezcla melange sonde oxysensor",
        "phi": "phi equivalence richesse dosado",
        "target": "target tgt *soll* sollwert cible consigne objetivo aim desired setpoint commanded command demand goal",
        "second": "2 ii second zweite* deux dos right rechts droite derecha r b2 bank2",
        "third": "3 4 5 6 7 8",
        "timing": "timing ignition ign spark advance adv *zund* *zuend* avance allumage encendido *chispa* sa",
        "nitrous": "*nitrous* *lachgas* protoxyde oxidonitroso nitroso *nitro* azote",
        "duty": "duty dc dutycycle pwm *tastverhaltnis* *tastverhaeltnis* *auslastung* ciclo trabajo cyclique rco *taktverhaltnis*",
        "valve": "valve solenoid *ventil* magnetventil* vanne electrovanne valvula electrovalvula sol progress* stufe stage",
        "switch": "switch sw on active aktiv* state status *schalter* relais relay enable* flag interrupteur activo activa estado"
        " rele ein etat actif",
        "bottle": "bottle btl *flasche* bouteille botella cylinderbottle",
        "pressure": "press pressure pres prs *druck* pression presion p",
        "temperature": "temp temper* tmp *temperatur* temperatura",
        "fuel": "fuel *kraftstoff* *benzin* essence carburant combustible gasolina sprit",
        "rail": "rail rampe *rail* rampa",
        "injector": "inj injector* injection *einspritz* injecteur* inyector* inyeccion *dusen* *duesen* iny",
        "width": "pw pulse pulsewidth width opening open ti *zeit* temps tiempo time ms duration duree duracion *dauer* dwell",
        "intake": "intake inlet *ansaug* *luft* admission admision aire air charge *ladeluft*",
        "iat": "iat act mat lufttemp lufttemperatur",
        "coolant": "coolant water *kuhlmittel* *kuehlmittel* *kuhlwasser* *kuehlwasser* *wasser* eau refroidissement liquide"
        " refrigerante agua ect clt cht",
        "manifold": "manifold *saugrohr* collecteur tubulure colector plenum",
        "map": "map",
        "boost": "boost *ladedruck* suralimentation sobrealimentacion vacuum *unterdruck* depression vacio vakuum",
        "knock": "knock *klopf* cliquetis detonation detonacion picado knk kr",
        "trim": "trim *korrektur* correction correccion corr stft kurzzeit* ego *regelung* *regler* closedloop",
        "battery": "battery batt bat vbat ubat vbatt *batterie* *bordspannung* *bordnetz* bateria ubatt",
        "voltage": "voltage volts *spannung* tension voltaje",
        "gear": "gear *gang* rapport marcha gearpos",
        "road": "road vehicle veh ground fahr* *fahrzeug* vehicule vehiculo car gps",
        "retard": "retard *rucknahme* *ruecknahme* retrait retraso pull pulled retardo",
        "level": "level niveau fullstand nivel",
        "other": "oil ol oel oltemp* oeltemp* oldruck oeldruck luftdruck atmospheric umgebung* relative huile aceite egt exhaust *abgas* echappement escape idle *leerlauf* ralenti ralenti turbo turbine wheel"
        " rad roue rueda dwell limit limiter *grenze* error fehler raw roh heater heizung count counter counts index nr sample samples"
        " number record row zeile frame lat lon latitude longitude altitude ethanol maf airmass *luftmasse* flow"
        " *durchfluss* debit caudal load last motorlast gearbox *getriebe* trans transmission diff brake *brems* accel acceleration gyro torque"
        " power ambient baro barometer barometric barometric cam camshaft *nockenwelle* distance *strecke* lap runde adc rate delta arm"
        " armed warm warmup cold crankcase clutch steering steer long ltft axle slip sync trigger dwell narrowband",
    }.items()
}

# What the name must say for a quantity, how much that weighs, and what it must not say.
_RULES: dict[str, tuple[tuple[tuple[str, float], ...], str]] = {
    "time_s": ((("time", 6.0),), "injector fuel bottle nitrous other duty knock engine timing lambda"),
    "rpm": ((("rpm", 6.0), ("engine speed", 6.0)), "target other road lambda retard timing"),
    "throttle_percent": ((("throttle", 6.0), ("pedal", 4.0)), "target other temperature pressure voltage"),
    "lambda_": (
        (("lambda", 6.0), ("phi", 6.0), ("intake fuel", 5.0)),
        "target trim other temperature pressure voltage injector",
    ),
    "lambda_2": (
        (("lambda second", 6.0), ("phi second", 6.0), ("lambda", 2.5)),
        "target trim other temperature pressure voltage injector",
    ),
    "lambda_target": ((("lambda target", 6.5), ("phi target", 6.5), ("intake fuel target", 6.0)), "trim other"),
    "timing_deg_btdc": ((("timing", 6.0),), "target trim other knock retard duty switch voltage nitrous injector"),
    "nitrous_duty_percent": (
        (("nitrous duty", 6.5), ("nitrous valve", 4.5), ("valve duty", 4.5), ("nitrous", 3.5), ("duty", 1.5)),
        "injector pressure temperature other fuel switch bottle timing",
    ),
    "nitrous_on": (
        (("nitrous switch", 6.5), ("nitrous valve", 4.0), ("nitrous", 3.5)),
        "injector pressure temperature other fuel duty bottle timing",
    ),
    "bottle_kpa": (
        (("bottle pressure", 6.5), ("nitrous pressure", 6.0), ("bottle", 4.0)),
        "temperature other fuel level",
    ),
    "bottle_c": ((("bottle temperature", 6.5), ("nitrous temperature", 5.0)), "pressure other"),
    "fuel_kpa": (
        (("fuel pressure", 6.5), ("rail pressure", 6.0), ("fuel rail", 4.0), ("fuel", 0.9)),
        "temperature other target trim bottle nitrous level injector duty lambda width time intake",
    ),
    "injector_duty_percent": ((("injector duty", 6.5), ("duty", 2.0)), "nitrous valve bottle other target throttle"),
    "injector_ms": (
        (("injector width", 6.0), ("width", 1.0), ("injector", 3.0)),
        "duty nitrous valve pressure other timing temperature",
    ),
    "intake_c": ((("intake temperature", 6.5), ("iat", 6.5)), "coolant pressure fuel bottle other"),
    "coolant_c": (
        (("coolant temperature", 6.5), ("coolant", 5.0), ("engine temperature", 5.0)),
        "pressure intake fuel other level",
    ),
    "knock": ((("knock", 6.0),), "retard timing other"),
    "manifold_kpa": (
        (("manifold pressure", 6.5), ("map", 6.0), ("boost", 5.5), ("intake pressure", 5.5), ("manifold", 4.0)),
        "temperature fuel target other timing",
    ),
    "trim_percent": ((("lambda trim", 6.5), ("fuel trim", 6.5), ("trim", 4.0)), "timing other target knock nitrous"),
    "battery_v": ((("battery", 6.5), ("voltage", 3.0)), "lambda throttle knock other temperature"),
    "gear": ((("gear", 6.0),), "other temperature target pressure intake fuel lambda"),
    "speed_km_h": ((("road speed", 6.5), ("speed", 5.0)), "engine rpm other target"),
}
_NAMELESS = re.compile(
    r"(column|col|spalte|colonne|columna|channel|ch|kanal|canal|unnamed|input|in|analog|an|ain|eingang|sensor|var|x)?( ?\d+)*"
)


@lru_cache(maxsize=4096)
def plain(name: str) -> str:
    """Return a name in small letters without accents, its words apart."""
    text = re.sub(r"(?<=[a-zß-ÿ])(?=[A-Z])", " ", name[:200])
    text = unicodedata.normalize("NFKD", text.replace("ß", "ss").replace("λ", " lambda ")).lower()
    text = "".join(c for c in text if not unicodedata.combining(c))
    text = re.sub(r"\bn2o\b|(?<![a-z])n2o(?=[^a-z]|$)|n 2 o\b", " nitrous ", text.replace("_", " "))
    text = re.sub(r"\boxido nitroso\b|\bprotoxyde( d ?'?azote)?\b", " nitrous ", text)
    text = re.sub(
        r"\b(air|luft|aire)[ /-]*(fuel|kraftstoff|essence|combustible|carburant)\b|\ba ?/ ?f\b", " afr ", text
    )
    text = re.sub(r"\bo2 (sensor|sonde)\b", " oxysensor ", text)
    text = re.sub(r"^ *t[ .]+(?=[a-z]{3,})(?!sec|min)", "temp ", re.sub(r"\d+[.,]\d+", " ", text))
    text = re.sub(r"(?<=[a-z])(?=\d)|(?<=\d)(?=[a-z])", " ", re.sub(r"[^a-z0-9]+", " ", text))
    return " ".join(text.split())


@lru_cache(maxsize=4096)
def concepts(name: str) -> frozenset[str]:
    """Return what the words of a name speak of."""
    words = plain(name).split()
    found = set()
    for concept, patterns in _CONCEPTS.items():
        for pattern in patterns:
            core = pattern.strip("*")
            if pattern.startswith("*"):
                hit = any(core in w for w in words) if len(core) > 2 else core in words
            elif pattern.endswith("*"):
                hit = any(w.startswith(core) for w in words)
            else:
                hit = core in words
            if hit:
                found.add(concept)
                break
    return frozenset(found)


@lru_cache(maxsize=4096)
def is_nameless(name: str) -> bool:
    """Whether a name says nothing: empty, a number, column 3."""
    return _NAMELESS.fullmatch(plain(name)) is not None


@lru_cache(maxsize=16384)
def name_weight(name: str, key: str, more: frozenset[str] = frozenset()) -> float:
    """Return what a column's name speaks for a quantity, in log-odds: 6 says it, 0 says nothing, below 0 says another.

    `more` is what its unit adds: "fuel" in psi is a fuel pressure.
    """
    if is_nameless(name):
        return 0.0
    said = concepts(name) | more
    rules, against = _RULES[key]
    best = max((weight for need, weight in rules if set(need.split()) <= said), default=None)
    if best is None:
        return -1.5 if not said - more else -4.0
    opposed = set(against.split()) & said
    if key in ("lambda_", "lambda_2") and "third" in said:
        return -5.0
    if key == "lambda_" and "second" in said:
        best -= 2.5
    return best if not opposed else -5.0


def says_phi(name: str) -> bool:
    """Whether a name speaks of an equivalence ratio, 1/lambda."""
    return "phi" in concepts(name)


def says_afr(name: str) -> bool:
    """Whether a name speaks of an air-fuel ratio."""
    return "afr" in plain(name).split()


def says_vacuum(name: str) -> bool:
    """Whether a name speaks of what is missing below the barometer."""
    return any(w in plain(name) for w in ("vacuum", "unterdruck", "depression", "vacio", "vakuum"))
