"""The lesson as a reader meets it: nothing before the prediction, all of it after, and a record of both."""

import json
import re
from html import unescape

import pytest

from kernel_lib import BuildSheet, InputError
from workbooks.ui import display
from workbooks.ui.lesson.answers import checked, read_back, written
from workbooks.ui.lesson.lesson_view import STEPS, Lesson, why_targets
from workbooks.ui.lesson.sketch import SketchBoard
from workbooks.ui.lesson.step import Choice, LessonCar, Number, Sketch, bare_numbers
from workbooks.ui.session import Session

ORDER = [
    "oxygen",
    "low_speed",
    "gauge",
    "flame",
    "leftover",
    "evaporation",
    "fuel_rule",
    "burn_rate",
    "retard",
    "octane_plugs",
    "pulses",
    "bottle_density",
    "bottle_window",
    "lean_stop",
]


def some(ask):
    """A prediction that fits a question, and is likely wrong."""
    if isinstance(ask, Choice):
        return len(ask.options) - 1
    if isinstance(ask, Number):
        return ask.span[1]
    return (ask.span[1],) * len(ask.places)


def text(widget):
    return unescape(re.sub(r"<[^>]+>", " ", widget.value))


@pytest.fixture(scope="module")
def car():
    return LessonCar(BuildSheet.demo("badger_eight"), display.US)


@pytest.fixture(scope="module")
def lesson():
    return Lesson(Session("units=us&" + BuildSheet.demo("badger_eight").to_query()))


@pytest.fixture
def fresh(lesson):
    lesson.forget()
    return lesson


def commit(lesson, k):
    """Predict and commit as a reader does."""
    lesson.go(k)
    view = lesson.view(k)
    given = some(view._ask)
    if isinstance(view._ask, Choice):
        view._radio.index = given
    elif isinstance(view._ask, Number):
        view._field.text.value = f"{given:g}"
    else:
        view._board.values = list(given)
    view.button.click()
    return view


def test_steps_in_their_order():
    assert [step.key for step in STEPS] == ORDER


@pytest.mark.parametrize("step", STEPS, ids=lambda s: s.key)
def test_words_hold_no_typed_number(step, car):
    ask = step.ask(car)
    options = ask.options if isinstance(ask, Choice) else ()
    kind, _ = step.verdict(car, some(ask))  # its numbers follow the answer, so its words may come filled
    words = [step.question, *step.scene, *step.why, *options, step.finding(car), step.knob(car).hint]
    assert [bare_numbers(text) for text in words if bare_numbers(text)] == []
    assert 2 <= len(step.why) <= 3
    assert step.question.endswith("?")
    assert kind in ("right", "close", "off")


def test_grade_an_apprentice_reads(car):
    """Automated Readability Index [Smith & Senter 1967, from memory]: school grade by letters a word and words a sentence."""
    grades = {}
    for step in STEPS:
        facts = step.facts(car)
        said = " ".join(t.format_map(facts) for t in (*step.scene, *step.why, step.finding(car)))
        words = re.findall(r"[A-Za-z][\w'-]*|\d[\d.,]*", said)
        sentences = len(re.findall(r"[.?:;](?:\s|$)", said))
        grades[step.key] = 4.71 * sum(map(len, words)) / len(words) + 0.5 * len(words) / sentences - 21.43
    print({key: round(grade, 1) for key, grade in grades.items()})
    assert sum(grades.values()) / len(grades) <= 9
    assert max(grades.values()) <= 11


@pytest.mark.parametrize("k", range(len(STEPS)), ids=ORDER)
def test_the_answer_opens_with_the_prediction(fresh, k):
    fresh.go(k)
    view = fresh.view(k)
    view.build()
    assert view._said.value == view._why.value == ""
    assert "nw-unseen" in view._picture._dom_classes
    commit(fresh, k)
    assert "nw-unseen" not in view._picture._dom_classes
    facts = STEPS[k].facts(fresh.car)
    assert STEPS[k].finding(fresh.car).format_map(facts) in text(view._said)
    assert view._why.value
    assert view._tried.value
    assert fresh.marks[k].description.endswith("✓")
    assert STEPS[k].title in text(fresh.record)


def test_nothing_chosen_is_a_sentence_and_opens_nothing(fresh):
    k = next(k for k, step in enumerate(STEPS) if isinstance(step.ask(fresh.car), Choice))
    view = fresh.view(k)
    view.button.click()
    assert "your prediction" in view._error.value
    assert view.answer is None
    assert not fresh.answers


def test_a_prediction_stays_as_it_was(fresh):
    for k in range(len(STEPS)):
        view = commit(fresh, k)
        if isinstance(view._ask, Choice):
            assert view._radio.disabled
        elif isinstance(view._ask, Number):
            assert view._field.text.disabled
        else:
            assert view._board.locked
    assert len(fresh.answers) == len(STEPS)


def test_the_browser_keeps_and_gives_back(fresh):
    commit(fresh, 0)
    commit(fresh, 1)
    kept = fresh.keepsake.text
    assert set(json.loads(kept)) == set(ORDER[:2])
    fresh.forget()
    assert fresh.keepsake.text == ""
    fresh.keepsake.found = kept
    assert set(fresh.answers) == set(ORDER[:2])
    assert fresh.view(0).answer is not None
    fresh.keepsake.found = ""


