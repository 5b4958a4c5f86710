"""The session and the charge explorer behind the pages, without a browser."""

import re
from dataclasses import replace
from html import unescape

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError, units
from workbooks import ui
from workbooks.ui import explorer_model as model
from workbooks.ui.fields import parse_number
from workbooks.ui.session import Session

WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")
MARK = "Not recomputed"


@pytest.fixture
def us():
    """Return a fresh explorer in US units."""
    return ui.charge_explorer(Session("units=us"))


def _stale(view):
    """Say which pictures are marked as not recomputed; all or none, and the sentence with them."""
    marked = {"nw-stale" in picture.widget._dom_classes for picture in view.pictures}
    assert len(marked) == 1
    assert (MARK in view._stale.value) == (True in marked)
    return True in marked


def _numbers(text):
    """Return all numbers in a text."""
    return [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", text)]


class TestSession:
    """The link in, the link out."""

    def test_opens_with_what_the_link_says(self):
        """Units and sheet are read from the query; a leading question mark does no harm."""
        session = Session(f"?units=metric&{BADGER.to_query()}")
        assert (session.sheet, session.units, session.message) == (BADGER, "metric", "")

    @pytest.mark.parametrize("query", ["", "units=furlongs", "units=", "something=else&units=US"])
    def test_what_is_not_known_is_left_alone(self, query):
        """The demo car in US units, without a message."""
        session = Session(query)
        assert (session.sheet, session.units, session.message) == (WREN, "us", "")

    @pytest.mark.parametrize("damage", ["rubbish", "", "1.AAAA", "1.", "<script>alert(1)</script>"])
    def test_damaged_sheet_gives_the_demo_and_says_so(self, damage):
        """The rest of the link still counts."""
        session = Session(f"units=metric&sheet={damage}")
        assert (session.sheet, session.units) == (WREN, "metric")
        assert session.message.startswith("The link could not be read, so this page shows the demo car.")
        assert "allowed:" in session.message

    def test_half_a_link_is_damaged(self):
        """A link cut off by a mail program is refused, not half read."""
        whole = BADGER.to_query()
        session = Session(whole[: len(whole) // 2])
        assert session.sheet == WREN
        assert session.message

    def test_message_of_a_damaged_link_is_escaped_on_the_page(self):
        """What a link says is shown as text."""
        head = ui.masthead(Session("sheet=<img src=x onerror=alert(1)>"), "start")
        shown = head.children[1].value
        assert "could not be read" in shown
        assert "<" not in shown

    def test_link_carries_everything(self):
        """Another page opened by the link holds the same edited sheet and units."""
        session = Session("units=metric")
        session.change({"nitrous.shot_hp": 60.0})
        name, _, query = session.link("charge_explorer").partition("?")
        other = Session(query)
        assert name == "charge_explorer.ipynb"
        assert other.sheet == session.sheet
        assert other.sheet != WREN
        assert (other.sheet.nitrous.shot_hp, other.units) == (60.0, "metric")

    def test_address_follows_sheet_and_units(self):
        """What the browser's address is set to is the link of the moment."""
        session = Session()
        session.units = "metric"
        assert session.address.query.startswith("units=metric&sheet=")
        session.change({"nitrous.shot_hp": 50.0})
        assert Session(session.address.query).sheet.nitrous.shot_hp == 50.0

    @pytest.mark.parametrize(
        "change",
        [{"nitrous.shot_hp": -1.0}, {"nitrous.shot_hp": "many"}, {"nitrous.colour": "blue"}, {"fuel.name": "water"}],
    )
    def test_bad_change_keeps_the_sheet(self, change):
        """The refusal comes before the change, and what fits beside it is not taken either."""
        session = Session()
        with pytest.raises(InputError):
            session.change({"site.air_temperature_c": 10.0, **change})
        assert session.sheet is not None
        assert session.sheet == WREN


class TestExplore:
    """What must be so, whatever the numbers are."""

    def test_more_nitrous_is_hotter_and_richer_in_oxygen(self):
        """From the same charge temperature and pressure."""
        start = replace(model.Inputs.of(WREN), T=300.0, P=95e3)
        results = [model.explore(WREN, replace(start, shot_hp=hp)) for hp in (0.0, 40.0, 75.0, 100.0)]
        flow, flame, share = (
            [getter(r) for r in results]
            for getter in (lambda r: r.flow, lambda r: r.point_T, lambda r: float(r.charge.oxygen_share))
        )
        assert 0 <= flow[0] < 0.05 * flow[2]
        assert share[0] == pytest.approx(results[0].base_share, abs=1e-3)
        for series in (flow, flame, share):
            assert np.all(np.diff(series) > 0)

    def test_without_nitrous_nothing_is_gained(self):
        """At fraction zero: no flow, the oxygen of air, and one line in the temperature picture."""
        r = model.explore(WREN, replace(model.Inputs.of(WREN), fraction=0.0))
        assert r.flow == 0
        assert float(r.charge.oxygen_share) == pytest.approx(r.base_share)
        assert pytest.approx(r.bare.T) == r.line.T

    def test_constant_flow_is_a_bigger_dose_at_low_speed(self):
        """The share falls over rpm along the table and between two positions of the control; the band holds it."""
        start = model.Inputs.of(WREN)
        slow, fast = (model.explore(WREN, replace(start, rpm=rpm)) for rpm in (2500.0, 6000.0))
        assert slow.flow == fast.flow
        assert float(slow.charge.oxygen_share) > float(fast.charge.oxygen_share)
        low, likely, high = slow.share
        assert np.all(np.diff(likely) < 0)
        assert np.all((low < likely) & (likely < high))
        at = float(np.interp(2500.0, slow.rpm, likely))
        assert at == pytest.approx(float(slow.charge.oxygen_share), rel=1e-9)

    def test_hotter_charge_and_closed_vessel_burn_hotter(self):
        """Both by plain thermodynamics."""
        start = replace(model.Inputs.of(WREN), T=300.0, P=95e3)
        flame, hot, vessel = (
            model.explore(WREN, replace(start, **change)).point_T for change in ({}, {"T": 400.0}, {"hold": "UV"})
        )
        assert flame < hot < flame + 100
        assert vessel > flame + 100

    def test_point_lies_on_slice_and_map(self):
        """The three pictures show one and the same flame."""
        r = model.explore(WREN, model.Inputs.of(WREN))
        assert r.point_T == pytest.approx(float(np.interp(r.inputs.lambda_, r.line.lambda_, r.line.T)), abs=1.5)
        row = r.map.T[int(np.abs(r.map.T_charge - r.T).argmin())]
        assert r.point_T == pytest.approx(float(np.interp(r.inputs.lambda_, r.map.lambda_, row)), abs=3)
        assert r.point_T > float(np.interp(r.inputs.lambda_, r.bare.lambda_, r.bare.T)) + 100

    def test_fraction_rules_over_the_shot(self):
        """With a fraction set the charge holds that fraction, whatever the shot says."""
        r = model.explore(WREN, replace(model.Inputs.of(WREN), fraction=0.15, shot_hp=10.0))
        assert float(r.charge.nitrous_fraction) == pytest.approx(0.15, rel=1e-6)

    @pytest.mark.parametrize(
        "change",
        [
            {"rpm": 9e4},
            {"rpm": 100.0},
            {"rpm": float("nan")},
            {"lambda_": 9.0},
            {"lambda_": "lean"},
            {"T": 50.0},
            {"P": -1.0},
            {"P": float("inf")},
            {"hold": "XX"},
            {"state": "exhaust"},
            {"fuel": "kerosene"},
            {"fraction": 2.0},
            {"shot_hp": -5.0},
            {"shot_hp": float("nan")},
        ],
    )
    def test_out_of_range_is_refused(self, us, change):
        """The model refuses, and the view keeps inputs, result and pictures."""
        inputs, result, answer = us.inputs, us.result, us.answer.value
        with pytest.raises(InputError) as refusal:
            model.explore(WREN, replace(inputs, **change))
        assert "allowed:" in str(refusal.value)
        with pytest.raises(InputError):
            us.set(**change)
        assert us.inputs is inputs
        assert us.result is result
        assert us.answer.value == answer


class TestControls:
    """A value set past the widget's limits, as any client of the page can."""

    def test_slider_past_its_limits(self, us):
        """Neither the slider's own end nor a silent clamp: a sentence, the last good state, and grey pictures."""
        field, result = us.controls.rpm, us.result
        field.slider.max = 1e9
        field.slider.value = 1e9
        assert "engine speed" in field.error
        assert "1500 to 6400 rpm" in field.error
        assert us.result is result
        assert us.inputs.rpm == 5500
        assert _stale(us)
        field.slider.value = 3000.0
        assert field.error == ""
        assert us.inputs.rpm == 3000
        assert field.text.value == "3000"
        assert field.slider.max == 6400
        assert not _stale(us)

    def test_slider_is_not_clamped(self, us):
        """Past the end without moving the end: refused, not put at the end."""
        us.controls.rpm.slider.value = 1e9
        assert "engine speed is 1e+09 rpm" in us.controls.rpm.error
        assert us.inputs.rpm == 5500

    @pytest.mark.parametrize("typed", ["abc", "<b>x</b>", "nan", "inf", "", "1,2,3", "9", "-0.9", "1e400", "0.8.7"])
    def test_typed_rubbish(self, us, typed):
        """The sentence is escaped, the text stays as typed, a good number mends it."""
        field, result = us.controls.lambda_, us.result
        field.text.value = typed
        assert field.error.startswith("lambda is ")
        assert "allowed:" in field.error
        assert "<" not in field.error
        assert field.text.value == typed
        assert us.result is result
        assert _stale(us)
        field.text.value = "0.9"
        assert field.error == ""
        assert us.inputs.lambda_ == pytest.approx(0.9)
        assert us.result.inputs.lambda_ == pytest.approx(0.9)
        assert not _stale(us)

    def test_error_names_what_was_typed(self, us):
        """The reader sees the own words again."""
        us.controls.lambda_.text.value = "<b>x</b>"
        assert "&lt;b&gt;x&lt;/b&gt;" in us.controls.lambda_.error

    @pytest.mark.parametrize("typed", ["0,82", " 0.82 ", ".82", "0.820"])
    def test_numbers_as_people_type_them(self, us, typed):
        """A decimal comma is a decimal point."""
        us.controls.lambda_.text.value = typed
        assert us.controls.lambda_.error == ""
        assert us.inputs.lambda_ == pytest.approx(0.82)

    @pytest.mark.parametrize("typed", ["1,000.5.2", "1,2,3", "infinity", "--3", "0x10"])
    def test_no_number_is_guessed(self, typed):
        """What is no number is not made one."""
        with pytest.raises(InputError):
            parse_number("x", typed, "")

    def test_words_are_checked_too(self, us):
        """Burns-as, fuel and nitrous by shot or fraction move the model."""
        controls = us.controls
        before = us.result.point_T
        controls.hold.value = "UV"
        assert us.result.point_T > before + 100
        controls.fuel.value = "methanol"
        assert us.inputs.fuel == "methanol"
        share = float(us.result.charge.nitrous_fraction)
        controls.by.value = "fraction"
        assert us.inputs.fraction == pytest.approx(share)
        controls.fraction.text.value = "0.2"
        assert float(us.result.charge.nitrous_fraction) == pytest.approx(0.2, rel=1e-6)
        controls.by.value = "shot"
        assert us.inputs.fraction is None
        assert float(us.result.charge.nitrous_fraction) == pytest.approx(share, rel=1e-6)

    def test_gauge_and_lambda_are_one(self, us):
        """Both are shown, and the gauge's scale ties them, either way."""
        scale = us.session.sheet.controller.gauge_scale
        lambda_, afr = us.controls.lambda_, us.controls.afr
        assert {lambda_.text, afr.text} <= set(lambda_._row.children)
        assert float(afr.text.value) == pytest.approx(scale * float(lambda_.text.value), abs=0.01)
        afr.text.value = "11.76"
        assert us.inputs.lambda_ == pytest.approx(11.76 / scale)
        assert float(lambda_.text.value) == pytest.approx(0.8)
        lambda_.text.value = "0.9"
        assert float(afr.text.value) == pytest.approx(0.9 * scale, abs=0.005)
        afr.text.value = "40"
        assert "gauge AFR is 40" in lambda_.error
        assert us.inputs.lambda_ == pytest.approx(0.9)

    def test_own_button_brings_the_own_charge_back(self, us):
        """A moved temperature is the visitor's; the button gives the car's again."""
        own, controls = us.result.T, us.controls
        assert controls.own.disabled
        controls.T["intake"].text.value = "120"
        assert pytest.approx(units.k_from_c(units.c_from_f(120))) == us.result.T
        assert pytest.approx(own, abs=1) != us.result.T
        assert not controls.own.disabled
        controls.own.click()
        assert own == us.result.T
        assert us.inputs.T is None
        assert controls.own.disabled

    def test_state_at_the_spark(self, us):
        """Compressed: hotter, denser, and the other pair of sliders is on the page."""
        intake = us.result
        us.controls.state.value = "spark"
        assert us.result.T > intake.T + 200
        assert us.result.P > 5 * intake.P
        assert us.controls.T["spark"].widget in us.controls._slot_state.children
        assert us.controls.T["intake"].widget not in us.controls._slot_state.children
        assert "at the spark" in us.answer.value or "at the spark" in us.pictures[0].subtitle.value

    def test_pressure_of_one_state_does_not_follow_into_the_other(self, us):
        """A set intake pressure is gone at the spark."""
        us.controls.P["intake"].text.value = "10"
        assert pytest.approx(units.kpa_from_psi(10) * 1e3) == us.inputs.P
        us.controls.state.value = "spark"
        assert us.inputs.P is None

    @pytest.mark.parametrize("by", ["shot", "fraction"])
    def test_no_nitrous_is_a_position_like_another(self, us, by):
        """Both nitrous sliders start at zero: the page goes on computing there."""
        us.controls.by.value = by
        field = {"shot": us.controls.shot, "fraction": us.controls.fraction}[by]
        field.slider.value = 0.0
        assert field.error == ""
        assert not _stale(us)

    @pytest.mark.parametrize("mend", ["field", "choice"])
    def test_pictures_stay_marked_until_the_last_is_mended(self, us, mend):
        """Two numbers that cannot be read, one mended: the page still holds something that is not in the pictures."""
        us.controls.lambda_.text.value = "abc"
        if mend == "field":
            us.controls.rpm.text.value = "zzz"
            us.controls.rpm.text.value = "3500"
        else:
            us.controls.hold.value = "UV"
        assert us.controls.lambda_.error
        assert _stale(us)

    def test_slider_comes_back_with_the_old_number(self, us):
        """A slider past its end, mended by typing the number that still holds, stands at that number."""
        field = us.controls.rpm
        field.slider.max = 1e9
        field.slider.value = 1e9
        field.text.value = "5500.0"
        assert field.error == ""
        assert (field.slider.value, field.slider.max) == (5500.0, 6400.0)

    def test_units_leave_the_sliders_alone(self, us):
        """A slider whose ends moved with the units would send its old number back as one of the new unit."""
        field = us.controls.T["intake"]
        before = (field.slider.min, field.slider.max, field.slider.step, field.slider.value)
        us.session.units = "metric"
        assert (field.slider.min, field.slider.max, field.slider.step, field.slider.value) == before


class TestPictures:
    """What stands above, in and under the pictures."""

    def test_units_change_numbers_and_nothing_else(self, us):
        """The same state in other words."""
        inputs, result, field = us.inputs, us.result, us.controls.T["intake"]
        fahrenheit, answer = float(field.text.value), us.answer.value
        us.session.units = "metric"
        celsius = float(field.text.value)
        assert us.inputs is inputs
        assert us.result is result
        assert celsius == pytest.approx(units.c_from_k(result.T), abs=0.51)
        assert fahrenheit == pytest.approx(units.f_from_c(units.c_from_k(result.T)), abs=0.51)
        assert "°F" in answer
        assert "°C" in us.answer.value
        assert "°F" not in us.answer.value
        top = us.pictures[1].figure.data[1].y
        assert np.max(top) == pytest.approx(units.c_from_k(float(result.line.T.max())))

    def test_warning_stands_with_its_numbers(self, us):
        """The map's flatness is never shown without why lean still hurts; the numbers are the model's."""
        text = unescape(us.pictures[0].warning.value)
        assert "does not make lean harmless" in text
        r = us.result
        oxygen = 100 * float(np.interp(r.inputs.lambda_, r.line.lambda_, r.line.X["O2"]))
        assert any(n == pytest.approx(oxygen, rel=0.06) for n in _numbers(text))
        assert any(n == pytest.approx(100 * r.missing_share, abs=0.51) for n in _numbers(text))
        widgets = list(us.pictures[0].widget.children)
        assert widgets.index(us.pictures[0].warning) < widgets.index(us.pictures[0].figure)

    def test_titles_follow_the_controls(self, us):
        """A finding is of this state, not of another."""
        before = [p.title.value for p in us.pictures]
        us.controls.shot.text.value = "100"
        us.controls.lambda_.text.value = "0.78"
        after = [p.title.value for p in us.pictures]
        assert all(a != b for a, b in zip(after, before, strict=True))
        nitrous, r = us.session.sheet.nitrous, us.result
        window = (nitrous.spray_rpm_min, nitrous.spray_rpm_max)
        first, last = (round(100 * np.interp(v, r.share_rpm, r.share[1])) for v in window)
        assert f"{first} %" in after[3]
        assert f"{last} %" in after[3]

    @pytest.mark.parametrize("system", ["us", "metric"])
    def test_every_trace_starts_with_finite_data(self, system):
        """What a browser starts from holds all the points."""
        view = ui.charge_explorer(Session(f"units={system}"))
        for picture in view.pictures:
            assert len(picture.figure._widget_data) == len(picture.figure.data) > 2
            for trace in picture.figure._widget_data:
                for axis in "xyz" if trace["type"] == "contour" else "xy":
                    values = np.asarray(trace[axis], dtype=float)
                    assert values.size
                    assert np.isfinite(values).all()

    def test_moved_control_moves_the_data(self, us):
        """The ring and the lines follow; the speed only moves the ring of the oxygen picture."""
        flame, oxygen = us.pictures[1].figure, us.pictures[3].figure
        before = np.array(flame.data[1].y), np.array(oxygen.data[2].y)
        us.controls.rpm.text.value = "2500"
        assert not np.array_equal(before[0], flame.data[1].y)
        assert np.array_equal(before[1], oxygen.data[2].y)
        assert oxygen.data[3].x[0] == 2500
        assert flame.data[2].y[0] == pytest.approx(units.f_from_c(units.c_from_k(us.result.point_T)))
