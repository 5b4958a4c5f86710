"""Which column is which: right answers for many ways of writing a head, the same log whatever the way, questions where it is open."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernel_lib import BuildSheet, InputError
from kernel_lib.logs.channels import CHANNELS
from kernel_lib.logs.log_units import UNITS_FOR, convert
from kernel_lib.logs.mapping import SURE_ENOUGH, Mapping, Match, apply, propose
from kernel_lib.logs.read import RawLog, read_log
from kernel_lib.paths import data_dir

WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")
BARO = 99.6  # of the wren's sheet [kPa absolute]


def drive(seed=1, rate=100.0, length=13.0, nitrous=True):
    """A log of one pull, every quantity in the kernel's units: cruise, full throttle, lift."""
    r = np.random.default_rng(seed)
    t = np.arange(int(length * rate)) / rate
    wide, cruise = (t > 2) & (t < 9.5), t <= 2
    rpm = np.select([cruise, wide], [2200 + 20 * np.sin(3 * t), 2300 + (t - 2) * 520], 6200 - (t - 9.5) * 700)
    lam = np.select([cruise, wide], [1 + 0.012 * np.sign(np.sin(9 * t)), 0.872 + 0.01 * np.sin(t)], 1.52)
    on = wide & (t > 3.5) & (t < 9.2) & nitrous
    sprayed = np.cumsum(on) / rate
    ms = np.select([cruise, wide], [3.1, 13.0 + on * 1.5], 0.0)
    return {
        "time_s": t,
        "rpm": rpm + r.normal(0, 6, t.size),
        "throttle_percent": np.select([cruise, wide], [18.0, 99.6], 0.4),
        "lambda_": lam + r.normal(0, 0.004, t.size) * (cruise | wide),
        "lambda_target": np.where(wide, 0.864, 1.0),
        "timing_deg_btdc": np.select([cruise, wide], [34.0, 26.0 - on * 4], 12.0),
        "nitrous_duty_percent": np.where(on, np.clip(30 + 15 * (t - 3.5), 0, 100), 0.0),
        "nitrous_on": on.astype(float),
        "bottle_kpa": 6300 - 90 * sprayed + r.normal(0, 8, t.size),
        "bottle_c": 29 - 0.3 * sprayed,
        "fuel_kpa": 298 + r.normal(0, 2, t.size) - on * 3,
        "injector_duty_percent": ms * rpm / 1200,
        "injector_ms": ms,
        "intake_c": 31 + 2 * np.sin(t / 5),
        "coolant_c": 88 + 0.1 * t,
        "knock": 0.4 + rpm / 9000 + r.normal(0, 0.05, t.size),
        "manifold_kpa": np.select([cruise, wide], [42.0, 97.5], 28.0) + r.normal(0, 0.3, t.size),
        "trim_percent": np.where(cruise, 2.5 * np.sin(9 * t), 0.0),
        "battery_v": 13.9 + r.normal(0, 0.05, t.size),
        "gear": np.full(t.size, 3.0),
        "speed_km_h": rpm / 50,
    }


TRUTH = drive()
WAYS = {  # from the kernel's unit to that of a log, written here by hand and not by the code that is tested
    "ms": lambda x: x * 1000,
    "us": lambda x: x * 1e6,
    "min": lambda x: x / 60,
    "fraction": lambda x: x / 100,
    "AFR": lambda x: x * 14.7,
    "phi": lambda x: 1 / x,
    "psi": lambda x: x / 6.894757,
    "bar": lambda x: x / 100,
    "mbar": lambda x: x * 10,
    "°F": lambda x: x * 9 / 5 + 32,
    "K": lambda x: x + 273.15,
    "kPa vacuum": lambda x: x - BARO,
    "inHg vacuum": lambda x: (BARO - x) / 3.386389,
    "psi over": lambda x: (x - BARO) / 6.894757,
    "mph": lambda x: x / 1.609344,
    "around 100": lambda x: x + 100,
}


