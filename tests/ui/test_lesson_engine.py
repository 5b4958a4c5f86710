"""Steps 6 to 10 of the lesson: every word filled, every prediction judged truly, every picture drawn, for any car and unit."""

import ast
import functools
import re
from pathlib import Path

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.teach import fuel as tf
from workbooks.ui import display
from workbooks.ui.lesson import engine_numbers as en
from workbooks.ui.lesson.pictures_engine import RetardPicture
from workbooks.ui.lesson.step import CLOSE, OFF, RIGHT, Choice, LessonCar, Number, Sketch, bare_numbers, fill
from workbooks.ui.lesson.steps_engine import STEPS
from workbooks.ui.lesson.steps_fuel import AIR_NEAR, FUEL_NEAR, air_left, near
from workbooks.ui.lesson.steps_retard import HIT_DEG, OVER_DEG, SHORT_DEG, UNDER_DEG

EVAPORATION, FUEL, BURN, RETARD, OCTANE = STEPS
_NOZZLE = (
    "nozzle_diameter_mm",
    "discharge_coefficient",
    "discharge_error",
    "discharge_temperature_c",
    "discharge_bore_mm",
)
CARS = ("wren_five", "badger_eight", "no nozzle", "small shot")
LESSON = Path(en.__file__).parent
STEP_IDS = [step.key for step in STEPS]


def sheet_of(name):
    if name == "no nozzle":
        return BuildSheet.demo("wren_five").replace({f"nitrous.{key}": None for key in _NOZZLE})
    if name == "small shot":
        none = {f"nitrous.{key}": None for key in _NOZZLE}
        other = {"nitrous.shot_hp": 15, "controller.metering": "mass-air", "engine.timing_is": "held back by knock"}
        return BuildSheet.demo("wren_five").replace(none | other)
    return BuildSheet.demo(name)


@functools.cache
def warmed(name):
    car = LessonCar(sheet_of(name), display.US)
    for step in STEPS:
        step.warm(car)
    return car


@pytest.fixture(scope="module", params=CARS)
def car(request):
    return warmed(request.param)


def answers(step, car):
    """Every option, a grid of numbers, or sketches of every shape."""
    ask = step.ask(car)
    if isinstance(ask, Choice):
        return list(range(len(ask.options)))
    low, high, grain = ask.span
    if isinstance(ask, Number):
        return [float(v) for v in np.arange(low, high + 1e-9, 3 * grain)]
    ramp, n = np.arange(len(ask.places), dtype=float), len(ask.places)
    r = en.retard_of(car)
    top = np.maximum(r.edge[-1], r.rule[-1])
    drawn = [np.full(n, v) for v in (low, 0.0, 3.0, 10.0, 20.0, high)]
    drawn += [2 + 2 * ramp, 20 - 2 * ramp, np.where(ramp % 2, 5.0, 15.0), r.likely[-1], top, top + 4, top + 8, top - 2]
    return [tuple(np.clip(v, low, high)) for v in drawn]


def whole(text):
    """No hole, no raw number, nothing unfilled."""
    assert text.strip()
    assert not re.search(r"\b(nan|inf|None)\b|[{}]|–|\d\.\d{4,}", text), text
    return text


@pytest.mark.parametrize("step", STEPS, ids=STEP_IDS)
def test_templates_hold_no_number(step, car):
    knob, ask = step.knob(car), step.ask(car)
    templates = [step.title, step.question, *step.scene, *step.why, step.finding(car), knob.hint]
    templates += list(ask.options) if isinstance(ask, Choice) else []
    for template in templates:
        assert bare_numbers(template) == [], template


@pytest.mark.parametrize("system", display.SYSTEMS)
@pytest.mark.parametrize("step", STEPS, ids=STEP_IDS)
def test_words_are_filled_in_both_unit_systems(step, system, car):
    there = car.in_units(system)
    facts = step.facts(there)
    for template in (step.question, *step.scene, *step.why, step.finding(there), step.knob(there).hint):
        whole(fill(template, facts))
    for paragraph in step.why:
        assert 55 <= len(fill(paragraph, facts).split()) <= 112, paragraph
    assert 2 <= len(step.why) <= 3
    every = " ".join(fill(t, facts) for t in (*step.scene, *step.why, step.finding(there)))
    foreign = (" °C", " bar", " kg") if system == display.US else (" °F", " psi", " lb")
    assert not any(re.search(rf"\d{unit}\b", every) for unit in foreign)


