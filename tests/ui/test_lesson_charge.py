"""Steps of the lesson on the charge: words filled by what is computed, verdicts that follow it, pictures that draw."""

import re
import time

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.teach import charge as tc
from kernel_lib.teach import leftover as tl
from workbooks.ui import display
from workbooks.ui.lesson import steps_charge, steps_gauge, steps_leftover
from workbooks.ui.lesson.answers import checked
from workbooks.ui.lesson.step import CLOSE, OFF, RIGHT, LessonCar, Number, Sketch, bare_numbers, fill

STEPS = steps_charge.STEPS
BY_KEY = {step.key: step for step in STEPS}


def _edited(name, *edits):
    text = BuildSheet.demo(name).to_toml()
    for pattern, line in edits:
        text, count = re.subn(pattern, line, text, flags=re.MULTILINE)
        assert count, pattern
    return BuildSheet.from_bytes(text.encode())


NO_NOZZLE = (r"^(nozzle_diameter|discharge_).*\n", "")
SHEETS = {
    "wren": BuildSheet.demo("wren_five"),
    "badger": BuildSheet.demo("badger_eight"),
    "no nozzle": _edited("wren_five", NO_NOZZLE),
    "tiny": _edited("wren_five", NO_NOZZLE, ("^shot_hp.*", "shot_hp = 8")),
    "big": _edited("badger_eight", NO_NOZZLE, ("^shot_hp.*", "shot_hp = 300")),
    "ports": _edited("badger_eight", ("^delivery.*", 'delivery = "port"'), ("^nozzles.*", "nozzles = 8"), ("^nozzle_diameter_mm.*", "nozzle_diameter_mm = 0.6")),
    "very rich, cooled sensor": _edited("wren_five", ("^lambda_with_nitrous.*", "lambda_with_nitrous = 0.75"), ("^intake_sensor.*", 'intake_sensor = "in cooled stream"')),
    "target one, narrow window": _edited(
        "wren_five", ("^lambda_with_nitrous.*", "lambda_with_nitrous = 1.0"), ('^system = "dry"', 'system = "dry"\nspray_rpm_min = 5600\nspray_rpm_max = 5900'), ("^peak_power_hp.*\n", ""), ("^power_hp.*\n", "")
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def cars():
    """Return every car, computed once."""
    out = {name: LessonCar(sheet, display.US) for name, sheet in SHEETS.items()}
    for car in out.values():
        for step in STEPS:
            step.warm(car)
    return out


@pytest.fixture(params=list(SHEETS))
def car(request, cars):
    """Return one car after another."""
    return cars[request.param]


@pytest.fixture(params=STEPS, ids=list(BY_KEY))
def step(request):
    """Return one step after another."""
    return request.param


def answers(step, car):
    """Predictions over all that can be given: a grid of numbers, or sketches of many shapes."""
    ask = step.ask(car)
    if isinstance(ask, Number):
        low, high, by = ask.span
        return [float(np.round(v, 6)) for v in np.arange(low, high + by / 2, by)]
    assert isinstance(ask, Sketch)
    best = 100 * tc.oxygen_gain(car.sheet, ask.places).more.best
    rise = np.linspace(0.2, 1.0, len(ask.places))
    shapes = [
        best,
        0.3 * best,
        3 * best,
        best[::-1],
        np.full(len(best), best[-1]),
        best * rise[::-1],
        best * rise,
        best * [1, 0.2, 1, 0.2, 1],
        0 * best,
        best[-1] + 0.3 * (best - best[-1]),
    ]
    return [tuple(float(v) for v in np.clip(shape, *ask.span[:2])) for shape in shapes]


def sound(text):
    """Say whether a text is filled, and free of what is no number."""
    assert "{" not in text
    assert "}" not in text
    assert not re.search(r"\b(nan|inf|NaN)\b|–|\bNone [^s]", text), text
    assert "  " not in text
    return True


def templates(step):
    """Every template of a step: class attributes that hold words."""
    out = [step.question, *step.scene, *step.why]
    for name in ("FOUND", "POWER", "WHENCE", "SAID", "EQUAL", "WAY", "COOL", "TIME", "TAIL", "DISTANCE", "ADDED"):
        words = getattr(step, name, ())
        out += [words] if isinstance(words, str) else list(words.values() if isinstance(words, dict) else words)
    return out


class TestWords:
    """Templates and what fills them."""

    def test_order_and_names(self):
        """As the lesson counts them."""
        assert list(BY_KEY) == ["oxygen", "low_speed", "gauge", "flame", "leftover"]

    def test_no_number_is_typed(self, step, cars):
        """None in a template, none in what a car makes of it before it is filled."""
        for text in templates(step):
            assert bare_numbers(text) == [], text
        for car in cars.values():
            texts = [
                step.finding(car),
                step.knob(car).hint,
                *(step.verdict(car, a)[1] for a in answers(step, car)[::7]),
            ]
            assert all(bare_numbers(text) == [] for text in texts)

    @pytest.mark.parametrize("system", display.SYSTEMS)
    def test_facts_fill_every_template(self, step, car, system):
        """Both unit systems; every template, also those that this car does not use."""
        there = car.in_units(system)
        facts = step.facts(there)
        for text in [*templates(step), step.finding(there), step.knob(there).hint]:
            fill(text, facts)
        for text in (step.question, *step.scene, *step.why, step.finding(there), step.knob(there).hint):
            assert sound(fill(text, facts))

    def test_paragraphs_are_short(self, step, cars):
        """110 words at most, two or three of them, sentences of a length that can be read aloud."""
        assert 2 <= len(step.why) <= 3
        for car in cars.values():
            for text in step.why:
                full = fill(text, step.facts(car))
                assert len(full.split()) <= 110
                assert max(len(s.split()) for s in re.split(r"[.:;?!] ", full)) <= 38, full

    def test_units_follow_the_reader(self, cars):
        """The same flow and the same temperature difference in two systems."""
        us, metric = cars["badger"], cars["badger"].in_units(display.METRIC)
        assert "lb/s" in BY_KEY["oxygen"].facts(us)["flow"]
        assert "g/s" in BY_KEY["oxygen"].facts(metric)["flow"]
        assert BY_KEY["flame"].facts(us)["hotter"].endswith("°F")
        assert BY_KEY["flame"].facts(metric)["hotter"].endswith(" K")


class TestVerdicts:
    """What is said of a prediction."""

    def test_every_answer_has_one(self, step, car):
        """Of a known kind, filled, and different where answers are far apart."""
        facts, seen, first = step.facts(car), set(), {}
        for answer in answers(step, car):
            checked(step.ask(car), answer)
            kind, text = step.verdict(car, answer)
            assert kind in (RIGHT, CLOSE, OFF)
            assert sound(fill(text, facts))
            assert step.told(car, answer)
            seen.add(text)
            first.setdefault(text, kind)
        assert len(seen) >= 3
        assert RIGHT in first.values()

    def test_start_is_not_the_answer(self, step, cars):
        """Committing without moving anything is not right on either demo car."""
        for name in ("wren", "badger"):
            ask = step.ask(cars[name])
            start = ask.start if isinstance(ask, Number) else (ask.start,) * len(ask.places)
            assert step.verdict(cars[name], start)[0] == OFF

    def test_oxygen_right_within_the_band_only(self, car):
        """And on either side the consequence is the mixture that follows."""
        step = BY_KEY["oxygen"]
        low, best, high = (100 * v for v in step._more(car).more.at(0))
        for guess in answers(step, car):
            right = step.verdict(car, guess)[0] == RIGHT
            assert right == (np.floor(low) <= guess <= np.ceil(high))
            if right:
                continue
            got = car.sheet.engine.lambda_with_nitrous * (100 + best) / (100 + guess)
            text = step.verdict(car, guess)[1]
            assert ("past the lean stop" in text) == (got > car.sheet.limits.lean_stop_lambda)
            assert ("pass the rich stop" in text) == (got < car.sheet.limits.rich_stop_lambda)

    def test_oxygen_names_where_a_number_comes_from(self, cars):
        """36 %, 57 % and 139 % are of the gas; 45 % is this car's gain in power."""
        step, car = BY_KEY["oxygen"], cars["wren"]
        for guess, word in ((37, "by mass"), (57, "kilogram"), (139, "volume"), (45, "power")):
            assert word in step.verdict(car, float(guess))[1].split(". ")[0]

    def test_low_speed_shapes(self, cars):
        """Flat, rising, wavy, too gentle, too steep, right."""
        step, car = BY_KEY["low_speed"], cars["wren"]
        best = 100 * tc.oxygen_gain(car.sheet, step.ask(car).places).more.best
        flat, wavy, gentle = np.full(5, 22.0), best * [1, 0.3, 1, 0.3, 1], best[-1] + 0.35 * (best - best[-1])
        steep = best * [2.4, 1.8, 1.3, 1.1, 0.6]
        for drawn, key, kind in (
            (best, "right", RIGHT),
            (flat, "flat", OFF),
            (best[::-1], "rising", OFF),
            (wavy, "other", OFF),
            (gentle, "gentle", CLOSE),
            (steep, "steep", CLOSE),
            (1.9 * best, "level", CLOSE),
        ):
            assert step.verdict(car, tuple(drawn)) == (kind, step.SAID[key])

    def test_gauge_direction(self, cars):
        """The gauge at its word, the wrong way, too little, right, too much."""
        step, car = BY_KEY["gauge"], cars["wren"]
        target, (low, best, high) = car.sheet.engine.lambda_with_nitrous, step._true(car)
        for guess, key, kind in (
            (target, "same", OFF),
            (target - 0.02, "richer", OFF),
            (target + 0.004, "little", CLOSE),
            (best, "right", RIGHT),
            (high + 0.015, "much", CLOSE),
            (target + 0.1, "far", OFF),
        ):
            assert step.verdict(car, guess) == (kind, step.SAID[key])
        assert low < best < high

    def test_flame_right_between_vessel_and_flame(self, car):
        """Lean and rich of it are told apart."""
        step = BY_KEY["flame"]
        low, high = tl.flames(car.sheet, tc.lesson_speeds(car.sheet)[1]).hottest
        for guess in answers(step, car):
            kind, text = step.verdict(car, guess)
            assert (kind == RIGHT) == (low - 0.0151 <= guess <= high + 0.0151)
            if guess > 1.006 and kind != RIGHT:
                assert text == step.SAID["lean"]
            if guess < low - 0.016:
                assert text == step.SAID["rich"]

    def test_leftover_never_calls_a_danger_safe(self, car):
        """Who thinks it stays short of the stop where it does not is off; who is right says so within a tenth of the way."""
        step, stop = BY_KEY["leftover"], car.sheet.limits.lean_stop_lambda
        leanest = step._late(car).leanest.best
        for guess in answers(step, car):
            kind, text = step.verdict(car, guess)
            if leanest > stop >= guess:
                assert kind == OFF
                assert text.endswith(step.SAID["safe"])
            if kind == RIGHT:
                assert abs(guess - leanest) <= 0.021 + 0.1 * (leanest - 0.7)
            if guess < car.sheet.engine.lambda_without_nitrous - 0.01:
                assert text.startswith(step.SAID["start"])


class TestAnswers:
    """The computed answers said are the kernel's."""

    def test_oxygen_and_speed(self, cars):
        """Rounded numbers of the finding."""
        car = cars["wren"]
        low, peak, high = tc.lesson_speeds(car.sheet)
        more = 100 * tc.oxygen_gain(car.sheet, [low, peak, high]).more.best
        facts = BY_KEY["low_speed"].facts(car)
        for name, value in zip(("more_low", "more_peak", "more_high"), more, strict=True):
            assert float(facts[name].split(" ")[0]) == pytest.approx(value, abs=0.51)
        assert float(facts["times"]) == pytest.approx(more[0] / more[2], abs=0.06)

    def test_sentences_follow_the_car(self, cars):
        """A narrow window does not fall; at lambda 1 the gauge is right; a tiny shot cannot go past the stop by itself in a cycle; ports leave no time."""
        narrow, tiny, ports = (cars[k] for k in ("target one, narrow window", "tiny", "ports"))
        assert BY_KEY["low_speed"].finding(narrow) == BY_KEY["low_speed"].FOUND[False]
        assert BY_KEY["gauge"].finding(narrow) == BY_KEY["gauge"].FOUND[False]
        assert "no distance" in BY_KEY["leftover"].facts(narrow)["distance_line"]
        assert (
            "in time" in BY_KEY["leftover"].facts(tiny)["tail"]
            or "Even if" in BY_KEY["leftover"].facts(tiny)["time_line"]
        )
        assert BY_KEY["leftover"].facts(ports)["time_line"] == BY_KEY["leftover"].TIME["at once"]
        assert BY_KEY["oxygen"].finding(narrow) == BY_KEY["oxygen"].FOUND
        assert "hotter, so" in BY_KEY["flame"].facts(cars["very rich, cooled sensor"])["flame_line"]


class TestPictures:
    """What is drawn, and what is said of it."""

    def test_draws_finite_arrays(self, step, car):
        """Over the knob's span, with a prediction in it; a sentence goes with every position."""
        picture, knob = step.picture(), step.knob(car)
        some = answers(step, car)
        picture.guess(car, some[len(some) // 3])
        told = set()
        for value in np.linspace(knob.span[0], knob.span[1], 5):
            title, subtitle = picture.reveal(car, float(value))
            assert sound(title)
            assert sound(subtitle)
            told.add(step.tried(car, float(value)))
            for trace in picture.figure.data:
                for axis in (trace.x, trace.y):
                    assert axis is None or np.isfinite(np.asarray(axis, float)).all()
        assert all(sound(text) for text in told)
        assert len(told) >= 4

    def test_knob_starts_on_a_step_at_the_answer(self, step, car):
        """A browser rounds to a step; start is where the answer was computed."""
        low, high, by = step.knob(car).span
        start = step.knob(car).start
        assert low <= start <= high
        assert ((start - low) / by) == pytest.approx(round((start - low) / by), abs=1e-6)

    def test_draws_the_prediction(self, step, cars):
        """The dotted trace holds it after the picture is drawn."""
        car = cars["wren"]
        picture, some = step.picture(), answers(step, car)
        answer = some[len(some) // 2]
        picture.guess(car, answer)
        picture.reveal(car, step.knob(car).start)
        drawn = next(
            t for t in picture.figure.data if t.type == "scatter" and t.mode == "lines" and t.line.dash == "dot"
        )
        across = drawn.x if step.key in ("oxygen", "flame") else drawn.y
        assert np.allclose(across, answer)

    def test_moves_within_its_time(self, step, cars):
        """Best of some: 60 ms, warm."""
        car = cars["badger"]
        picture, knob = step.picture(), step.knob(car)
        values = np.linspace(*knob.span[:2], 9)
        picture.reveal(car, float(values[0]))
        spent = []
        for value in values[1:]:
            begin = time.perf_counter()
            with picture.figure.batch_update():
                picture.reveal(car, float(value))
            step.tried(car, float(value))
            spent.append(time.perf_counter() - begin)
        assert min(spent) < 0.06


def test_words_of_three_files_are_one_series():
    """The steps that stand in files of their own are those of the series."""
    assert isinstance(BY_KEY["gauge"], steps_gauge.Gauge)
    assert isinstance(BY_KEY["leftover"], steps_leftover.Leftover)
