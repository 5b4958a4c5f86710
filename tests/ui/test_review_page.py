"""The pull review behind the browser: what is opened, asked, judged, corrected, drawn; whose log it is; what is refused; hostile files."""

import asyncio
import re
import time
from datetime import UTC, datetime
from html import unescape
from types import SimpleNamespace

import ipywidgets as w
import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError
from kernel_lib.logs.finding import Change
from kernel_lib.logs.fit import Fit
from kernel_lib.logs.fit_told import AIR_OVER_INJECTORS, TREND_TOLD
from kernel_lib.logs.match import Mapping
from kernel_lib.logs.sim_scenario import SCENARIOS
from kernel_lib.logs.sim_write import write
from kernel_lib.logs.simulate import simulate
from workbooks.serve.config import MAX_UPLOAD_BYTES
from workbooks.ui.review import desk as desk_module
from workbooks.ui.review import fit_view, opened, review_view, words
from workbooks.ui.review.opened import Done, Opened, Order, demo_logs, plain_name, work
from workbooks.ui.review.review_view import PullReview
from workbooks.ui.review.time_picture import outline, within
from workbooks.ui.session import Session

WREN = BuildSheet.demo("wren_five")
HOSTILE = "<img src=x onerror=alert(1)>"
NOT_US = re.compile(r"°C|\b(?:kPa|kg/h|bar)\b")
NOT_METRIC = re.compile(r"°F|\b(?:psi|lb/h|inHg)\b")


def sent(*files):
    """Files as an upload button holds them."""
    return tuple(
        {"name": n, "type": "", "size": len(c), "content": memoryview(c), "last_modified": datetime.now(UTC)}
        for n, c in files
    )


def demo(name):
    return demo_logs()[name].read_bytes()


def inside(widget):
    """Every widget in a box."""
    yield widget
    for child in getattr(widget, "children", ()):
        yield from inside(child)


def markup(page):
    """All HTML that the page holds, shown or not."""
    return "\n".join(part.value for part in inside(page.page) if isinstance(part, w.HTML))


def plain(widget):
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", widget.value)).split())


def shown(page):
    """What a visitor reads of the log that is looked at."""
    parts = [page.answer, page.gates, page.reasons, page.changes, page.history, page.fit.said, page.fit.table]
    parts += [part for group in page.pulls.pictures for p in group for part in (p.title, p.subtitle, p.text)]
    return " ".join(plain(part) for part in parts)


def opened_page(*names, units="us"):
    page = PullReview(Session(f"units={units}"))
    for name in names:
        page.desk.open(f"{name}.csv", demo(name))
    return page


@pytest.fixture(scope="module")
def late():
    """A page with one log of the visitor's own."""
    return opened_page("late fuel")


def csv(head, rows=400, seed=1, stoichiometric=9.0):
    """A small log of a pull without nitrous with columns of these names: time, rpm, throttle and a mixture on that scale."""
    rng = np.random.default_rng(seed)
    t = np.arange(rows) * 0.02
    throttle = np.where((t > 1) & (t < 6), 100.0, 12.0)
    rpm = 2200 + np.clip(t - 1, 0, 5) * 720 - np.clip(t - 6, 0, 9) * 300
    afr = stoichiometric * (np.where(throttle > 50, 0.88, 1.0) + rng.normal(0, 0.004, rows))
    lines = [",".join(head)]
    lines += [f"{a:.2f},{b:.0f},{c:.1f},{d:.3f}" for a, b, c, d in zip(t, rpm, throttle, afr, strict=True)]
    return "\n".join(lines).encode()


# ---- before, and whose ----


def test_nothing_is_judged_before_a_log_is_open():
    page = PullReview(Session())
    assert "No log is open, so nothing is judged" in page.empty.value
    assert "nw-state-" not in markup(page)
    assert page.judged.layout.display == "none"
    assert page.pulls.pictures == ([], [])