@pytest.mark.parametrize("step", STEPS, ids=STEP_IDS)
def test_every_prediction_is_judged_and_told(step, car):
    facts, seen = step.facts(car), {}
    for answer in answers(step, car):
        kind, template = step.verdict(car, answer)
        assert kind in (RIGHT, CLOSE, OFF)
        whole(step.told(car, answer))
        seen.setdefault(whole(fill(template, facts)), set()).add(kind)
    assert all(len(kinds) == 1 for kinds in seen.values())  # one text, one judgement
    assert len({re.sub(r"[\d.]+", "#", text) for text in seen}) >= 4  # in words, not only in figures
    assert set().union(*seen.values()) >= {RIGHT, OFF}


@pytest.mark.parametrize("step", STEPS, ids=STEP_IDS)
def test_where_the_slider_stands_is_not_the_answer(step, car):
    ask = step.ask(car)
    if isinstance(ask, Number):
        assert ask.span[0] <= ask.start <= ask.span[1]
        assert step.verdict(car, ask.start)[0] == OFF
        for end in ask.span[:2]:
            assert step.verdict(car, end)[0] == OFF
    if isinstance(ask, Sketch):
        assert step.verdict(car, (ask.start,) * len(ask.places))[0] == OFF
        assert 4 <= len(ask.places) <= 7


@pytest.mark.parametrize("step", STEPS, ids=STEP_IDS)
def test_knob_moves_the_picture_and_a_sentence_follows(step, car):
    knob, picture = step.knob(car), step.picture()
    low, high, grain = knob.span
    assert low <= knob.start <= high
    assert abs((knob.start - low) / grain - round((knob.start - low) / grain)) < 1e-6  # on a step
    drawn, told = [], set()
    values = [float(v) for v in np.linspace(low, high, 1 + min(4, round((high - low) / grain)))]
    values = [low + grain * round((v - low) / grain) for v in values]
    picture.reveal(car, knob.start)
    picture.guess(car, answers(step, car)[-1])
    for value in values:
        title, subtitle = picture.reveal(car, value)
        assert not re.search(r"\b(nan|inf|None)\b|[{}]", title + subtitle)
        told.add(whole(step.tried(car, value)))
        arrays = [
            np.array(t.y, float) for t in picture.figure.data if t.y is not None and getattr(t, "mode", "") != "text"
        ]
        assert all(np.isfinite(y).any() for y in arrays)
        drawn.append(
            np.concatenate(
                [
                    np.array(
                        [v for t in picture.figure.data for v in (t.x if t.type == "bar" else t.y) if v is not None],
                        float,
                    )
                ]
            )
        )
    assert len(told) == len(values)
    assert any(d.shape != drawn[0].shape or not np.allclose(d, drawn[0], equal_nan=True) for d in drawn[1:])


@pytest.mark.parametrize("step", STEPS, ids=STEP_IDS)
def test_prediction_is_drawn_where_it_was_made(step, car):
    picture = step.picture()
    picture.reveal(car, step.knob(car).start)
    before = [None if t.y is None else np.array(t.y) for t in picture.figure.data]
    answer = answers(step, car)[-1]
    picture.guess(car, answer)
    changed = [
        k
        for k, t in enumerate(picture.figure.data)
        if (before[k] is None) != (t.y is None) or (t.y is not None and not np.array_equal(before[k], t.y))
    ]
    assert changed or picture.figure.data[3].text
    if step in (EVAPORATION, FUEL):
        assert any(np.allclose(np.array(picture.figure.data[k].y, float), answer) for k in changed)
    if step is RETARD:
        assert any(
            np.shape(picture.figure.data[k].y) == np.shape(answer) and np.allclose(picture.figure.data[k].y, answer)
            for k in changed
        )


# each verdict against the numbers it is about


def lambda_told(text):
    """The lambda at which a verdict says that the charge burns."""
    return float(re.search(r"(?:burns at|in the likely case, at) lambda (\d\.\d\d)", text)[1])


def test_no_verdict_has_a_number_typed():
    """Verdicts may come filled; the words in the code hold no digit."""
    for name in ("steps_fuel", "steps_burn", "steps_retard", "steps_octane", "engine_numbers"):
        tree = ast.parse((LESSON / f"{name}.py").read_text())
        functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
        for node in (inner for function in functions for inner in ast.walk(function)):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value:
                assert bare_numbers(re.sub(r"\{\w+", "{", node.value)) == [], node.value


def test_air_is_right_about_the_figure_that_is_shown_and_alone(car):
    low, best, high = air_left(car)
    told = EVAPORATION.facts(car)
    assert [told[f"air_{k}"] for k in ("low", "best", "high")] == [f"{v:.0f} %" for v in (low, best, high)]
    for said in np.arange(20.0, 160.1, 1.0):
        kind = EVAPORATION.verdict(car, float(said))[0]
        if abs(said - best) <= near(low, high, AIR_NEAR):
            assert kind == RIGHT
        else:
            assert kind == (CLOSE if low <= said <= high else OFF), said


