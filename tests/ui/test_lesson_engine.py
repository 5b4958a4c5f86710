"""Steps 6 to 10 of the lesson: every word filled, every prediction judged truly, every picture drawn, for any car and unit."""

import functools
import re
import time

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.teach import fuel as tf
from workbooks.ui import display
from workbooks.ui.lesson import engine_numbers as en
from workbooks.ui.lesson.step import CLOSE, OFF, RIGHT, Choice, LessonCar, Number, Sketch, bare_numbers, fill
from workbooks.ui.lesson.steps_burn import HIT_DEG, OVER_DEG
from workbooks.ui.lesson.steps_engine import STEPS
from workbooks.ui.lesson.steps_fuel import AIR_NEAR, FUEL_NEAR, near

EVAPORATION, FUEL, BURN, RETARD, OCTANE = STEPS
_NOZZLE = (
    "nozzle_diameter_mm",
    "discharge_coefficient",
    "discharge_error",
    "discharge_temperature_c",
    "discharge_bore_mm",
)
CARS = ("wren_five", "badger_eight", "no nozzle", "small shot")
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
    templates += [step.verdict(car, answer)[1] for answer in answers(step, car)]
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
    assert len(seen) >= 4
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
def test_warm_pictures_and_words_are_fast(step, car):
    picture, knob = step.picture(), step.knob(car)
    picture.reveal(car, knob.start)
    times = []
    for k in range(7):
        begin = time.perf_counter()
        picture.reveal(car, knob.span[0] + (k % 3) * knob.span[2])
        step.facts(car)
        step.verdict(car, answers(step, car)[0])
        times.append(time.perf_counter() - begin)
    assert float(np.median(times)) < 0.12  # 60 ms are meant; other work may share this machine


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


def test_air_is_right_about_the_likely_figure_alone(car):
    e = en.evaporation_of(car)
    best = 100 * float(e.likely[0])
    for said in np.arange(20.0, 160.1, 1.0):
        assert (EVAPORATION.verdict(car, float(said))[0] == RIGHT) == (
            abs(said - best) <= near(100 * float(e.air_low[0]), 100 * float(e.air_high[0]), AIR_NEAR)
        )
    target = car.sheet.engine.lambda_with_nitrous
    assert float(e.lambda_if(target, float(e.air_low[0]))) >= target  # what "leaner" rests on
    assert float(e.lambda_if(target, 1.0)) <= target + 1e-3 or best > 100


def test_fuel_is_right_about_the_likely_figure_alone(car):
    shot, own = en.fuel_at_peak(car), None
    own = shot.band(car.sheet.controller.metering)
    target, stop = car.sheet.engine.lambda_with_nitrous, car.sheet.limits.lean_stop_lambda
    for said in np.arange(0.0, 400.1, 5.0):
        kind, text = FUEL.verdict(car, float(said))
        assert (kind == RIGHT) == (abs(said - own.best) <= near(own.low, own.high, FUEL_NEAR))
        if kind == RIGHT:
            continue
        burns = float(shot.lambda_at(said)[0])
        assert ("past this car's lean stop" in text) == (burns >= stop and said < own.best)
        assert (burns > target) == (said < own.best)


def test_the_rule_itself_is_answered_by_name():
    assert "You trusted the rule" in FUEL.verdict(warmed("badger_eight"), 100.0)[1]
    assert FUEL.verdict(warmed("wren_five"), 100.0)[0] == RIGHT


def test_burn_is_right_wherever_nobody_can_disprove_it(car):
    b = en.burn_of(car)
    for said in np.arange(20.0, 200.1, 1.0):
        kind, text = BURN.verdict(car, float(said))
        inside = b.percent.low <= said <= b.percent.high
        assert (kind == RIGHT) == inside
        assert ("slow end of the doubt is" in text) == (said > b.percent.high)
        assert ("fast end of the doubt is" in text) == (said < b.percent.low)
    assert "Nobody knows" in BURN.finding(car)


def test_retard_is_right_along_the_cautious_edge(car):
    r = en.retard_of(car)
    top = np.maximum(r.edge[-1], r.rule[-1])
    half = tuple(np.ceil(2 * top) / 2)
    assert RETARD.verdict(car, half)[0] == RIGHT
    assert RETARD.verdict(car, tuple(np.array(half) + HIT_DEG + 1))[0] == CLOSE
    assert RETARD.verdict(car, tuple(np.array(half) + OVER_DEG + 1))[0] == OFF
    short = np.array(half)
    short[2] = r.likely[-1][2] - 2
    kind, text = RETARD.verdict(car, tuple(short))
    assert kind == OFF
    assert "{speed_2}" in text
    assert ("you put timing in" if short[2] < 0 else "short even of the likely need") in text


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