def test_a_demo_log_needs_no_click_and_is_never_taken_for_the_visitors_own():
    page = PullReview(Session())
    page.demo.value = "clean"
    assert page.demo.value == ""
    assert "Go" in plain(page.answer)
    assert "simulated" in plain(page.answer)
    assert "demo log" in plain(page.list)
    assert page.desk.looked.questions == ()
    assert page.session.mapping == ""
    assert "demo log" in page.desk.looked.review.name  # so in every file taken along
    assert page.strange.layout.display == "none"
    page.session.change({"car.name": "Another"})
    assert "is of the demo car" in plain(page.strange)


@pytest.mark.parametrize("name", sorted(demo_logs()))
def test_every_demo_log_asks_nothing(name):
    done = work(Opened(name, demo(name)), Order(WREN.replace({"car.name": "no plan"}), False), _until_judged)
    assert done.mapping.questions == ()
    assert done.log is not None


def _until_judged(text):
    if text.startswith("Judging"):
        raise InputError("enough", "", "", "", "")


# ---- verdict, reasons, pictures ----


def test_verdict_first_with_its_mark(late):
    assert re.search(r'class="nw-state-stop">Stop</span>', late.answer.value)
    review = late.desk.looked.review
    assert review.findings[0].title in plain(late.reasons)
    assert "\n" not in plain(late.answer)
    for change in review.changes:
        assert " ".join(change.sentence.split()) in plain(late.changes)
    assert not re.search(r"\bnan\b|\binf\b|!|None", shown(late))


def test_pictures_hold_what_was_logged_and_what_was_expected(late):
    speed, mixture = late.pulls.pictures[0][:2]
    review, looked = late.desk.looked.review, late.pulls
    course, log = review.courses[looked.at], review.log
    window = slice(*np.searchsorted(log.time_s, [course.time_s[0] - 0.005, course.time_s[-1] + 0.005]))
    lines = [trace for trace in speed.figure.data[3:] if trace.y is not None and len(trace.y)]
    np.testing.assert_allclose(lines[0].y, log.data["rpm"][window])
    assert {a.text for a in speed.figure.layout.annotations} >= {"ramp-in", "spray", "wash-out"}
    names = [trace.hovertemplate.split(":")[0] for trace in mixture.figure.data[3:] if trace.hovertemplate]
    at = names.index("in the cylinder")
    true = mixture.figure.data[3 + at].y
    held = np.isfinite(true)
    assert held.sum() > 100
    np.testing.assert_allclose(true[held], course.undelayed[held])


def test_units_are_followed_and_moving_back_says_the_same(late):
    before = shown(late)
    assert not NOT_US.search(before)
    late.session.units = "metric"
    assert not NOT_METRIC.search(shown(late))
    late.session.units = "us"
    assert shown(late) == before


def test_plugs_change_the_verdict_at_once():
    page = opened_page("clean")
    assert "Go" in plain(page.answer)
    filled = [p._filled for p in page.pulls.pictures[0]]
    page._plugs.choices[3].value = "melted"
    assert plain(page.answer).count("Stop") == 1
    assert "cylinder 3" in plain(page.answer)
    assert [p._filled for p in page.pulls.pictures[0]] == filled  # nothing was drawn anew
    page._plugs.choices[3].value = "clean"
    assert "Go" in plain(page.answer)
    page.desk.open("late.csv", demo("late fuel"))
    assert page._plugs.choices[3].value == "not read"  # plugs belong to their log
    page.which.value = 0
    assert page._plugs.choices[3].value == "clean"


def test_several_logs_stand_side_by_side():
    page = opened_page("clean", "base", "late fuel")
    assert "3 logs side by side" in plain(page.history_title)
    assert page.history.value.count("<tr>") == 4
    assert "judged beside base.csv" in plain(page.answer)
    assert [o.name for o in page.desk.fitted] == ["clean.csv", "base.csv", "late fuel.csv"]
    page.desk.look(1)
    page.remove.click()
    assert [o.name for o in page.desk.logs] == ["clean.csv", "late fuel.csv"]
    assert "judged beside" not in plain(page.answer)
    assert [o.name for o in page.desk.fitted] == ["clean.csv", "late fuel.csv"]
    page.desk.open("clean.csv", demo("clean"))
    assert page.desk.looked.name == "clean.csv (2)"