def test_acting_on_a_figure_for_the_air_is_computed_for_that_figure(car):
    """Lambda and where it lies beside the stops, for every answer; a mass-air car comes to harm only where its meter is overruled."""
    e, sheet = en.evaporation_of(car), car.sheet
    target, limits = sheet.engine.lambda_with_nitrous, sheet.limits
    for said in np.arange(20.0, 160.1, 2.0):
        kind, text = EVAPORATION.verdict(car, float(said))
        if kind == RIGHT:
            assert ("meter follows" in text) == (sheet.controller.metering == "mass-air")
            continue
        burns = round(float(e.lambda_if(target, said / 100)), 2)
        assert lambda_told(text) == pytest.approx(burns, abs=1e-9)
        assert ("spoils no mixture" in text) == (sheet.controller.metering == "mass-air")
        assert ("overrule the meter" in text) == (sheet.controller.metering == "mass-air")
        stops(text, burns, round(target, 2), limits)


def stops(text, burns, target, limits):
    """Lean side, rich side and misfire are told exactly where they are."""
    assert ("this car's lean stop" in text) == (burns >= round(limits.lean_stop_lambda, 2))
    assert ("may not light" in text) == (burns <= round(limits.misfire_rich_lambda, 2))
    assert ("leaner than lambda" in text) == (target < burns < round(limits.lean_stop_lambda, 2))
    assert ("no part burns" in text) == (round(limits.rich_stop_lambda, 2) < burns < target)


def test_a_mass_air_car_is_not_told_that_it_misfires_by_a_belief():
    """As it was: 130 % on a car whose meter takes the lost air's fuel away read "fuel worked out for your figure ... may misfire"."""
    text = EVAPORATION.verdict(warmed("badger_eight"), 130.0)[1]
    assert "Fuel worked out for your figure" not in text
    assert text.index("its meter sees the air that really comes") < text.index("may not light")
    assert "Fuel worked out for your figure" in EVAPORATION.verdict(warmed("wren_five"), 130.0)[1]


def test_why_and_try_meet_at_the_cold_end(car):
    """With all of the heat from the air the words and the slider give the same charge; the band's ends are the words' ends."""
    for system in display.SYSTEMS:
        there = car.in_units(system)
        facts, tried = EVAPORATION.facts(there), EVAPORATION.tried(there, 0.0)
        assert f"is at {facts['T_all']} and {facts['air_all']} of the air is left" in tried
        assert "falls to {T_all}" in EVAPORATION.why[0]
        assert "{air_all}; could it use all of the cold, {air_high}" in EVAPORATION.why[0]
    e = en.evaporation_of(car)
    assert facts["air_high"] == f"{100 * float(e.air_high[0]):.0f} %"


def test_more_air_than_without_is_close_where_the_band_rises_above_a_hundred():
    car = warmed("badger_eight")
    assert air_left(car)[2] > 100
    assert EVAPORATION.verdict(car, air_left(car)[2])[0] == CLOSE


def test_fuel_is_right_about_the_likely_figure_alone(car):
    shot = en.fuel_at_peak(car)
    own = shot.band(car.sheet.controller.metering)
    shown = en.as_shown(own.best, own.high - own.low)
    most = near(own.low, own.high, FUEL_NEAR)
    target, limits = car.sheet.engine.lambda_with_nitrous, car.sheet.limits
    assert FUEL.facts(car)["own_best"] == f"{shown:g} %"
    for said in np.arange(0.0, 400.1, 5.0):
        kind, text = FUEL.verdict(car, float(said))
        assert (kind == RIGHT) == (min(shown, own.best) - most <= said <= max(shown, own.best) + most)
        if kind == RIGHT:
            continue
        burns = round(float(shot.lambda_at(said)[0]), 2)
        assert lambda_told(text) == pytest.approx(burns, abs=1e-9)
        assert (burns >= round(target, 2)) == (said < own.best) or burns == round(target, 2)
        stops(text, burns, round(target, 2), limits)


def test_the_rule_itself_is_answered_by_name():
    assert "You trusted the rule" in FUEL.verdict(warmed("badger_eight"), 100.0)[1]
    assert FUEL.verdict(warmed("wren_five"), 100.0)[0] == RIGHT