def made(columns, extra=(), truth=TRUTH):
    """Return a log of (key, name, unit, way) in the order given, and foreign columns (name, unit, values) behind."""
    names = [c[1] for c in columns] + [e[0] for e in extra]
    units = [c[2] for c in columns] + [e[1] for e in extra]
    values = [WAYS[c[3]](truth[c[0]]) if c[3] else truth[c[0]] for c in columns] + [e[2] for e in extra]
    return RawLog("made", tuple(names), tuple(units), values, "csv", [])


T = TRUTH["time_s"]
OIL = ("Oil Press", "psi", 55 + 5 * np.sin(T))
EXHAUST = ("EGT 1", "°C", 700 + 20 * T)
INDEX = ("Sample", "", np.arange(T.size) * 1.0)

STYLES = {
    "short English": (
        "time_s Time s -|rpm RPM rpm -|throttle_percent TPS % -|lambda_ Lambda - -|timing_deg_btdc Timing deg -|manifold_kpa MAP kPa -|"
        "intake_c IAT C -|coolant_c CLT C -|battery_v Batt V -|knock Knock mV -",
        (OIL, EXHAUST),
    ),
    "long English": (
        "time_s Elapsed_Time ms ms|rpm Engine_Speed rpm -|throttle_percent Throttle_Position % -|lambda_ Air_Fuel_Ratio - AFR|"
        "timing_deg_btdc Ignition_Timing °BTDC -|fuel_kpa Fuel_Pressure psi psi|bottle_kpa Bottle_Pressure psi psi|"
        "injector_duty_percent Injector_Duty_Cycle % -|injector_ms Injector_Pulse_Width ms -|intake_c Intake_Air_Temp °F °F|"
        "coolant_c Coolant_Temp °F °F|nitrous_duty_percent Nitrous_Solenoid_Duty % -",
        (OIL, INDEX),
    ),
    "German": (
        "time_s Zeit s -|rpm Motordrehzahl 1/min -|throttle_percent Drosselklappe % -|lambda_ Lambda - -|lambda_target Lambda_Soll - -|"
        "timing_deg_btdc Zündwinkel °KW -|bottle_kpa Flaschendruck bar bar|fuel_kpa Kraftstoffdruck bar bar|"
        "injector_ms Einspritzzeit ms -|intake_c Ansauglufttemperatur °C -|coolant_c Kühlmitteltemperatur °C -|"
        "manifold_kpa Saugrohrdruck mbar mbar|nitrous_duty_percent Lachgas_Tastverhältnis % -|knock Klopfsensor V -|battery_v Bordspannung V -",
        (("Öldruck", "bar", 4 + 0.1 * np.sin(T)), ("Öltemperatur", "°C", 95 + 0.1 * T)),
    ),
    "French": (
        "time_s Temps s -|rpm Régime_moteur tr/min -|throttle_percent Papillon % -|lambda_ Richesse - phi|timing_deg_btdc Avance ° -|"
        "bottle_kpa Pression_bouteille bar bar|fuel_kpa Pression_essence bar bar|injector_ms Temps_injection ms -|"
        "intake_c Température_air °C -|coolant_c Température_eau °C -|knock Cliquetis - -|gear Rapport - -|speed_km_h Vitesse km/h -",
        (("Pression huile", "bar", 4 + 0.1 * np.sin(T)),),
    ),
    "Spanish": (
        "time_s Tiempo s -|rpm Revoluciones rpm -|throttle_percent Mariposa % -|lambda_ Lambda - -|timing_deg_btdc Encendido ° -|"
        "bottle_kpa Presión_botella bar bar|fuel_kpa Presión_combustible bar bar|intake_c Temperatura_aire °C -|"
        "coolant_c Temperatura_refrigerante °C -|battery_v Tensión_batería V -|gear Marcha - -",
        (("Presión aceite", "bar", 4 + 0.1 * np.sin(T)),),
    ),
    "no units": (
        "time_s time - -|rpm rpm - -|throttle_percent throttle - -|lambda_ lambda - -|bottle_kpa bottle_pressure - psi|"
        "fuel_kpa fuel_pressure - psi|intake_c air_temp - °F|coolant_c water_temp - °F|manifold_kpa manifold_pressure - -",
        (INDEX,),
    ),
    "no units, bar and fractions": (
        "time_s t - ms|rpm engine_rpm - -|throttle_percent tps - fraction|lambda_ afr - AFR|bottle_kpa btl_press - bar|"
        "fuel_kpa fuel_press - bar|coolant_c ect - K|intake_c iat - K|injector_duty_percent inj_duty - fraction",
        (),
    ),
    "units in names": (
        "time_s Time(s) - -|rpm RPM[1/min] - -|throttle_percent Throttle[%] - -|lambda_ AFR(14.7) - AFR|bottle_kpa Bottle[psi] - psi|"
        "fuel_kpa Fuel[psi] - psi|coolant_c Coolant_F - °F|manifold_kpa MAP_kPa - -|nitrous_on Nitrous_On - -",
        (),
    ),
    "camel": (
        "time_s LogTime s -|rpm EngineSpeed rpm -|throttle_percent ThrottlePos % -|lambda_ LambdaMeasured - -|"
        "lambda_target LambdaTarget - -|timing_deg_btdc SparkAdvance deg -|injector_duty_percent InjDuty % -|injector_ms InjOpenTime ms -|"
        "nitrous_duty_percent NitrousDuty % -|nitrous_on NitrousActive - -|bottle_kpa BottlePressure kPa -|bottle_c BottleTemp °C -|"
        "trim_percent LambdaCorrection % -",
        (),
    ),
    "vacuum below the barometer": (
        "time_s Time s -|rpm RPM - -|throttle_percent Throttle % -|lambda_ Wideband - -|manifold_kpa Vacuum inHg inHg_vacuum",
        (),
    ),
    "boost over the barometer": (
        "time_s Time s -|rpm RPM - -|throttle_percent Throttle % -|lambda_ Wideband - -|manifold_kpa Boost psi psi_over",
        (),
    ),
    "trim around 100, phi, microseconds": (
        "time_s Timestamp us us|rpm Revs - -|throttle_percent Throttle % -|lambda_ Equivalence_ratio - phi|trim_percent Fuel_trim % around_100",
        (INDEX,),
    ),
    "abbreviated": (
        "time_s t s -|rpm Drehz. 1/min -|throttle_percent dk % -|lambda_ lambda - -|fuel_kpa p_fuel bar bar|intake_c T_air °C -|"
        "coolant_c T_coolant °C -|battery_v ubat V -|injector_ms ti_inj ms -",
        (),
    ),
    "minutes and a foreign lot": (
        "time_s Time min min|rpm Engine_RPM rpm -|throttle_percent Throttle % -|lambda_ Lambda_1 - -|speed_km_h Vehicle_Speed mph mph|gear Gear - -",
        (
            OIL,
            EXHAUST,
            INDEX,
            ("Knock Retard", "deg", 0 * T),
            ("Lambda Error", "", 0.01 * np.sin(T)),
            ("Wheel Speed FL", "km/h", 90 + T),
        ),
    ),
}


