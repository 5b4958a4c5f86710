"""What if and how sure behind the browser: the table against the kernel, a run with and without a loop, what is refused, units."""

import asyncio
import re
import time
from functools import cache
from html import unescape
from types import SimpleNamespace

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.plan.dose import Dosed, dosed_of
from kernel_lib.plan.faults import faults
from workbooks.ui import risk_view
from workbooks.ui import risk_words as words
from workbooks.ui.risk_view import FaultsBlock, RiskPanel
from workbooks.ui.session import Session

SHEETS = {name: BuildSheet.demo(name) for name in ("wren_five", "badger_eight")}
NOT_US = re.compile(r"°C|(?<=\d )bar\b|\b(?:kPa|kg|g/s)\b")
NOT_METRIC = re.compile(r"°F|\b(?:psi|lb)\b")


def session(name="wren_five"):
    made = Session()
    made.sheet = SHEETS[name]
    return made


@cache
def result(name="wren_five", share=0.5):
    return SimpleNamespace(sheet=SHEETS[name], dosed=dosed_of(SHEETS[name], share))


def nothing(name="wren_five"):
    d = result(name).dosed
    return SimpleNamespace(sheet=SHEETS[name], dosed=Dosed(d.rpm, 0 * d.share, 0 * d.share, d.full_flow))


@cache
def sampled(name="wren_five"):
    """A panel after a run in plain Python."""
    panel = RiskPanel()
    panel.samples.options = [("100", 100)]
    panel.draw(result(name), 14.7, "us", session(name))
    panel.press()
    return panel


def shown(panel):
    return unescape(" ".join([panel.title.value, panel.quiet.value, *(w.value for p in panel.pictures for w in (p.title, p.subtitle, p.text))]))  # fmt: skip


@pytest.mark.parametrize("name", SHEETS)
def test_table_holds_every_fault(name):
    block = FaultsBlock()
    block.draw(result(name), 14.7, "metric", session(name))
    every = faults(SHEETS[name], result(name).dosed)
    assert block.body.value.count("<tbody>") == len(every)
    text = unescape(block.body.value)
    for fault in every:
        assert fault.name in text
        assert fault.happens in text
    assert not re.search(r"\bnan\b|\binf\b|!(?!DOCTYPE)", text)
    assert f"{sum(bool(f.beyond) for f in every[1:])} pass a limit" in block.title.value


@pytest.mark.parametrize("name", SHEETS)
def test_each_system_of_units_is_kept(name):
    for system, foreign in (("us", NOT_US), ("metric", NOT_METRIC)):
        block = FaultsBlock()
        block.draw(result(name), 14.7, system, session(name))
        assert not foreign.search(unescape(re.sub(r"<[^>]+>", " ", block.body.value)))


def test_numbers_past_a_limit_carry_a_mark():
    missing = next(f for f in faults(SHEETS["wren_five"], result().dosed) if f.name == "added fuel missing")
    html = words.fault_html([missing], "metric")
    assert f"▪ {missing.lambda_:.2f} / {missing.lambda_worst:.2f}" in html
    assert f"{round(1e3 * missing.how_late_s, -1):.0f} / {missing.cycles:.0f}" in html


def test_faults_are_kept_while_the_dose_is():
    block = FaultsBlock()
    block.draw(result(), 14.7, "us", session())
    kept = block._kept
    block.draw(SimpleNamespace(sheet=result().sheet, dosed=dosed_of(result().sheet, 0.5)), 14.7, "us", session())
    assert block._kept is kept


def test_faults_wait_until_nothing_moves(monkeypatch):
    monkeypatch.setattr(risk_view, "_LATER", 0.05)
    block = FaultsBlock()
    block.draw(result(), 14.7, "us", session())
    before = block.body.value

    async def moved():
        block.draw(result(share=0.4), 14.7, "us", session())
        assert block.body.value == before
        assert "nw-stale" in block.widget._dom_classes
        await asyncio.sleep(1.0)

    asyncio.run(moved())
    assert block.body.value != before
    assert "nw-stale" not in block.widget._dom_classes


def test_nothing_flows():
    block, panel = FaultsBlock(), RiskPanel()
    block.draw(nothing(), 14.7, "us", session())
    assert "nothing flows" in block.title.value
    panel.draw(nothing(), 14.7, "us", session())
    panel.press()
    assert "nothing to sample" in panel.error.value