def test_no_room_is_promised_where_there_is_none():
    """Badger: 41 (38 to 46) % is asked of an engine that gives 34 to 42 %."""
    assert "leaves no room" in FUEL.facts(warmed("badger_eight"))["heat_says"]
    assert "leaves room" in FUEL.facts(warmed("wren_five"))["heat_says"]


def test_label_and_likely_horsepower_are_told_apart():
    facts = FUEL.facts(warmed("badger_eight"))
    assert "150 hp" in facts["label_says"]
    assert "45 lb/h" in facts["label_says"]
    assert facts["hp"] not in facts["label_says"]
    scene = fill(FUEL.scene[0], facts)
    assert facts["hp"] in scene
    assert "150 hp" in scene


def test_burn_is_right_wherever_nobody_can_disprove_it(car):
    """Against the ends as they are shown: an answer that is the shown end is not outside it."""
    b, facts = en.burn_of(car), BURN.facts(car)
    low, high = round(b.percent.low), round(b.percent.high)
    assert (facts["burn_low"], facts["burn_high"]) == (f"{low} %", f"{high} %")
    for said in np.arange(20.0, 200.1, 1.0):
        kind, text = BURN.verdict(car, float(said))
        assert (kind == RIGHT) == (low <= said <= high)
        assert ("slow end of the doubt is" in text) == (said > high)
        assert ("fast end of the doubt is" in text) == (said < low)
    assert "Nobody knows" in BURN.finding(car)


def edge_of(car):
    r = en.retard_of(car)
    return np.ceil(2 * np.maximum(r.edge[-1], r.rule[-1]) - 1e-6) / 2


def test_retard_is_right_along_the_cautious_edge(car):
    edge = edge_of(car)
    assert RETARD.verdict(car, tuple(edge))[0] == RIGHT
    assert RETARD.verdict(car, tuple(edge + HIT_DEG + 1))[0] == CLOSE
    assert RETARD.verdict(car, tuple(edge + OVER_DEG + 1))[0] == OFF
    assert RETARD.verdict(car, tuple(edge - UNDER_DEG))[0] == RIGHT
    assert RETARD.verdict(car, tuple(edge - UNDER_DEG - 1))[0] == CLOSE
    assert RETARD.verdict(car, tuple(edge - SHORT_DEG - 1))[0] == OFF


@pytest.mark.parametrize("place", [0, 2, 5])
def test_one_place_far_below_the_edge_is_off_however_small_the_likely_need(car, place):
    edge, r = edge_of(car), en.retard_of(car)
    said = edge.copy()
    said[place] -= SHORT_DEG + 1
    kind, text = RETARD.verdict(car, tuple(said))
    told = fill(text, RETARD.facts(car))
    assert kind == OFF
    assert f"{r.rpm[place]:.0f} rpm" in told
    assert f"so you are {SHORT_DEG + 1:g} degrees short" in told
    covered = said[place] > round(2 * r.likely[-1][place]) / 2 - 0.25
    assert ("The likely need is covered" in told) == covered
    assert ("Not even the likely need" in told) != covered


def test_a_flat_line_is_held_against_the_edge_that_was_asked_for():
    """As it was: 6 degrees at 3000 rpm, 18.5 short of 24.5, read "you cover the likely need, 6.5" and close."""
    car = warmed("badger_eight")
    kind, text = RETARD.verdict(car, (6.0,) * 6)
    told = fill(text, RETARD.facts(car))
    assert kind == OFF
    assert "18.5 degrees short" in told
    assert told.index("degrees short") < told.index("likely need")
    assert "Not even the likely need is covered: at 3000 rpm it is 6.5 degrees, 0.5 degree more" in told
    kind, text = RETARD.verdict(car, (7.0,) * 6)
    assert kind == OFF
    assert "The likely need is covered at every speed" in text


def test_both_sides_of_a_zigzag_are_named():
    text = RETARD.verdict(warmed("wren_five"), (0.0, 25.0, 0.0, 25.0, 0.0, 25.0))[1]
    assert "too little" in text
    assert "too much" in text
    assert "You put timing in at every speed" in RETARD.verdict(warmed("wren_five"), (-5.0,) * 6)[1]
    assert "left the timing as it is" in RETARD.verdict(warmed("wren_five"), (0.0,) * 6)[1]