def style(name):
    """Return the log of a style and its right answers: key -> name of the column."""
    text, extra = STYLES[name]
    rows = [row.rsplit(" ", 2) for row in text.split("|")]
    columns = []
    for head, unit, way in rows:
        key, label = head.split(" ", 1)
        label = label if label in ("Coolant_F", "MAP_kPa", "Air_Fuel_Ratio") else label.replace("_", " ")
        columns.append((key, label, unit.strip("-"), way.replace("_", " ").strip("-")))
    return made(columns, extra), {c[0]: c[1] for c in columns}


# Right answers.


@pytest.mark.parametrize("name", STYLES)
def test_every_column_finds_its_quantity_and_no_other(name):
    raw, right = style(name)
    mapping = propose(raw, WREN)
    found = {key: m.name for key, m in mapping.matches.items() if m.used}
    assert found == right
    assert mapping.questions == ()
    for match in mapping.matches.values():
        assert match.column is None or (match.evidence and raw.names[match.column] == match.name)


@pytest.mark.parametrize("name", STYLES)
def test_same_log_whatever_the_way_of_writing(name):
    raw, right = style(name)
    log = apply(raw, propose(raw, WREN), WREN)
    for key in set(right) - {"time_s"}:
        size = max(1.0, float(np.abs(TRUTH[key]).max()))
        assert np.allclose(log.data[key], TRUTH[key], rtol=0, atol=2e-6 * size), key
    assert np.allclose(log.time_s, T, atol=1e-9)