def test_clean_pulls_in_several_files_count_together(tmp_path):
    """A pull a file: the one opened before it counts; taken away, it does not."""
    write(simulate(SCENARIOS["clean_half"], 7), tmp_path / "second.csv")
    page = opened_page("half step")
    assert "holds 1 clean pull" in plain(page.gates)
    page.desk.open("second.csv", (tmp_path / "second.csv").read_bytes())
    assert "this log and 'half step.csv' hold 2" in plain(page.gates)
    assert "a second clean pull" not in plain(page.answer)
    page.desk.look(0)
    assert "holds 1 clean pull" in plain(page.gates)
    page.desk.remove()
    assert page.desk.looked.name == "second.csv"
    assert "holds 1 clean pull" in plain(page.gates)
    assert "a second clean pull" in plain(page.answer)


def test_a_part_that_fails_leaves_the_verdict(monkeypatch):
    page = opened_page()
    monkeypatch.setattr("workbooks.ui.review.review_view.review_html", lambda *_, **__: 1 / 0)
    page.desk.open("clean.csv", demo("clean"))
    assert "Go" in plain(page.answer)
    assert "could not be shown" in plain(page.fault)
    assert page.pulls.pictures


# ---- which column is which ----

AFR = ["time (s)", "engine rpm", "tps (%)", "A/F"]


@pytest.fixture
def asked():
    """A page with a log whose mixture says no scale that fits the sheet's gauge."""
    page = PullReview(Session())
    page.desk.open("own.csv", csv(AFR))
    return page


def test_a_question_stands_first_and_its_answer_gives_the_verdict(asked):
    assert asked.desk.looked.questions
    assert asked.mapping.questions.layout.display is None
    assert not asked.mapping.fold.value
    assert asked.mapping.rows["lambda_"].widget in asked.mapping.asked.children
    assert "no verdict" in plain(asked.answer)
    row = asked.mapping.rows["lambda_"]
    row.scale.value = "9x"
    assert "cannot be read" in plain(asked.mapping.error)
    assert row.scale.value == "9x"
    row.scale.value = "9,0"
    assert asked.desk.looked.review is not None
    assert asked.desk.looked.mapping.get("lambda_").scale == 9.0
    assert "no verdict" not in plain(asked.answer)


def test_the_mapping_travels_in_the_address_and_in_a_file(asked):
    asked.mapping.rows["lambda_"].scale.value = "9,0"
    assert Mapping.from_text(asked.session.mapping).get("lambda_").scale == 9.0
    again = PullReview(Session(asked.session.query))
    again.desk.open("next.csv", csv(AFR, seed=2))
    assert again.desk.looked.questions == ()
    assert again.desk.looked.mapping.get("lambda_").scale == 9.0
    fresh = PullReview(Session(f"units=us&{asked.session.sheet.to_query()}"))
    fresh.desk.open("next.csv", csv(AFR, seed=2))
    assert fresh.desk.looked.questions
    text = asked.desk.looked.mapping.to_toml().encode()
    fresh.mapping.upload.value = sent(("log_mapping.toml", text))
    assert fresh.desk.looked.questions == ()
    assert fresh.desk.looked.review is not None


@pytest.mark.parametrize("text", ["", "x", "log_mapping = 2", "\x00", "log_mapping = 1\n[rpm]\ncolumn = 3"])
def test_what_is_no_mapping_is_refused(text, late):
    before = late.desk.looked.mapping
    late.mapping.upload.value = sent(("m.toml", text.encode()))
    assert late.mapping.file_error.value
    assert late.desk.looked.mapping is before


def test_a_mapping_in_the_address_that_cannot_be_read_is_said():
    page = PullReview(Session("units=us&map=" + "zzz"))
    assert "could not be read" in page.desk.note
    assert page.desk.known is None


def test_a_quantity_left_out_stays_unjudged_and_comes_back(late):
    row = late.mapping.rows["timing_deg_btdc"]
    column, before = row.column.value, plain(late.reasons)
    row.column.label = "not in this log"
    assert "Left out by you" in plain(row.why)
    assert "timing" in plain(late.mapping.said).partition("What they would tell")[0]
    assert plain(late.reasons) != before
    row.column.value = column
    assert plain(late.reasons) == before


