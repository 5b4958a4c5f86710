"""The valve's pictures behind the browser: drawn arrays against the kernel's, sentences against numbers, and what happens where nothing flows or pulses."""

import re
from dataclasses import dataclass, field, replace
from html import unescape
from types import SimpleNamespace

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.engine.setup import Setup
from kernel_lib.plan import delivery as dv
from kernel_lib.plan.dose import Dosed, dosed_of
from kernel_lib.plan.passage import extremes, lead_needed
from kernel_lib.plan.proposals import fuel_missing
from kernel_lib.plan.stopping import stop_budget, wash_out
from workbooks.ui import valve_model as model
from workbooks.ui import valve_pictures as pictures
from workbooks.ui import valve_words as words

WREN, BADGER = BuildSheet.demo("wren_five"), BuildSheet.demo("badger_eight")
PORT = WREN.replace({"nitrous.delivery": "port"})
PICTURES = (pictures.RipplePicture, pictures.BeatPicture, pictures.LeadPicture, pictures.StopPicture)
CARS = pytest.mark.parametrize("sheet", [WREN, BADGER, PORT], ids=["dry", "wet", "port"])


@dataclass(frozen=True)
class Inputs:
    rpm: float = 4500.0
    pulse_hz: float = 12.0
    lead_ms: float = 100.0


@dataclass(frozen=True)
class Result:
    sheet: BuildSheet
    dosed: Dosed
    inputs: Inputs = field(default_factory=Inputs)
    tune: SimpleNamespace = field(default_factory=lambda: SimpleNamespace(pulsed=True))


def result(sheet=WREN, share=0.5, *, pulsed=True, **inputs):
    return Result(sheet, dosed_of(sheet, share), Inputs(**inputs), SimpleNamespace(pulsed=pulsed))


NOTHING = Result(WREN, Dosed(*(np.array([]),) * 3, 0.03))


def drawn(kind, r):
    picture = kind()
    picture.draw(r, 14.7, "us", None)
    return picture


def said(picture):
    return unescape(re.sub("<[^>]+>", " ", picture.title.value + picture.subtitle.value + picture.text.value))


@CARS
@pytest.mark.parametrize("kind", PICTURES)
@pytest.mark.parametrize("share", [0.5, 1.0])
def test_every_picture_speaks(sheet, kind, share):
    """A finding, a subtitle, sentences; no bare numbers, no promises."""
    text = said(drawn(kind, result(sheet, share)))
    assert not re.search(r"\bnan\b|\binf\b|None|!|\bsafe\b|\d\.\d{5}|-0 ms", text)
    assert not re.search(r"(?<!valve )(?<!injector )\bduty\b", text)
    assert len(text) > 150


@pytest.mark.parametrize("kind", PICTURES)
def test_nothing_flows(kind):
    picture = drawn(kind, NOTHING)
    assert "nitrous flows" in said(picture)
    drawn_again = picture.draw(result(), 14.7, "us", None)  # and back
    assert drawn_again is None
    assert picture.figure.data[0].x is not None
    picture.draw(NOTHING, 14.7, "us", None)
    assert not np.size(picture.figure.data[2].x)


def test_ripple_is_the_kernels():
    r = result()
    picture, setup = drawn(pictures.RipplePicture, r), Setup.of(WREN)
    line, dots = picture.figure.data[2], picture.figure.data[3]
    ripple = dv.lambda_ripple(WREN, setup, 4500.0, 0.5, 12.0)
    assert min(line.y) == pytest.approx(float(ripple.richest), abs=2e-3)
    assert max(line.y) == pytest.approx(float(ripple.leanest), abs=2e-3)
    assert np.diff(dots.x) == pytest.approx(1e3 * 120 / 4500 / 5)
    assert line.customdata == pytest.approx(14.7 * np.asarray(line.y))
    low, high = np.split(np.asarray(picture.figure.data[0].y), 2)[::-1]
    assert (low[::-1] <= line.y).all()
    assert (line.y <= high).all()
    assert f"lambda {ripple.richest:.2f} and {ripple.leanest:.2f}" in picture.title.value


def test_trade_is_drawn_beside_another_frequency_only():
    assert np.size(drawn(pictures.RipplePicture, result()).figure.data[1].x)
    assert not np.size(drawn(pictures.RipplePicture, result(pulse_hz=10.0)).figure.data[1].x)