@settings(max_examples=20, deadline=None, derandomize=True)
@given(st.permutations(range(14)))
def test_order_of_columns_does_not_matter(order):
    raw, right = style("long English")
    order = [i for i in order if i < len(raw.names)]
    other = RawLog(
        "x",
        *(tuple(row[i] for i in order) for row in (raw.names, raw.units)),
        [raw.columns[i] for i in order],
        "csv",
        [],
    )
    assert {k: m.name for k, m in propose(other, WREN).matches.items() if m.used} == right


def test_half_of_nothing_but_zero_is_still_the_nitrous_column():
    base = drive(nitrous=False)
    raw = made(
        [(k, k.replace("_", " "), "", "") for k in ("time_s", "rpm", "lambda_")]
        + [("nitrous_duty_percent", "Nitrous Duty", "%", "")],
        truth=base,
    )
    match = propose(raw, WREN)["nitrous_duty_percent"]
    assert match.used
    assert any("no nitrous" in said for said in match.evidence)


def test_evidence_can_be_checked():
    raw, _ = style("long English")
    mapping = propose(raw, WREN)
    said = {key: " ".join(m.evidence) for key, m in mapping.matches.items()}
    assert "'Fuel Pressure'" in said["fuel_kpa"]
    assert "psi" in said["fuel_kpa"]
    assert "open time times engine speed gives the injector duty" in said["injector_ms"]
    assert "0 wherever the throttle is shut" in said["nitrous_duty_percent"]
    assert "settles near 14.7" in said["lambda_"]


# What is open is asked.


BASIC = [("time_s", "Time", "s", ""), ("rpm", "RPM", "", ""), ("throttle_percent", "Throttle", "%", "")]


def on_scale(scale, name="A/F", truth=TRUTH, basic=BASIC):
    raw = made(basic, truth=truth)
    return RawLog("x", (*raw.names, name), (*raw.units, ""), [*raw.columns, truth["lambda_"] * scale], "csv", [])


@pytest.mark.parametrize(("scale", "candidate"), [(14.1, "14.1"), (9.8, "9.8"), (9.0, "9"), (6.4, "6.4")])
def test_scale_other_than_the_sheets_is_asked_and_never_assumed(scale, candidate):
    raw = on_scale(scale)
    mapping = propose(raw, WREN)
    assert mapping["lambda_"].scale is None
    assert mapping.asked == ("lambda_",)
    assert f"lambda 1 on the {candidate} scale" in mapping.questions[0]
    with pytest.raises(InputError, match="A/F"):
        apply(raw, mapping, WREN)
    answered = mapping.with_match("lambda_", "A/F", "AFR", scale, raw=raw)
    assert answered.questions == ()
    assert np.allclose(apply(raw, answered, WREN).data["lambda_"], TRUTH["lambda_"])


def test_target_follows_the_scale_that_is_answered():
    raw = on_scale(9.8, basic=[*BASIC, ("lambda_target", "A/F target", "", "")])
    raw.columns[3] = TRUTH["lambda_target"] * 9.8
    mapping = propose(raw, WREN)
    assert mapping.asked == ("lambda_",)
    assert not mapping["lambda_target"].used
    target = mapping.with_match("lambda_", "A/F", "AFR", 9.8)["lambda_target"]
    assert target.used
    assert target.scale == 9.8


def test_scale_of_the_sheet_is_taken_where_cruise_settles_on_it_and_said():
    match = propose(on_scale(14.7), WREN)["lambda_"]
    assert match.scale == 14.7
    assert match.used
    assert "scale of the sheet" in " ".join(match.evidence)