# ---- refusals and hostile files ----


def test_a_file_beyond_the_limit_is_refused_with_its_size(late):
    before = list(late.desk.logs)
    big = bytes(MAX_UPLOAD_BYTES + 3 * 1024 * 1024)
    with pytest.raises(InputError, match=r"43 MB.*up to 40 MB"):
        late.desk.open("big.csv", big)
    assert late.desk.logs == before


@pytest.mark.parametrize("content", [b"", b"\x00\x01\x02" * 500, b"PK\x03\x04" + bytes(900), b"one\n1\n2\n3\n", b"a,b\nx,y\n" * 40])  # fmt: skip
def test_what_is_no_log_is_a_sentence_and_leaves_the_others(content, late):
    before = late.answer.value
    late.desk.open("rubbish.bin", content)
    assert "no verdict" in plain(late.answer)
    assert len(late.desk.looked.refused) > 20
    assert "Traceback" not in markup(late)
    assert late.desk.looked.content == b""  # and it is not read again at every change
    late.remove.click()
    assert late.answer.value == before


def test_hostile_names_of_files_and_columns_are_only_text():
    page = PullReview(Session())
    head = [f"time (s) {HOSTILE}", f"engine rpm {HOSTILE}", f"throttle (%) {HOSTILE}", "lambda"]
    page.desk.open(f"../../{HOSTILE}.csv", csv(head, stoichiometric=1.0))
    page.desk.open(f"x\x00\n{HOSTILE}", demo("clean"))
    text = markup(page)
    assert HOSTILE not in text
    assert "<img" not in text
    assert "../" not in page.list.value
    assert "img" in text  # it is there, escaped


def test_names_are_plain_and_short():
    assert plain_name("C:\\logs\\a\x07b.csv") == "ab.csv"
    assert len(plain_name("x" * 300 + ".csv")) <= 60


def test_several_files_one_of_them_rubbish():
    page = PullReview(Session())
    page.upload.value = sent(("a.csv", demo("clean")), ("b.csv", b""))
    assert page.upload.value == ()  # the page does not keep the files
    assert len(page.desk.logs) == 2
    assert sum(o.review is not None for o in page.desk.logs) == 1


# ---- the worker ----


def test_the_page_stays_usable_and_what_changed_meanwhile_is_judged_again(monkeypatch):
    """While a log is judged in its thread the loop goes on; a correction made meanwhile is not lost."""
    page, seen, gaps = PullReview(Session()), [], []

    def slow(log, order, tell):
        key, version = log.key(order), log.version
        tell("Judging it.")
        time.sleep(0.3)
        seen.append(version)
        return Done(key, raw=True, refused=InputError("log", "", "", "", f"version {version}"))

    monkeypatch.setattr(desk_module, "work", slow)
    monkeypatch.setattr(page.mapping, "show", lambda *_: None)

    async def visit():
        page.desk.open("a.csv", b"x")
        for k in range(100):
            started = time.perf_counter()
            await asyncio.sleep(0.01)
            gaps.append(time.perf_counter() - started)
            if k == 5:
                assert "Judging it" in page.progress.value
                page.desk.read_plug(1, "clean")
            if page.desk.task is None:
                break

    asyncio.run(visit())
    assert seen == [0, 1]
    assert "version 1" in page.desk.looked.refused
    assert page.progress.value == "<span></span>"
    assert np.median(gaps) < 0.1


def test_a_fault_of_our_own_is_told_plainly_and_not_tried_for_ever(monkeypatch):
    page = PullReview(Session())
    monkeypatch.setattr(desk_module, "work", lambda *_: 1 / 0)
    page.desk.open("a.csv", b"x")
    assert "fault of its own" in plain(page.answer)


def test_too_many_logs(monkeypatch):
    page = PullReview(Session())
    monkeypatch.setattr(desk_module, "work", lambda log, order, _: Done(log.key(order)))
    for k in range(opened.MOST_LOGS):
        page.desk.open(f"{k}.csv", b"x")
    with pytest.raises(InputError, match="Remove one"):
        page.desk.open("more.csv", b"x")