def test_open_valve_has_no_ripple():
    assert "no pulses" in drawn(pictures.RipplePicture, result(share=1.0)).title.value
    assert "no pulses" in drawn(pictures.RipplePicture, result(pulsed=False)).title.value
    assert "nothing can beat" in drawn(pictures.BeatPicture, result(share=1.0)).title.value


def test_pulses_too_fast_for_the_valve_are_said():
    assert "cannot open and close" in said(drawn(pictures.RipplePicture, result(pulse_hz=45.0)))


def test_map_is_the_kernels():
    picture, setup = drawn(pictures.BeatPicture, result()), Setup.of(WREN)
    z, x, y = (np.asarray(picture.figure.data[0][name]) for name in ("z", "x", "y"))
    k, j = 20, 30
    spread = dv.standing_spread(dv.mixing(WREN, setup, x[j]), y[k], 0.5, x[j], 5)
    assert z[k, j] == pytest.approx(100 * float(spread))
    assert picture.figure.data[8].x[0] == 4500.0
    assert picture.figure.data[8].y[0] == 12.0
    assert np.asarray(picture.figure.data[1].y) == pytest.approx(np.asarray(picture.figure.data[1].x) / 120)


def test_moving_frequency_does_not_make_the_map_anew():
    picture = drawn(pictures.BeatPicture, result())
    before = picture._sent[0, "z"]
    picture.draw(result(pulse_hz=20.0), 14.7, "us", None)
    assert picture._sent[0, "z"] is before
    assert picture.figure.data[8].y[0] == 20.0


@CARS
def test_lead_is_the_kernels(sheet):
    r = result(sheet)
    d = model.lead(model.Spot.of(r))
    assert (d.least.low, d.least.best, d.least.high) == pytest.approx(
        [getattr(lead_needed(sheet, 4500.0, 0.5), k) for k in ("low", "best", "high")]
    )
    rich, lean = extremes(sheet, 4500.0, 0.5, 0.1)
    assert d.richest.best == pytest.approx(float(rich), abs=5e-3)
    assert d.leanest.best == pytest.approx(float(lean), abs=5e-3)
    assert (d.low <= d.chosen).all()
    assert (d.chosen <= d.high).all()
    allowed = max(sheet.engine.lambda_without_nitrous, sheet.engine.lambda_with_nitrous) + 0.02
    assert d.needed.max() <= allowed + 1e-3


@pytest.mark.parametrize(
    ("end", "told"),
    [("low", "short of what likely keeps"), ("best", "not at the worst"), ("high", "at the worst too")],
)
def test_how_a_lead_is_judged(end, told):
    """A port car's need has both signs; each end of it, a little more."""
    need = getattr(lead_needed(PORT, 2500.0, 1.0), end)
    picture = drawn(pictures.LeadPicture, result(PORT, 1.0, rpm=2500.0, lead_ms=1e3 * need + 0.01))
    assert told in said(picture)


@CARS
def test_stop_is_the_kernels(sheet):
    r = result(sheet, 1.0)
    picture, s = drawn(pictures.StopPicture, r), model.stops(r)
    k = list(s.rpm).index(4500.0)
    lean = fuel_missing(sheet, 4500.0, r.dosed.full_flow)
    budget = stop_budget(sheet, 4500.0, lean)
    row = len(s.rpm) - 1 - k + 2
    drawn_ms = sum(picture.figure.data[i].x[row] for i in range(6))
    assert drawn_ms == pytest.approx(1e3 * budget.total_s)
    lift = wash_out(sheet, 4500.0, "shut")["all"]
    assert sum(picture.figure.data[i].x[0] for i in range(6)) == pytest.approx(1e3 * lift.best)
    assert f"{lift.best:.2f} s" in said(picture) or sheet is PORT
    assert picture.figure.layout.shapes[0].x0 == 1000.0


def test_stop_never_reached_is_said():
    sheet = WREN.replace({"limits.lean_stop_lambda": 1.1})
    picture = drawn(pictures.StopPicture, result(sheet, 0.2))
    assert "is not reached" in picture.title.value
    assert "never reached" in picture.figure.layout.yaxis.ticktext[-1]


@pytest.mark.parametrize("rpm", [2500.0, 6000.0, 9000.0])
def test_speeds_at_and_beyond_the_dose(rpm):
    r = replace(result(), inputs=Inputs(rpm=rpm))
    for kind in PICTURES:
        assert drawn(kind, r).title.value
    assert model.Spot.of(r).share == (0.5 if rpm <= 6000 else 0.0)


def test_what_it_rests_on():
    told = " ".join(words.assumes())
    assert "from memory" in told
    assert "at a port no mixing" in told