def test_assumed_scale_without_cruise_is_asked():
    wide = {key: column[(T > 2.2) & (T < 9)] for key, column in TRUTH.items()}
    silent = WREN.replace({"controller.gauge_scale": None})
    (question,) = propose(on_scale(14.7, truth=wide), silent).questions
    assert "says no scale: is it AFR on a 14.7 scale" in question
    assert propose(on_scale(14.7, truth=wide), WREN)["lambda_"].scale == 14.7


def test_scale_in_the_head_goes_before_the_sheets():
    assert propose(on_scale(9.8, "AFR (9.8)"), WREN)["lambda_"].scale == 9.8
    assert propose(on_scale(14.1, "AFR 14.1"), WREN)["lambda_"].used


def test_called_afr_but_written_in_lambda_is_taken_as_lambda():
    assert propose(on_scale(1.0, "AFR"), WREN)["lambda_"].unit == "lambda"


def test_columns_without_names_are_asked_not_guessed():
    keys = ("time_s", "rpm", "lambda_", "throttle_percent")
    raw = made([(key, f"column {i}", "", "") for i, key in enumerate(keys)])
    mapping = propose(raw, WREN)
    assert [mapping[key].column for key in keys] == [0, 1, 2, 3]
    assert not mapping["rpm"].used
    assert "column 1" in " ".join(mapping.questions)
    with pytest.raises(InputError, match="engine speed"):
        apply(raw, mapping, WREN)


def test_two_columns_that_could_both_be_it_are_asked():
    raw = made([*BASIC, ("lambda_", "Lambda", "", "")], [("Engine Speed", "rpm", TRUTH["rpm"] * 0.9 + 300)])
    mapping = propose(raw, WREN)
    (question,) = mapping.questions
    assert "'RPM'" in question
    assert "'Engine Speed'" in question


def test_two_columns_that_say_the_same_are_not_asked_about():
    again = [("Engine Speed", "rpm", TRUTH["rpm"] + 3), ("Time of day", "s", T + 43_200)]
    mapping = propose(made([*BASIC, ("lambda_", "Lambda", "", "")], again), WREN)
    assert mapping.questions == ()
    assert "says the same" in " ".join(mapping["rpm"].evidence)


def test_road_speed_without_unit_is_asked():
    raw = made([*BASIC, ("lambda_", "Lambda", "", ""), ("speed_km_h", "Vehicle Speed", "", "")])
    (question,) = propose(raw, WREN).questions
    assert "km/h" in question
    assert "mph" in question
    log = apply(raw, propose(raw, WREN), WREN)
    assert "speed_km_h" not in log.data
    assert any("left out until it is confirmed" in note for note in log.notes)


def test_steps_of_255_are_asked():
    raw = made(
        [("time_s", "Time", "s", ""), ("rpm", "RPM", "", ""), ("lambda_", "Lambda", "", "")],
        [("Throttle", "", TRUTH["throttle_percent"] * 2.55)],
    )
    (question,) = propose(raw, WREN).questions
    assert "255" in question


def test_two_sensors_and_one_sensor_on_two_scales():
    other = TRUTH["lambda_"] * (1.03 + 0.02 * np.sin(T))
    raw = made([*BASIC, ("lambda_", "Lambda left", "", "")], [("Lambda right", "", other)])
    mapping = propose(raw, WREN)
    assert (mapping["lambda_"].name, mapping["lambda_2"].name) == ("Lambda left", "Lambda right")
    assert not mapping.questions
    same = made([*BASIC, ("lambda_", "AFR", "", "AFR"), ("lambda_", "Lambda", "", "")])
    mapping = propose(same, WREN)
    assert mapping["lambda_"].name == "Lambda"
    assert mapping["lambda_2"].name == ""
    assert "another scale" in " ".join(mapping["lambda_"].evidence)


# Refusals.


def test_what_is_missing_is_named_with_what_comes_nearest():
    raw = made([("time_s", "Time", "s", ""), ("lambda_", "Lambda", "", "")], [OIL])
    mapping = propose(raw, WREN)
    with pytest.raises(InputError) as caught:
        apply(raw, mapping, WREN)
    assert caught.value.field == "column for engine speed"
    assert "No column was found for engine speed" in str(caught.value)