@pytest.mark.parametrize(
    "rubbish",
    ["", "{", "[1]", '{"oxygen": "x"}', '{"oxygen": true}', '{"low_speed": [1e999]}', '{"unheard of": 1}', "null"],
)
def test_rubbish_from_a_browser_is_left_out(rubbish, car):
    assert read_back(rubbish, STEPS, car) == {}


def test_what_is_written_is_read_back(car):
    answers = {step.key: some(step.ask(car)) for step in STEPS}
    assert read_back(written(answers), STEPS, car) == answers


@pytest.mark.parametrize("bad", [None, True, 99, -1, 1.0, "0", [0]])
def test_a_choice_that_does_not_fit(bad):
    with pytest.raises(InputError):
        checked(Choice(("a", "b")), bad)


@pytest.mark.parametrize("bad", [None, (1.0,), (1.0, float("nan")), (1.0, 99.0), (1.0, "2"), 3.0])
def test_a_sketch_that_does_not_fit(bad):
    with pytest.raises(InputError):
        checked(Sketch("rpm", "height", "deg", (1.0, 2.0), (0.0, 10.0, 1.0), 5.0), bad)


def test_a_board_holds_its_question():
    board = SketchBoard.of(Sketch("rpm", "height", "deg", (1.0, 2.0), (0.0, 10.0, 1.0), 5.0, 1))
    assert board.values == [5.0, 5.0]
    assert (board.low, board.high, board.step, board.digits) == (0.0, 10.0, 1.0, 1)


def test_units_follow_everywhere(fresh):
    k = ORDER.index("bottle_window")
    view = commit(fresh, k)
    parts = (view._head, view._said, view._why, view._hint, view._tried, view.drawn.title, fresh.record)
    before = [part.value for part in parts]
    assert "psi" in text(view._head) + text(view._why)
    fresh.session.units = display.METRIC
    try:
        assert fresh.view(k).car.system == display.METRIC
        said = " ".join(text(part) for part in parts)
        assert "psi" not in said
        assert "°F" not in said
        assert "kPa" in said
        assert "°C" in said
    finally:
        fresh.session.units = display.US
    assert [part.value for part in parts] == before


def test_the_record_is_a_page_of_its_own(fresh):
    commit(fresh, 3)
    assert "download=" in fresh.record.value
    assert "lesson.html" in fresh.record.value


def test_exercise_is_judged_and_recorded(fresh):
    fresh.go(fresh.last)
    exercise = fresh.exercise
    assert exercise.case is not None
    exercise._hand_in.click()
    assert "a number in every field" in exercise._error.value
    assert exercise.judged is None
    for key, value in {"from_rpm": "2600", "fuel": "1", "retard_low": "1", "retard_peak": "2", "hold": "0.5"}.items():
        exercise._entries[key].text.value = value
    exercise._hand_in.click()
    assert exercise._error.value == ""
    assert len(exercise.judged) == 5
    assert "Not so." in text(exercise._result)
    exercise._radio.index = (exercise.hidden.truth + 1) % len(exercise.hidden.choices)
    exercise._commit.click()
    assert exercise.hidden.choices[exercise.hidden.truth].name in text(exercise._found)
    assert exercise.done
    assert "hidden fault" in text(fresh.record)
    before = exercise.case
    assert exercise._hand_in.disabled
    exercise._another.click()
    assert exercise.case is not before
    assert exercise.judged is None
    assert len(exercise.record()) == 6  # what was handed in stays in the record
    fresh.forget()
    assert not fresh.exercise.done
    assert "exercise" not in text(fresh.record)


def test_the_faults_sentences_follow_the_units(fresh):
    fresh.go(fresh.last)
    exercise = fresh.exercise
    before = [fault.happens for fault in exercise.hidden.choices]
    fresh.session.units = display.METRIC
    try:
        assert [fault.name for fault in exercise.hidden.choices]
        assert not any("°F" in fault.happens or "psi" in fault.happens for fault in exercise.hidden.choices)
    finally:
        fresh.session.units = display.US
    assert [fault.happens for fault in exercise.hidden.choices] == before


def test_a_kept_answer_to_a_step_that_is_none_of_this_car_is_asked_anew(fresh, monkeypatch):
    commit(fresh, 2)
    kept = fresh.keepsake.text
    fresh.forget()

    def refuse(*_args):
        raise InputError("shot", 1, "hp", "less", "It cannot be computed.")

    monkeypatch.setattr(type(STEPS[2]), "verdict", refuse)
    fresh.keepsake.found = kept
    fresh.go(2)
    assert "gauge" not in fresh.answers
    fresh.keepsake.found = ""


def test_a_car_that_cannot_be_computed_is_a_sentence():
    sheet = BuildSheet.demo("wren_five").replace({"nitrous.shot_hp": 500, "nitrous.nozzle_diameter_mm": None})
    page = why_targets(Session("units=us&" + sheet.to_query()))
    assert page.answer.value