def test_the_reason_that_sets_the_need_is_drawn_over_it():
    """Badger: phasing sets the need at every speed and lay hidden below it."""
    names_of = [name for name, _ in RetardPicture().lines()]
    assert min(names_of.index(reason) for reason in ("phasing", "knock", "pressure")) > names_of.index("likely need")
    widths = {name: trace.line.width for name, trace in RetardPicture().lines()}
    assert widths["likely need"] > 2 * widths["phasing"]
    picture, car = RETARD.picture(), warmed("badger_eight")
    picture.reveal(car, 100.0)
    r = en.retard_of(car)
    for name, row in (
        ("likely need", r.likely[-1]),
        ("phasing", r.needs["phasing"][-1]),
        ("first hit", r.first_hit[-1]),
    ):
        np.testing.assert_allclose(picture.figure.data[1 + names_of.index(name)].y, row)


def test_a_level_or_rising_line_is_told_as_one():
    car = warmed("wren_five")
    assert "the same at every speed, as the trade does, but the need falls" in RETARD.verdict(car, (12.0,) * 6)[1]
    assert "more as speed rises" in RETARD.verdict(car, (10.0, 12.0, 14.0, 16.0, 18.0, 20.0))[1]
    assert "You have the shape" in RETARD.verdict(car, (22.0, 20.0, 17.0, 14.0, 12.0, 11.0))[1]


def test_speeds_that_no_timing_saves_are_named():
    """Both demo cars cannot take all of the shot at low speed."""
    for name in ("wren_five", "badger_eight"):
        car = warmed(name)
        r, said = en.retard_of(car), fill(RETARD.finding(car), RETARD.facts(car))
        low = r.rpm[~r.reachable[-1]]
        assert len(low)
        assert all(f"{rpm:.0f}" in said for rpm in low)
        assert "no right timing" in said
    assert "no right timing" not in RETARD.finding(warmed("small shot"))


def test_octane_eases_knock_alone(car):
    kinds = [OCTANE.verdict(car, k)[0] for k in range(4)]
    assert kinds == [OFF, CLOSE, RIGHT, OFF]
    picture, q = OCTANE.picture(), en.load_of(car)
    for more in (-4.0, 0.0, 8.0):
        picture.reveal(car, more)
        np.testing.assert_allclose(picture.figure.data[0].x, [q.voltage.best, q.heat.best, q.knock_at(more)])


def test_octane_scene_gives_nothing_away_and_claims_nothing_false(car):
    """As it was: "each cycle with nitrous asks more", where knock and heat were at 48 % and 1.0 times."""
    scene, q, facts = " ".join(OCTANE.scene), en.load_of(car), OCTANE.facts(car)
    assert "asks more" not in scene
    last = fill(OCTANE.verdict(car, 3)[1], facts)
    assert "just where the shot takes it" not in last
    assert f"from {100 * q.knock.best:.0f} % to {100 * q.knock_at(-en.RON_STEP):.0f} % of the engine's own" in last
    assert "past the margin" not in fill(OCTANE.verdict(car, 2)[1], facts)
    if np.isfinite(q.degrees(en.RON_STEP)):  # what is said of putting it back
        spent = q.retard_deg - 2 * q.degrees(en.RON_STEP)
        assert float(np.interp(spent, *q.curve)) * q.knock_at(en.RON_STEP) / q.knock.best > q.knock.best


def test_one_voltage_has_one_figure(car):
    """Words, slider and finding write it alike."""
    facts = OCTANE.facts(car)
    for name in ("voltage", "heat"):
        figure = facts[name].split(" ")[0]
        assert re.search(rf"{name} (?:stays )?at {re.escape(figure)} times", OCTANE.tried(car, 0.0), re.I)


# a number in the words is the kernel's


def test_words_carry_the_kernel_s_numbers():
    car = warmed("wren_five")
    e = tf.evaporation(car.sheet, car.plan.flow.best, en.window(car))
    assert f"{100 * float(e.likely[0]):.0f} %" in fill(EVAPORATION.finding(car), EVAPORATION.facts(car))
    assert "30 lb/h" in fill(FUEL.scene[0], FUEL.facts(car))
    assert "13.6 kg/h" in fill(FUEL.scene[0], FUEL.facts(car.in_units(display.METRIC)))
    assert "common practice" in fill(FUEL.scene[0], FUEL.facts(car))
    assert "common practice" in fill(RETARD.scene[1], RETARD.facts(car))
    assert "common practice" in fill(OCTANE.why[1], OCTANE.facts(car))
    b = en.burn_of(car)
    assert f"{b.percent.best:.0f}" in fill(BURN.finding(car), BURN.facts(car))


def test_words_follow_the_metering():
    assert "speed-density" in EVAPORATION.facts(warmed("wren_five"))["metering"]
    assert "mass-air" in EVAPORATION.facts(warmed("badger_eight"))["metering"]
    assert "too little" in FUEL.finding(warmed("badger_eight"))
    assert "near enough" in FUEL.finding(warmed("wren_five"))