def test_throttle_in_volts_is_named_and_not_read():
    raw = made(
        [("time_s", "Time", "s", ""), ("rpm", "RPM", "", ""), ("lambda_", "Lambda", "", "")],
        [("TPS", "V", 0.5 + 0.04 * TRUTH["throttle_percent"])],
    )
    match = propose(raw, WREN)["throttle_percent"]
    assert match.name == ""
    assert "'TPS' is called so, but in V it cannot be read" in match.doubt


DEMOS = sorted((data_dir() / "logs").glob("*.csv"))


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.stem)
def test_demo_logs_leave_no_question(path):
    raw = read_log(path)
    mapping = propose(raw, WREN)
    assert mapping.questions == ()
    used = {m.name for m in mapping.matches.values() if m.used}
    assert used == set(raw.names)
    assert apply(raw, mapping, WREN).has("rpm", "lambda_", "throttle_percent", "nitrous_duty_percent")


def test_two_hundred_strangers():
    r = np.random.default_rng(3)
    names = tuple(f"{a} {b}" for a, b in itertools.product(("width", "torsion", "yaw", "tilt"), range(50)))
    raw = RawLog("x", names, ("",) * 200, [r.normal(1e6, 3e5, 400) for _ in names], "csv", [])
    mapping = propose(raw, WREN)
    assert not any(m.used for m in mapping.matches.values())
    with pytest.raises(InputError) as caught:
        apply(raw, mapping, WREN)
    assert "200 columns of which none fits" in str(caught.value)
    assert "time, engine speed and lambda" in str(caught.value)


def test_by_hand_only_what_exists():
    raw, _ = style("short English")
    mapping = propose(raw, WREN)
    for key, column, unit, scale, field in (
        ("torque", 1, "", None, "mapping.key"),
        ("rpm", 99, "", None, "mapping.rpm.column"),
        ("rpm", "Rpms", "", None, "mapping.rpm.column"),
        ("rpm", 1, "psi", None, "mapping.rpm.unit"),
        ("lambda_", 3, "AFR", None, "mapping.lambda_.scale"),
        ("lambda_", 3, "AFR", 147.0, "mapping.lambda_.scale"),
        ("lambda_", True, "lambda", None, "mapping.lambda_.column"),
    ):
        with pytest.raises(InputError) as caught:
            mapping.with_match(key, column, unit, scale, raw=raw)
        assert caught.value.field == field
    moved = mapping.with_match("manifold_kpa", "Batt", "kPa absolute", raw=raw)
    assert moved["manifold_kpa"].column == raw.names.index("Batt")
    assert moved["battery_v"].name == ""
    assert mapping["battery_v"].name == "Batt"
    assert not mapping.with_match("knock", None)["knock"].used


# Last time, and the way there and back.


def test_as_last_time():
    raw, right = style("long English")
    first = propose(raw, WREN)
    again = propose(raw, WREN, Mapping.from_text(first.to_text()))
    assert {k: m.name for k, m in again.matches.items() if m.used} == right
    assert all("As last time" in m.evidence[0] for k, m in again.matches.items() if m.used)
    odd = RawLog("x", tuple("Zz" if n == "Engine Speed" else n for n in raw.names), raw.units, raw.columns, "csv", [])
    by_hand = Mapping.from_text(first.with_match("rpm", "Zz", "rpm").to_text())
    assert propose(odd, WREN, by_hand)["rpm"].used


def test_last_times_column_that_no_longer_fits_is_asked_about():
    raw, _ = style("long English")
    known = Mapping.from_toml(propose(raw, WREN).to_toml())
    columns = list(raw.columns)
    columns[raw.names.index("Fuel Pressure")] = TRUTH["lambda_"]
    changed = replace(raw, columns=columns)
    mapping = propose(changed, WREN, known)
    assert not mapping["fuel_kpa"].used
    assert any("Last time it was 'Fuel Pressure' in psi gauge" in q for q in mapping.questions)
    gone = RawLog("x", raw.names[:-1], raw.units[:-1], raw.columns[:-1], "csv", [])
    assert propose(gone, WREN, known)["rpm"].used