# ---- the fit, and small parts ----


def test_the_fit_goes_into_the_sheet_and_everything_is_judged_anew():
    page = opened_page("clean")
    before = page.session.sheet
    page.fit.show(Fit(sheet_changes={"controller.sensor_delay_ms": 91.0}), "clean.csv")
    assert "91" in plain(page.fit.into)
    assert "download" in page.fit.take.value
    page.fit.button.click()
    assert page.session.sheet.controller.sensor_delay_ms == 91.0
    assert page.desk.looked.review.sheet == page.session.sheet
    assert page.session.sheet != before
    assert page.answer.value
    page.fit.show(Fit(sheet_changes={"controller.sensor_delay_ms": -5.0}), "clean.csv")
    page.fit.button.click()
    assert page.fit.error.value
    assert page.session.sheet.controller.sensor_delay_ms == 91.0


def test_a_refused_fit_says_why():
    assert "Too little." in fit_view.told(Fit(refused="Too little."), "a.csv")
    assert fit_view.title(Fit(refused="Too little.")) == "Nothing is fitted to these logs"


def test_amounts_carry_sign_band_and_unit():
    fuel = Change("fuel", "", 4000.0, 60.0, 1.25, 0.4, 2.1, "% of all fuel")
    assert words.amount(fuel) == "+1.2 (+0.4 to +2.1) % of all fuel"
    assert words.where(fuel) == "4000 rpm, 60 % valve duty"
    assert words.amount(Change("bottle", "", amount=89.6, unit="°F")) == "to 90 °F"
    assert words.amount(Change("guard", HOSTILE)) == "–"


def test_labels_keep_apart_and_inside():
    places = within([0.0, 9.99, 9.99], 1.0, 0.0, 10.0)
    assert min(places) >= 0
    assert max(places) <= 10
    assert np.diff(np.sort(places)).min() >= 1.0 - 1e-9


def test_a_band_has_a_hole_where_it_is_not_known():
    t, low = np.arange(5.0), np.array([0, 0, np.nan, 0, 0.0])
    x, _ = outline(t, low, low + 1)
    assert np.isnan(x).sum() == 1
    assert 2.0 not in x


# ---- what an apprentice and a tuner fell over ----


def test_the_base_is_chosen_and_two_that_disagree_are_said_first():
    page = opened_page("clean", "base", "base")
    page.desk.look(0)
    names = [name for name, _ in page.base.options]
    assert names == ["none", "base.csv", "base.csv (2)"]
    assert "judged beside base.csv (2)" in plain(page.answer)
    page.base.value = 1
    assert "judged beside base.csv," in plain(page.answer)
    page.base.label = "none"
    assert "judged beside" not in plain(page.answer)
    first, second = Opened("a.csv", review=_said("go")), Opened("b.csv", review=_said("stop"))
    told = words.disagree([first, second], second)
    assert "a.csv says go and b.csv says stop" in told
    assert "held against b.csv" in told
    assert words.disagree([first], first) == ""


def _said(verdict):
    return type("Said", (), {"verdict": verdict})()


def test_no_verdict_while_the_nitrous_column_is_a_question():
    page = opened_page("clean")
    log = page.desk.looked
    assert "Go" in plain(page.answer)
    key = "nitrous_duty_percent"
    log.mapping = Mapping(log.mapping.matches, ("Is this the valve?",), (key,))
    page.draw()
    assert "no verdict" in plain(page.answer)
    assert "Answer first which column is the nitrous valve" in plain(page.answer)
    assert "Go" not in plain(page.list)
    assert page.reasons.layout.display == "none"
    assert page.mapping.rows[key].widget in page.mapping.asked.children
    assert page.desk._to_fit() == []
    page.mapping.rows[key].confirm.click()
    assert "no verdict" not in plain(page.answer)