def test_before_a_run_the_panel_says_so():
    panel = RiskPanel()
    panel.settle()
    assert "Nobody has sampled" in panel.title.value
    assert panel._drawn.layout.display == "none"
    panel.press()  # nothing was drawn yet: nothing happens
    assert not panel.error.value


@pytest.mark.parametrize("name", SHEETS)
def test_a_run_in_plain_python(name):
    panel = sampled(name)
    risk = panel.shown.risk
    assert risk.samples == 100
    assert panel._drawn.layout.display is None
    text = shown(panel)
    assert "Nobody has sampled" not in text
    assert not re.search(r"\bnan\b|\binf\b|!", text)
    assert words.name_of(risk.ranked["input"].iloc[0]) in text
    assert not NOT_US.search(text)
    assert f"Seed {risk.seed}" in text


def test_pictures_hold_what_was_sampled():
    panel = sampled()
    table = panel.shown.risk.quantiles
    lam, margins, drivers = panel.pictures
    assert lam.figure.data[2].y == pytest.approx(table["lambda_mean_50"].to_numpy())
    assert lam.figure.data[0].y[: len(table)] == pytest.approx(table["lambda_mean_95"].to_numpy())
    assert margins.figure.data[2].y == pytest.approx(100 * table["pressure_50"].to_numpy())
    assert drivers.figure.data[1].x == pytest.approx(100 * panel.shown.risk.ranked["pressure"].to_numpy())


@pytest.mark.alone
def test_redraws_are_quick():
    panel = sampled()
    for picture in panel.pictures:
        started = time.perf_counter()
        picture._framed = None
        picture.draw(panel.shown, 14.7, "metric", session())
        assert time.perf_counter() - started < 0.2  # a loaded machine; alone it takes some ms


def test_another_dose_greys_the_pictures():
    panel = RiskPanel()
    panel.samples.options = [("50", 50)]
    panel.draw(result(), 14.7, "us", session())
    panel.press()
    assert "nw-stale" not in panel._drawn._dom_classes
    panel.draw(result(share=0.3), 14.7, "us", session())
    assert "nw-stale" in panel._drawn._dom_classes
    assert "sample it anew" in panel.note.value
    panel.draw(result(), 14.7, "us", session())
    assert "nw-stale" not in panel._drawn._dom_classes


@pytest.mark.alone
def test_a_run_leaves_the_loop_free():
    """While thousands of hits are computed the loop goes on; progress is told; the button stops and starts again."""
    panel, gaps, told = RiskPanel(), [], []
    panel.bar.observe(lambda c: told.append(c["new"]), "value")
    panel.draw(result(), 14.7, "us", session())
    panel.samples.value = 2000

    async def page():
        panel.press()
        task = panel.task
        assert panel.button.description == "stop"
        while not task.done():
            started = time.perf_counter()
            await asyncio.sleep(0.005)
            gaps.append(time.perf_counter() - started)
        await task

    asyncio.run(page())
    assert panel.shown is not None
    assert panel.task is None
    assert panel.button.description == "sample this dose"
    assert told[-1] == 1.0
    assert len(told) > 3
    assert np.quantile(gaps, 0.95) < 0.2


def test_a_run_can_be_stopped():
    panel = RiskPanel()
    panel.draw(result(), 14.7, "us", session())
    panel.samples.value = 5000

    async def page():
        panel.press()
        task = panel.task
        await asyncio.sleep(0.1)
        panel.press()
        await task

    started = time.perf_counter()
    asyncio.run(page())
    assert time.perf_counter() - started < 8
    assert "Stopped" in panel.note.value
    assert panel.shown is None


def test_same_seed_same_pictures():
    first, second = sampled(), RiskPanel()
    second.samples.options = [("100", 100)]
    second.draw(result(), 14.7, "us", session())
    second.press()
    assert second.shown.risk.quantiles.equals(first.shown.risk.quantiles)
    second.seed.value = 2
    second.press()
    assert not second.shown.risk.quantiles.equals(first.shown.risk.quantiles)


def test_a_fault_of_our_own_is_told_plainly(monkeypatch):
    panel = RiskPanel()
    panel.draw(result(), 14.7, "us", session())
    monkeypatch.setattr(risk_view, "monte_carlo", lambda *_, **__: 1 / 0)
    panel.press()
    assert "fault of its own" in panel.error.value