def test_left_out_stays_left_out():
    raw, _ = style("short English")
    known = Mapping.from_text(propose(raw, WREN).with_match("knock", None).to_text())
    assert propose(raw, WREN, known)["knock"].name == ""
    assert "knock" not in apply(raw, propose(raw, WREN, known), WREN).data


@st.composite
def mappings(draw):
    keys = draw(st.lists(st.sampled_from(sorted(CHANNELS)), unique=True, max_size=20))
    names = draw(st.lists(st.text(min_size=1, max_size=40), unique=True, min_size=len(keys), max_size=len(keys)))
    out = Mapping({})
    for key, name in zip(keys, names, strict=True):
        unit = draw(st.sampled_from(UNITS_FOR[key]))
        scale = draw(st.floats(6, 16)) if unit == "AFR" else None
        out = out.with_match(key, name if draw(st.integers(0, 9)) else None, unit, scale)
    return out


def kept(mapping):
    return {k: (m.name, m.unit, m.scale) for k, m in mapping.matches.items()}


@settings(max_examples=80, deadline=None, derandomize=True)
@given(mappings())
def test_there_and_back(mapping):
    assert kept(Mapping.from_toml(mapping.to_toml())) == kept(mapping)
    assert kept(Mapping.from_text(mapping.to_text())) == kept(mapping)
    assert set(mapping.to_text()) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_.")


def test_address_is_short():
    mapping = Mapping({})
    for i, key in enumerate(list(CHANNELS)[:20]):
        mapping = mapping.with_match(key, f"Measured {CHANNELS[key].label[:18]} {i}", "", None)
    assert len(mapping.to_text()) < 1500


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.one_of(st.text(max_size=200), st.text(alphabet="AB1.-_eJ", max_size=80).map(lambda s: "1." + s)))
def test_hostile_text_is_refused_with_a_sentence(text):
    for read in (Mapping.from_text, Mapping.from_toml):
        with pytest.raises(InputError):
            read(text)


def test_damaged_and_foreign_pieces():
    text = propose(style("short English")[0], WREN).to_text()
    for bad in (text[:-6], text[2:], "2." + text[2:], text + "A" * 5000, 7, None):
        with pytest.raises(InputError):
            Mapping.from_text(bad)
    for bad in (
        'log_mapping = 1\n[torque]\ncolumn = "a"',
        'log_mapping = 1\n[rpm]\ncolumn = "a"\nunit = "psi"',
        "log_mapping = 1\n[rpm]\ncolumn = 3",
        'log_mapping = 1\nrpm = "a"',
        'log_mapping = 1\n[rpm]\ncolumn = "a"\nunit = "rpm"\nfactor = 2',
        'log_mapping = 1\n[lambda_]\ncolumn = "a"\nunit = "AFR"',
        'log_mapping = 1\n[lambda_]\ncolumn = "a"\nunit = "AFR"\nscale = "14.7"',
        'log_mapping = 1\n[rpm]\ncolumn = "a"\nunit = "rpm"\n[gear]\ncolumn = "a"\nunit = "gear"',
        "log_mapping = true",
        "log_mapping = 2",
    ):
        with pytest.raises(InputError):
            Mapping.from_toml(bad)


# Units.


@pytest.mark.parametrize(
    ("key", "unit", "shown", "meant"),
    [
        ("bottle_kpa", "psi gauge", 900.0, 6205.28),
        ("bottle_kpa", "bar absolute", 61.0, 6100 - 99.6),
        ("manifold_kpa", "inHg vacuum", 10.0, 99.6 - 33.86389),
        ("manifold_kpa", "psi gauge", -1.0, 99.6 - 6.894757),
        ("manifold_kpa", "mbar absolute", 980.0, 98.0),
        ("intake_c", "°F", 86.0, 30.0),
        ("intake_c", "K", 303.15, 30.0),
        ("time_s", "min", 2.0, 120.0),
        ("speed_km_h", "mph", 100.0, 160.9344),
        ("throttle_percent", "0 to 255", 255.0, 100.0),
        ("trim_percent", "factor around 1", 1.04, 4.0),
        ("nitrous_on", "0 = on", 0.0, 1.0),
        ("timing_deg_btdc", "deg after TDC", -22.0, 22.0),
        ("rpm", "1/s", 100.0, 6000.0),
    ],
)
def test_units_by_hand(key, unit, shown, meant):
    assert convert(key, unit, np.array([shown]), scale=None, barometer_kpa=99.6)[0] == pytest.approx(meant, rel=1e-6)


