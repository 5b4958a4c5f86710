"""Steps of the lesson on the charge: words filled by what is computed, verdicts that follow it, pictures that draw."""

import re

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.teach import charge as tc
from kernel_lib.teach import leftover as tl
from workbooks.ui import display
from workbooks.ui.lesson import charge_words, steps_charge, steps_gauge, steps_leftover
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


WORDS = ("FOUND", "POWER", "WHENCE", "SAID", "EQUAL", "WAY", "COOL", "TIME", "TAIL", "DISTANCE", "ADDED")
OF_AN_ANSWER = ("ACTING", "HIGH", "LOW", "RIGHT_LINE", "SHAPE", "LEVEL_SHAPE", "HEIGHT", "WITHIN", "PLACE")
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


def templates(step, named=WORDS):
    """Every template of a step: class attributes that hold words."""
    out = [step.question, *step.scene, *step.why]
    for name in named:
        words = getattr(step, name, ())
        out += [words] if isinstance(words, str) else list(words.values() if isinstance(words, dict) else words)
    return out


class TestWords:
    """Templates and what fills them."""

    def test_order_and_names(self):
        """As the lesson counts them."""
        assert list(BY_KEY) == ["oxygen", "low_speed", "gauge", "flame", "leftover"]

    def test_no_number_is_typed(self, step, cars):
        """None in a template; what a verdict says of an answer is filled already and passes through unchanged."""
        beside = [*charge_words.SIDE.values(), *charge_words.SHORT.values(), *templates(step, OF_AN_ANSWER)]
        for text in [*templates(step), *beside]:
            assert bare_numbers(text) == [], text
        for car in cars.values():
            texts = [step.finding(car), step.knob(car).hint]
            assert all(bare_numbers(text) == [] for text in texts)

    @pytest.mark.parametrize("system", display.SYSTEMS)
    def test_facts_fill_every_template(self, step, car, system):
        """Both unit systems."""
        there = car.in_units(system)
        facts = step.facts(there)
        for text in [*step.scene, *step.why, step.finding(there), step.knob(there).hint]:
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

    def test_oxygen_right_near_the_likely_figure_only(self, car):
        """Elsewhere in the band it can be true, and is told what acting on it does; every lambda told is that of the answer."""
        step, limits, target = BY_KEY["oxygen"], car.sheet.limits, car.sheet.engine.lambda_with_nitrous
        spread = step._more(car).more.at(0)
        shown = charge_words.as_shown(spread)
        for guess in answers(step, car):
            kind, text = step.verdict(car, guess)
            got = target * (1 + spread[1]) / (1 + guess / 100)
            assert f"lambda {got:.2f}" in text
            if kind == RIGHT:
                assert abs(got - target) <= 0.0201
                assert abs(guess / 100 - spread[1]) <= max(0.01, 0.25 * spread[1])
            elif np.floor(shown[0]) <= guess <= np.ceil(shown[2]):
                assert kind == CLOSE
                assert "can be true" in text
            else:
                assert ("counted more" if guess > shown[2] else "counted less") in text
            likely = text.split("If the ")[0]
            if target < limits.lean_stop_lambda and abs(got - limits.lean_stop_lambda) > 0.006:
                assert ("past the lean stop" in likely) == (got > limits.lean_stop_lambda)
            if abs(got - limits.rich_stop_lambda) > 0.006 and target < limits.lean_stop_lambda:
                assert ("plugs foul" in likely or "misfire" in likely) == (got < limits.rich_stop_lambda)
            if "misfire" in likely:
                assert got < limits.misfire_rich_lambda

    def test_oxygen_in_a_wide_band(self, cars):
        """The badger's band is 13 to 47 %: its ends are no hits, and the lambdas are those that follow."""
        step, car = BY_KEY["oxygen"], cars["badger"]
        for guess, words in (
            (13.0, ("lambda 0.90", "high end is true it makes lambda 1.10")),
            (47.0, ("lambda 0.69", "misfire")),
        ):
            kind, text = step.verdict(car, guess)
            assert kind == CLOSE
            assert all(word in text for word in words)
        kind, text = step.verdict(car, 20.0)
        assert kind == RIGHT
        assert "high end" in text

    def test_oxygen_names_where_a_number_comes_from(self, cars):
        """36 %, 57 % and 139 % are of the gas; 45 % is this car's gain in power."""
        step, car = BY_KEY["oxygen"], cars["wren"]
        for guess, word in ((37, "by mass"), (57, "kilogram"), (139, "volume"), (45, "power")):
            assert word in step.verdict(car, float(guess))[1].split(". ")[0]
        assert step.verdict(car, 24.0)[1].startswith("You had it")

    def test_low_speed_shapes(self, cars):
        """Flat, rising, wavy, too gentle, too steep, right."""
        step, car = BY_KEY["low_speed"], cars["wren"]
        best = 100 * tc.oxygen_gain(car.sheet, step.ask(car).places).more.best
        flat, wavy, gentle = np.full(5, 22.0), best * [1, 0.3, 1, 0.3, 1], best[-1] + 0.35 * (best - best[-1])
        for drawn, key, kind in (
            (flat, "flat", OFF),
            (best[::-1], "rising", OFF),
            (wavy, "other", OFF),
            (gentle, "gentle", OFF),
            (best * [2.4, 1.8, 1.3, 1.1, 0.6], "steep", OFF),
            (1.9 * best, "level", OFF),
            (1.12 * best + 3, "level", CLOSE),
            ((5, 4, 3, 2, 1), "falls", OFF),
        ):
            found, text = step.verdict(car, tuple(float(v) for v in drawn))
            assert (found, text.startswith(step.SHAPE[key])) == (kind, True), text
        assert step.verdict(car, tuple(best))[0] == RIGHT

    @pytest.mark.parametrize("name", ["wren", "badger"])
    def test_low_speed_names_side_and_place(self, cars, name):
        """What was drawn is judged as drawn: starved everywhere, too much everywhere, and what each end becomes."""
        step, car = BY_KEY["low_speed"], cars[name]
        target, stop = car.sheet.engine.lambda_with_nitrous, car.sheet.limits.lean_stop_lambda
        places = step.ask(car).places
        best = tc.oxygen_gain(car.sheet, places).more.best
        for drawn, side in (
            ((5, 4, 3, 2, 1), "little"),
            ((0, 2, 4, 6, 8), "little"),
            ((12, 10, 8, 7, 5), "little"),
            ((100, 80, 62, 52, 40), "much"),
            ((150,) * 5, "much"),
            ((140, 50, 140, 50, 140), "much"),
        ):
            text = step.verdict(car, drawn)[1]
            assert step.HEIGHT[side] in text
            assert step.HEIGHT["much" if side == "little" else "little"] not in text
            for k in (0, -1):
                got = target * (1 + best[k]) / (1 + drawn[k] / 100)
                part = next(p for p in re.split("[;:] at |: at ", text) if p.startswith(f"{places[k]:.0f} rpm"))
                assert f"drew {drawn[k]} %" in part
                assert f"lambda {got:.2f}" in part
                assert ("past the lean stop" in part) == (got > stop + 0.005)
        starved = step.verdict(car, (best[0] * 100, 5, 5, 5, best[-1] * 100))[1]
        assert f"at {places[1]:.0f} rpm you drew 5 %" in starved

    def test_low_speed_flat_at_the_low_ends_height(self, cars):
        """48 % everywhere on the badger is right at the bottom and too much at the top; nothing is short."""
        text = BY_KEY["low_speed"].verdict(cars["badger"], (48.0,) * 5)[1]
        assert "too little" not in text
        assert text.count("too much") == 1

    def test_gauge_direction(self, cars):
        """The gauge at its word, the wrong way, too little, right, too much; and where acting on it lands."""
        step, car = BY_KEY["gauge"], cars["wren"]
        target, (low, best, high) = car.sheet.engine.lambda_with_nitrous, step._true(car)
        for guess, key, kind in (
            (target, "same", OFF),
            (target - 0.02, "richer", OFF),
            (target + 0.004, "little", CLOSE),
            (best, "right", RIGHT),
            (high + 0.015, "much", CLOSE),
            (target + 0.1, "much", OFF),
        ):
            found, text = step.verdict(car, guess)
            assert (found, text[:40]) == (kind, step.SAID[key][:40])
            assert kind == RIGHT or f"lambda {target * best / guess:.2f}" in text
        assert low < best < high

    def test_gauge_consequence_at_that_distance(self, cars):
        """0.90 and 0.93 on the badger land at 0.82 and 0.79: richer than the target, far from its rich stop."""
        for guess, got in ((0.90, "0.82"), (0.93, "0.79")):
            text = BY_KEY["gauge"].verdict(cars["badger"], guess)[1]
            assert f"lambda {got}" in text
            assert "short of the rich stop" in text
            assert "foul" not in text

    def test_gauge_at_its_word_where_it_is_right(self, cars):
        """At lambda 1 it does not flatter, and no answer is told that it does."""
        step, car = BY_KEY["gauge"], cars["target one, narrow window"]
        for guess in answers(step, car):
            text = step.verdict(car, guess)[1]
            assert "leaner than it reads" not in text
            assert "other way round" not in text

    def test_flame_right_between_vessel_and_flame(self, car):
        """Lean and rich of it are told apart."""
        step = BY_KEY["flame"]
        low, high = tl.flames(car.sheet, tc.lesson_speeds(car.sheet)[1]).hottest
        for guess in answers(step, car):
            kind, text = step.verdict(car, guess)
            assert (kind == RIGHT) == (low - 0.0151 <= guess <= high + 0.0151)
            assert kind == RIGHT or f"{guess:.2f}" in text
            assert ("match on paper" in text) == (kind != RIGHT and guess > high and abs(guess - 1) < 0.0151)
            if guess > high and kind != RIGHT and "match" not in text:
                assert text.startswith(step.SAID["lean"][:40])
            if guess < low - 0.016:
                assert "still gets hotter" in text

    def test_flame_lean_answers_are_told_their_own_exhaust(self, cars):
        """At 1.15 the exhaust is cooler than at the target; at 0.98, and not on paper, hotter."""
        step, car = BY_KEY["flame"], cars["badger"]
        far, near = (step.verdict(car, guess)[1] for guess in (1.15, 0.98))
        assert "60 °F cooler than at the target" in far
        assert "hot exhaust" not in far
        assert "210 °F hotter than at the target" in near
        assert "on paper" not in near
        assert "60 °F cooler than at the target" in step.tried(car, 1.15)

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

    def test_doses_carry_their_band(self, cars):
        """A flow known to a factor of two gives no three digits of a dose."""
        for name in ("wren", "badger"):
            facts = BY_KEY["low_speed"].facts(cars[name])
            assert re.fullmatch(r"\d+0 \(\d+0 to \d+0\)", facts["dose_low"])
            assert "to" in facts["dose_high"]

    def test_hot_and_cooled_gas_are_told_apart(self):
        """Free oxygen of the hot flame, and nothing left over in the exhaust, both at lambda 1."""
        assert "hot" in BY_KEY["flame"].why[2].split("free oxygen")[0]
        assert "Cooled" in BY_KEY["leftover"].why[0].split("nothing is left over")[0]


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

    def test_gauge_labels_leave_their_lines(self, cars):
        """Each name stands on the far side of its line from the other, also where the lines have changed places."""
        car, picture = cars["badger"], BY_KEY["gauge"].picture()
        for value, gauge, true in ((0.85, "bottom left", "top right"), (1.05, "top left", "bottom right")):
            picture.reveal(car, value)
            data = picture.figure.data
            assert (data[3].textposition, data[4].textposition) == (gauge, true)
            assert (data[2].y[0] > data[1].y[0]) == (true == "top right")
            assert data[4].y[0] >= data[2].y[0] if true == "top right" else data[4].y[0] <= data[2].y[0]

    def test_flame_picture_warns_of_its_exhaust(self, cars):
        """A gas that lost no heat is no probe's reading."""
        subtitle = BY_KEY["flame"].picture().reveal(cars["badger"], 0.85)[1]
        assert "no heat lost" in subtitle


def test_words_of_three_files_are_one_series():
    """The steps that stand in files of their own are those of the series."""
    assert isinstance(BY_KEY["gauge"], steps_gauge.Gauge)
    assert isinstance(BY_KEY["leftover"], steps_leftover.Leftover)