def test_a_mapping_that_does_not_fit_keeps_what_is_confirmed_and_can_be_undone():
    page = PullReview(Session())
    page.desk.open("own.csv", csv(AFR))
    page.mapping.rows["lambda_"].scale.value = "9.0"
    before = page.desk.looked.mapping.to_toml()
    foreign = (
        b'log_mapping = 1\n[lambda_]\ncolumn = "tps (%)"\nunit = "lambda"\n[rpm]\ncolumn = "elsewhere"\nunit = "rpm"\n'
    )
    page.mapping.upload.value = sent(("m.toml", foreign))
    assert page.desk.looked.mapping.get("lambda_").scale == 9.0
    assert page.desk.looked.mapping.get("lambda_").name == "A/F"
    assert "Kept as you settled it: lambda" in plain(page.mapping.loaded_said)
    assert "not in this log" in plain(page.mapping.loaded_said)
    page.mapping.undo.click()
    assert page.desk.looked.mapping.to_toml() == before


def test_a_picture_as_a_mapping_is_a_plain_sentence(late):
    for content in (b"\x89PNG\r\n\x1a\n" + bytes(range(128, 256)), b"time,rpm\n1,2\n"):
        late.mapping.upload.value = sent(("m.toml", content))
        assert "This file is no mapping" in late.mapping.file_error.value
        assert "codec" not in late.mapping.file_error.value


def test_pictures_stand_in_the_seconds_of_the_log_and_a_title_says_what_is_drawn(late):
    looked, time = late.pulls, late.desk.looked.review.log.time_s
    first = looked.pictures[0][0].figure
    assert first.layout.xaxis.title.text == "time in the log, s"
    assert first.layout.xaxis.range[0] >= time[0]
    retard = next(plain(p.title) for p in looked.pictures[1] if type(p).__name__ == "RetardPicture")
    assert re.search(r"Retard logged [−\d.]+ to [−\d.]+ degrees, planned", retard)


def test_digits_of_the_history():
    assert words._cell("least_retard_margin_deg", -0.04, "us") == "0.0"
    assert words._cell("least_retard_margin_deg", -1.26, "us") == "−1.3"
    assert words._cell("peak_injector_duty_percent", 83.46, "us") == "83"


def test_every_nozzle_can_be_stated_and_none_is_the_same_as_nothing_said():
    told = []
    plugs = review_view.Plugs(SimpleNamespace(set_part=told.append, read_plug=lambda *_: None), 8)
    steps = [SimpleNamespace(share=share) for share in (0.5, 0.75, 1.0)]
    tune = SimpleNamespace(pulsed=False, ladder=SimpleNamespace(steps=steps))
    shown_ = SimpleNamespace(kind="nitrous")
    plugs.show(SimpleNamespace(shown=shown_, review=SimpleNamespace(tune=tune), plugs={}, part=None))
    assert plugs.part.label == "not stated"
    for label, value in plugs.part.options[1:]:
        plugs.part.label = label
        assert told[-1] == value
    assert told == [1.0, 0.5, 0.75]


def test_a_valve_that_is_not_pulsed_has_no_duty_to_miss_and_no_dose_drawn_as_known(tmp_path):
    """The badger: one valve, a nozzle a step; its switch tells when it flows, and nobody has said which nozzle was in."""
    sheet = BuildSheet.demo("badger_eight")
    write(simulate(SCENARIOS["badger_hit"], 3), tmp_path / "hit.csv")
    page = PullReview(Session(f"units=us&{sheet.to_query()}"))
    page.desk.open("hit.csv", (tmp_path / "hit.csv").read_bytes())
    assert "nitrous valve duty" not in plain(page.mapping.said).partition("What they would tell")[0]
    assert "is not stated" in page.pulls.none.value
    page.desk.set_part(0.5)
    assert page.pulls.none.value == ""
    assert "forbids a larger step" in plain(page.answer)


def test_a_fit_that_moves_nothing_says_whether_the_logs_fit_the_sheet():
    told = (AIR_OVER_INJECTORS, 1.0, 0.02), (TREND_TOLD, 0.0, 0.02)
    assert "bear the build sheet out" in fit_view.title(Fit(combinations=told))
    assert "bear" not in fit_view.title(Fit(combinations=((AIR_OVER_INJECTORS, 1.054, 0.02),)))
    assert "bear" not in fit_view.title(Fit(combinations=(told[0], (TREND_TOLD, 0.05, 0.02))))