def test_first_unit_is_the_kernels_own():
    for key, units in UNITS_FOR.items():
        if key != "nitrous_on":
            assert convert(key, units[0], np.array([0.7]), scale=None, barometer_kpa=95.0)[0] == 0.7
    assert set(UNITS_FOR) == set(CHANNELS)


def test_other_car_other_size():
    """The eight's rail is at 400 kPa: 58 psi fits it, and its E85 is seen on the scale of its gauge."""
    truth = drive(2) | {"fuel_kpa": 398 + 0 * T}
    raw = made([*BASIC, ("lambda_", "AFR", "", "AFR"), ("fuel_kpa", "Fuel Pressure", "", "psi")], truth=truth)
    mapping = propose(raw, BADGER)
    assert mapping["fuel_kpa"].unit == "psi gauge"
    assert mapping["lambda_"].scale == 14.7


def test_match_below_the_threshold_is_not_used():
    assert not Match("rpm", 1, "RPM", "rpm", sure=SURE_ENOUGH - 0.01).used
    assert Match("rpm", 1, "RPM", "rpm", sure=SURE_ENOUGH).used


# Whatever is in it.

WORDS = (
    "Lambda",
    "AFR",
    "RPM",
    "Time",
    "Throttle",
    "MAP",
    "Nitrous",
    "Duty",
    "Bottle",
    "Fuel",
    "Press",
    "Temp",
    "Knock",
    "column 3",
    "=1+1",
    "",
)
VALUES = {
    "nothing": lambda n, _: np.full(n, np.nan),
    "noughts": lambda n, _: np.zeros(n),
    "huge": lambda n, r: r.normal(0, 1, n) * 1e306,
    "infinite": lambda n, r: np.where(r.random(n) < 0.5, np.inf, 1.0),
    "rising": lambda n, _: np.arange(n) * 0.01,
    "falling": lambda n, _: -np.arange(n) * 0.01,
    "noise": lambda n, r: r.normal(1, 1, n),
    "sparse": lambda n, r: np.where(r.random(n) < 0.02, 1.0, np.nan),
    "speeds": lambda n, r: r.uniform(900, 6500, n),
}


@settings(max_examples=120, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(WORDS),
            st.sampled_from(WORDS),
            st.sampled_from(["", "psi", "°C", "%", "s", "V", "?"]),
            st.sampled_from(sorted(VALUES)),
        ),
        min_size=1,
        max_size=9,
    ),
    st.sampled_from([20, 300]),
    st.integers(0, 1000),
)
def test_whatever_is_in_it_gives_a_log_or_a_sentence(columns, rows, seed):
    r = np.random.default_rng(seed)
    names = tuple(f"{a} {b}".strip() + f" {i}" * (i % 2) for i, (a, b, _, _) in enumerate(columns))
    raw = RawLog("x", names, tuple(c[2] for c in columns), [VALUES[c[3]](rows, r) for c in columns], "csv", [])
    mapping = propose(raw, WREN)
    taken = [m.column for m in mapping.matches.values() if m.column is not None]
    assert len(taken) == len(set(taken))
    assert all(m.doubt for m in mapping.matches.values() if not m.settled)
    try:
        log = apply(raw, mapping, WREN)
    except InputError as error:
        log, sentence = None, str(error)
    if log is None:
        assert sentence.count("\n") == 0
    else:
        assert all(len(v) == len(log.time_s) and not np.isinf(v).any() for v in log.data.values())
