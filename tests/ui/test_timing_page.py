"""The timing page behind the browser: its answer against the kernel's, what each control moves, refusals, units, what a visitor may do."""

import re
from dataclasses import replace
from functools import cache
from html import unescape
from math import ceil, floor

import ipywidgets as w
import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError
from kernel_lib.band import FLAME_RATIO, WALL_HEAT_SHARE
from kernel_lib.engine.setup import spray_speeds
from kernel_lib.plan import timing as plan_timing
from kernel_lib.plan.closeup import breakdown_voltage, knock_changes, look, plug
from kernel_lib.plan.power import wanted_flow
from kernel_lib.plan.timing import choices_for_shot, reachable_hp, timing_plan
from workbooks import ui
from workbooks.ui import timing_model as model
from workbooks.ui import timing_words as words
from workbooks.ui.session import Session
from workbooks.ui.timing_model import POWER, RETARD_SPAN, SHOT_SPAN, TORQUE, Inputs
from workbooks.ui.timing_view import Refused, TimingExplorer

WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")
SHEETS = {"wren": WREN, "badger": BADGER}
EVIL = "<script>alert(1)</script>"
PICTURES = ("need", "pressure", "burn", "heat", "knock", "power", "margin", "plug")
SMALL = 30.0  # hp; reachable at every speed of the dry car
NOT_US, NOT_METRIC = (
    re.compile(r"°C|(?<=\d )bar\b|\bbar abs|\b(?:kPa|mm|K|kW|N m|kg|g/s)\b"),
    re.compile(r"°F|\b(?:psi|lb|inHg)\b|\d in[;,.)]"),
)
BAND = re.compile(r"(-?[\d.]+) \((-?[\d.]+)(?: to |–)(more than |>|not known)?(-?[\d.]+)?\)")


@cache
def at(sheet=WREN, **changes):
    """The page's result with some controls moved."""
    return model.compute(sheet, replace(_start(sheet), **changes))


@cache
def _start(sheet=WREN):
    return Inputs.of(sheet)


@cache
def _kernel(sheet, shot):
    """What the kernel says of a shot at the speeds of the page."""
    return timing_plan(sheet, spray_speeds(sheet, 1000.0), choices_for_shot(sheet, shot), shot, most=False).table


def _most(sheet, rpm):
    """Largest reachable shots, searched from the largest round number that the engine can be computed with."""
    for hp in (250.0, 200.0, 150.0, 100.0):
        try:
            return reachable_hp(sheet, rpm, hp)
        except InputError:
            pass
    raise AssertionError


def _page(sheet=WREN, system="us"):
    return TimingExplorer(Session(f"units={system}&{sheet.to_query()}"))


def _said(widget):
    """The words of an HTML widget."""
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", widget.value))).strip()


def _all(widget):
    return [widget, *(found for child in getattr(widget, "children", ()) for found in _all(child))]


def _markup(*widgets):
    return "\n".join(part.value for widget in widgets for part in _all(widget) if isinstance(part, w.HTML))


def _strings(node, key=""):
    """What a figure writes: titles, labels, what is read under the pointer."""
    if isinstance(node, dict):
        return [s for name, value in node.items() for s in _strings(value, name)]
    if isinstance(node, list | tuple | np.ndarray):
        return [s for value in node for s in _strings(value, key)]
    return [node] if isinstance(node, str) and key in ("text", "ticktext", "hovertemplate", "name") else []


def _written(view):
    """All that a page says, pictures and fields with it."""
    text = unescape(re.sub(r"<[^>]+>", " ", _markup(view.answer, view.page)))
    return "\n".join([text, *(s for p in view.pictures for s in _strings(p.figure.to_dict()))])


@cache
def _kept_page(sheet):
    return _page(sheet)


def _moved(sheet=WREN, system="us", **changes):
    """The page of a sheet with some controls moved, and the others as it starts."""
    view = _kept_page(sheet)
    view.set(**(vars(_start(sheet)) | changes))
    view.session.units = system
    return view


def _told(sheet=WREN, **changes):
    """The answer with some controls moved."""
    return _said(_moved(sheet, **changes).answer)


def _numbers(text):
    return [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", text)]


def _columns(view):
    """Columns of the table under the retard picture that the kernel can be asked for: speed, known-good, first hit as retard and as timing."""
    markup = _picture(view, "need").table.value
    rows = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in re.findall(r"<tr>(.*?)</tr>", markup)]
    patterns = ("speed", "known-good", "first hit.*less", "first hit.*(?:BTDC|before TDC)")
    where = [next(k for k, name in enumerate(rows[0]) if re.match(pattern, name)) for pattern in patterns]
    return [[row[k] for k in where] for row in rows[1:]]


def _picture(view, name):
    return view.pictures[PICTURES.index(name)]


def _line(view, label):
    """Values of the line of the retard picture that the pointer names so."""
    (found,) = [t for t in _picture(view, "need").figure.data if (t.hovertemplate or "").startswith(label)]
    return np.asarray(found.y, float)


def _drawn(view):
    """All numbers that the pictures have drawn, with their shapes."""
    return {
        name: [np.array(t[axis], float) for t in p.figure.data for axis in "xy"]
        for name, p in zip(PICTURES, view.pictures, strict=True)
    }


def _stale(view):
    """Whether the answer and pictures are marked as not recomputed; all or none, and the sentence with them."""
    marked = {"nw-stale" in widget._dom_classes for widget in (view.answer, *(p.widget for p in view.pictures))}
    assert len(marked) == 1
    assert ("Not recomputed" in view._stale.value) == (True in marked)
    return True in marked


@pytest.fixture(scope="module")
def kept():
    """One page of the dry car; a test that moves it gets it back as the sheet has it."""
    return _page()


@pytest.fixture
def us(kept):
    """Return the page of the dry car, in US units, as its sheet has it."""
    kept.session.units = "us"
    for field in kept.controls.fields:
        field.say("")
    kept.controls.error.value = ""
    if kept.inputs != _start():
        kept.set(**vars(_start()))
    kept.controls.show(kept.result, kept.controls.scale, "us")
    kept.mark()
    return kept


class TestStart:
    """Where a page begins."""

    @pytest.mark.parametrize("sheet", SHEETS.values(), ids=SHEETS)
    def test_the_sheets_shot_near_peak_power(self, sheet):
        """Its shot, its speed of peak power, the likely values of what is not known."""
        i, speeds = _start(sheet), spray_speeds(sheet)
        assert i.shot_hp == sheet.nitrous.shot_hp
        assert i.rpm in speeds
        assert abs(i.rpm - sheet.engine.peak_power_rpm) == np.abs(speeds - sheet.engine.peak_power_rpm).min()
        assert (i.wall, i.flame, i.curve) == (WALL_HEAT_SHARE.best, FLAME_RATIO.best, POWER)

    def test_retard_of_a_first_hit(self):
        """On the half degree; where no speed is reachable the trade's rule, 2 degrees per 50 hp, common practice."""
        table = _kernel(WREN, 75.0)
        near = table.iloc[(table["rpm"] - _start().rpm).abs().argmin()]
        assert _start().retard_deg == pytest.approx(ceil(2 * near["first_hit_deg"] - 1e-6) / 2)
        assert Inputs.of(WREN.replace({"nitrous.shot_hp": 150.0})).retard_deg == pytest.approx(6.0)

    def test_fields_hold_it(self, us):
        c, i = us.controls, _start()
        held = [float(f.text.value) for f in (c.shot, c.rpm, c.retard, c.wall, c.flame)]
        assert held == pytest.approx([i.shot_hp, i.rpm, i.retard_deg, i.wall, i.flame])
        assert c.curve.value == POWER
        assert not any(f.error for f in c.fields)
        assert not _stale(us)


class TestAnswer:
    """The answer and the table under the picture, against the kernel."""

    @pytest.mark.parametrize("sheet", SHEETS.values(), ids=SHEETS)
    def test_first_hits_are_the_kernels(self, sheet):
        """At the first and the last speed that is reachable: the angle, up to the half degree; the rule as the plan has it."""
        shot = sheet.nitrous.shot_hp
        table, told = _kernel(sheet, shot), _told(sheet)
        good = table[table["reachable"]]
        for _, row in good.iloc[[0, -1]].iterrows():
            less = ceil(2 * row["first_hit_deg"] - 1e-6) / 2
            found = re.search(rf"\b{row['rpm']:.0f} rpm ([\d.]+) degrees", told)
            assert float(found[1]) == less >= row["first_hit_deg"] - 1e-6
        rule = 2 * shot / 50
        assert rule == table["rule_deg"].iloc[0]
        assert re.search(rf"rule\b[^.]* says {rule:g}\b", told)

    @pytest.mark.parametrize(("sheet", "shot"), [(WREN, 75.0), (WREN, SMALL), (WREN, 150.0), (BADGER, 150.0)])
    def test_table(self, sheet, shot):
        """Each speed with its timing; a first hit is never written short of its need, its timing never earlier."""
        table = _kernel(sheet, shot)
        rows = _columns(_moved(sheet, shot_hp=shot))
        assert len(rows) == len(table)
        for (rpm, known, less, left), (_, row) in zip(rows, table.iterrows(), strict=True):
            assert float(rpm) == row["rpm"]
            assert float(known) == pytest.approx(row["timing_deg_btdc"], abs=0.26)
            if not row["reachable"]:
                assert less == "not reachable"
                continue
            assert row["first_hit_deg"] - 1e-5 <= float(less) < row["first_hit_deg"] + 0.5
            assert float(left) == floor(2 * (row["timing_deg_btdc"] - float(less))) / 2

    def test_reasons_told_are_those_that_govern(self):
        """Each by its words, and no other."""
        for shot in (SMALL, 75.0):
            table, told = _kernel(WREN, shot), _told(shot_hp=shot)
            governing = set(table["governs"][table["reachable"]])
            told = told[told.index(" set by ") :]
            for reason in ("phasing", "knock", "pressure"):
                assert (words.REASONS[reason] in told.split(" rpm.")[0]) == (reason in governing)

    def test_speeds_out_of_reach(self, us):
        """The kernel's, with the most that is possible, down to a full five; such a shot is reachable there, a quarter more is not."""
        table, told = _kernel(WREN, 75.0), _said(us.answer)
        short = table[~table["reachable"]]
        assert len(short)
        most = dict(zip(table["rpm"], _most(WREN, table["rpm"].to_numpy()), strict=True))
        for rpm in short["rpm"]:
            hp = 5 * floor(most[rpm] / 5)
            assert re.search(rf"[Aa]t most .*\b{hp} hp at {rpm:.0f}\b", told)
            for share, reachable in ((1.0, True), (1.25, False)):
                choices = choices_for_shot(WREN, share * hp)
                own = timing_plan(WREN, [rpm], choices, share * hp, most=False).table.iloc[0]
                assert own["reachable"] == reachable

    def test_all_in_reach_says_nothing_of_reach(self, monkeypatch):
        """Nor looks for it."""
        monkeypatch.setattr(model, "_reachable", None)
        told = _told(shot_hp=SMALL)
        assert _kernel(WREN, SMALL)["reachable"].all()
        assert not re.search(r"reachable at|at most", told, re.I)

    def test_nothing_in_reach(self):
        """No first hit is told, and no gain."""
        view = _moved(shot_hp=150.0)
        assert not view.result.timing.table["reachable"].any()
        told = _said(view.answer)
        assert "First hit" not in told
        assert "At most" in told
        assert not re.search(r"\d hp at", _said(_picture(view, "power").title))
        assert "150 hp" in _said(_picture(view, "need").title)

    def test_an_engine_that_knocks_without_nitrous(self):
        """By the correlation: said with the speeds where it does, and only there."""
        hot = WREN.replace({"engine.compression_ratio": 12.0})
        view = _page(hot)
        limits, rpm = view.result.timing.limits, view.result.timing.table["rpm"]
        knocks = np.asarray(limits.knock) >= 1.0
        assert 0 < knocks.sum() < len(knocks)
        (said,) = re.findall(r"[^.]*already knocks[^.]*\.", _said(view.answer))
        assert [float(n) for n in re.findall(r"\b\d{4}\b", said)] == list(rpm[knocks])
        assert "already knocks" not in _told()

    def test_the_sheet_may_let_a_first_hit_be_less_than_the_rule(self, monkeypatch):
        """With a rule of a degree more than any need of a small shot: the rule is the first hit, unless the sheet waives it."""
        need = float(_kernel(WREN, SMALL)["retard_deg_high"].max())
        monkeypatch.setattr(plan_timing, "RULE_DEG_PER_50_HP", (need + 1) * 50 / SMALL)
        model._timing.cache_clear()
        small = WREN.replace({"nitrous.shot_hp": SMALL})
        try:
            held, free = (_page(s) for s in (small, small.replace({"limits.retard_below_rule": True})))
        finally:
            model._timing.cache_clear()
        ruled, waived = held.result.timing.table, free.result.timing.table
        assert (ruled["governs"] == "rule").all()
        assert waived["first_hit_deg"].to_numpy() == pytest.approx(waived["retard_deg_high"].to_numpy())
        assert (ruled["first_hit_deg"] > waived["first_hit_deg"]).all()
        assert held.inputs.retard_deg > free.inputs.retard_deg
        assert words.REASONS["rule"] in _said(held.answer).split(" set by ")[1]
        assert words.REASONS["rule"] not in _said(free.answer).split(" set by ")[1]
        for a, b in zip(_columns(held), _columns(free), strict=True):
            assert float(a[2]) > float(b[2])
        assert _said(_picture(held, "need").text) != _said(_picture(free, "need").text)

    def test_common_practice_is_called_so(self, us):
        assert "common practice" in _said(_picture(us, "plug").text)

    @pytest.mark.parametrize("system", ["us", "metric"])
    @pytest.mark.parametrize(("sheet", "shot"), [(WREN, 75.0), (WREN, SMALL), (BADGER, 150.0)])
    def test_bands_are_ordered(self, sheet, shot, system):
        """Wherever a likely value is written with its ends."""
        text, found = _written(_moved(sheet, system, shot_hp=shot)), 0
        for best, low, beyond, high in BAND.findall(re.sub(r"(?<=\d) (?=\d{3}\b)", "", text)):
            found += 1
            assert float(low) <= float(best)
            assert beyond or float(best) <= float(high)
        assert found > 15


class TestControls:
    """What each of them moves, and what it leaves alone."""

    @pytest.mark.parametrize(
        ("name", "value", "alone"),
        [
            ("shot", 60.0, set()),
            ("rpm", 4500.0, {"need", "power"}),
            ("retard", 6.0, {"need", "power"}),
            ("wall", 0.75, {"need", "power", "margin"}),
            ("flame", 1.1, {"need", "power", "margin"}),
        ],
    )
    def test_pictures_moved_and_left_alone(self, us, name, value, alone):
        """As the bench of the sliders expects it."""
        before, title, said = _drawn(us), us.pictures[1].title.value, us.answer.value
        getattr(us.controls, name).slider.value = value
        after = _drawn(us)
        same = {
            picture
            for picture, arrays in before.items()
            if all(np.array_equal(a, b, equal_nan=True) for a, b in zip(arrays, after[picture], strict=True))
        }
        assert same == alone
        assert us.pictures[1].title.value != title
        assert (us.answer.value == said) == (name != "shot")
        assert not _stale(us)

    def test_typed_is_as_good_as_slid(self, us):
        us.controls.retard.slider.value = 6.0
        slid = _drawn(us)
        us.controls.retard.text.value = "8"
        us.controls.retard.text.value = "6"
        assert all(
            np.array_equal(a, b, equal_nan=True) for n in PICTURES for a, b in zip(slid[n], _drawn(us)[n], strict=True)
        )

    def test_retard_moves_the_burn_and_lowers_the_peak(self, us):
        """50 % burned about one degree a degree, as the dot is drawn; the peak falls; the engine's own stays."""
        dots, peaks, own = [], [], []
        for retard in (0.0, 4.0, 8.0):
            us.controls.retard.slider.value = retard
            data = _picture(us, "pressure").figure.data
            dots.append(data[6].x[0])
            peaks.append(max(data[1].y))
            own.append((data[4].x[0], max(data[0].y)))
            assert data[7].x[0] == pytest.approx(retard - _own_timing(us))
        assert np.diff(dots) == pytest.approx([4.0, 4.0], abs=0.8)
        assert peaks[0] > peaks[1] > peaks[2]
        assert own[0] == own[1] == own[2]

    def test_heat_from_walls_warms_the_end_gas(self, us):
        """All of it from walls leaves the charge warmest."""
        tops = []
        for share in (0.0, 0.5, 1.0):
            us.controls.wall.slider.value = share
            data = _picture(us, "heat").figure.data
            tops.append((max(data[0].y), max(data[1].y)))
        assert tops[0][1] < tops[1][1] < tops[2][1]
        assert tops[0][0] == tops[1][0] == tops[2][0]

    def test_a_faster_flame_burns_shorter(self, us):
        """From 10 to 90 % as drawn, and as the title has it."""
        took = []
        for ratio in (0.8, 1.0, 1.2):
            us.controls.flame.slider.value = ratio
            trace = _picture(us, "burn").figure.data[1]
            ends = np.interp([10.0, 90.0], np.asarray(trace.y), np.asarray(trace.x))
            took.append(ends[1] - ends[0])
            # the row's duration is that of the mass burned, the line's steps are of a degree or so
            assert took[-1] == pytest.approx(us.result.view.shot_row["duration_deg"], abs=2.0)
        assert took[0] > took[1] > took[2]

    @pytest.mark.parametrize(
        ("name", "value"), [("rpm", 4500.0), ("retard", 6.0), ("wall", 0.75), ("flame", 1.1), ("curve", TORQUE)]
    )
    def test_no_new_timing_for_what_does_not_concern_it(self, us, monkeypatch, name, value):
        """The same object, and no computation."""
        before = us.result
        monkeypatch.setattr(model, "timing_plan", None)
        control = getattr(us.controls, name)
        (control if name == "curve" else control.slider).value = value
        assert us.result is not before
        assert us.result.timing is before.timing
        assert us.result.flow == before.flow

    def test_a_shot_looked_at_before_is_not_computed_again(self, us, monkeypatch):
        first = us.result.timing
        us.controls.shot.slider.value = 60.0
        assert us.result.timing is not first
        monkeypatch.setattr(model, "timing_plan", None)
        us.controls.shot.slider.value = 75.0
        assert us.result.timing is first

    def test_power_or_torque(self, us):
        """The same table, by speed; titles of the axis with their unit."""
        figure, table = _picture(us, "power").figure, us.result.timing.table
        assert "power" in figure.layout.yaxis.title.text
        power = np.asarray(figure.data[2].y, float)
        assert power == pytest.approx((table["power_own_hp"] + table["power_gain_hp"]).to_numpy(), nan_ok=True)
        us.controls.curve.value = TORQUE
        assert "torque" in figure.layout.yaxis.title.text
        assert "lb ft" in figure.layout.yaxis.title.text
        # hp = lb ft times rpm over 5252
        for line, hp in ((figure.data[1], table["power_own_hp"].to_numpy()), (figure.data[2], power)):
            assert np.asarray(line.y, float) == pytest.approx(
                5252.1 * hp / table["rpm"].to_numpy(), rel=1e-3, nan_ok=True
            )
        assert np.asarray(figure.data[1].y, float) * 1.35582 == pytest.approx(
            table["torque_own_nm"].to_numpy(), rel=1e-4
        )

    def test_retard_picture_draws_the_table(self, us):
        """Nothing where no timing is enough; what asks for nothing lies on zero; the first hit is on the edge of the band."""
        table = us.result.timing.table
        good = table["reachable"].to_numpy()
        first, likely, rule = (_line(us, label) for label in ("first hit", "likely need", "trade's rule"))
        assert np.isnan(first[~good]).all()
        assert np.isnan(likely[~good]).all()
        assert first[good] == pytest.approx(table["first_hit_deg"][good].to_numpy())
        assert (likely[good] <= first[good]).all()
        assert rule == pytest.approx(table["rule_deg"].to_numpy())
        asked = np.array([_line(us, label) for label in ("phasing", "knock", "pressure")])
        assert (asked[np.isfinite(asked)] >= 0).all()
        assert likely[good] == pytest.approx(asked[:, good].max(axis=0))


def _own_timing(view):
    return float(view.result.firing.at("timing_deg_btdc", view.inputs.rpm))


class TestReach:
    """Shaded speeds of the retard picture."""

    def test_shaded_and_labelled(self, us):
        """The shape holds the speeds that are not reachable and no other; the label says how much would be."""
        layout, table = _picture(us, "need").figure.layout, us.result.timing.table
        good = table["reachable"].to_numpy()
        rpm = table["rpm"].to_numpy()
        held = np.zeros(len(rpm), bool)
        for shape in layout.shapes:
            held |= (shape.x0 <= rpm) & (rpm <= shape.x1)
        assert (held == ~good).all()
        assert len(layout.annotations) == len(layout.shapes) > 0
        notes = " ".join(note.text for note in layout.annotations)
        assert "at most" in notes
        for k in np.flatnonzero(~good):
            assert f"{words.at_most(us.result, k)} hp at {rpm[k]:.0f}" in notes
        assert _said(_picture(us, "need").table).count("not reachable") == (~good).sum()

    def test_nothing_shaded_where_all_is_reachable(self, us):
        us.controls.shot.slider.value = SMALL
        layout = _picture(us, "need").figure.layout
        assert (len(layout.shapes), len(layout.annotations)) == (0, 0)
        assert "not reachable" not in _said(_picture(us, "need").table)
        us.controls.shot.slider.value = 75.0
        assert len(layout.shapes) > 0

    def test_all_shaded_where_nothing_is(self, us):
        """One shape from end to end, and the page stands."""
        us.controls.shot.slider.value = 150.0
        assert us.controls.shot.error == ""
        (shape,) = _picture(us, "need").figure.layout.shapes
        rpm = us.result.timing.table["rpm"]
        assert (shape.x0, shape.x1) == (rpm.min(), rpm.max())
        assert not re.search(r"\b(?:nan|inf|None)\b", _written(us))


class TestCloseup:
    """Margin and plug are the kernel's."""

    PLACE = {"rpm": 4500.0, "retard_deg": 6.0}

    @pytest.fixture
    def moved(self, us):
        us.set(**self.PLACE)
        return us

    def test_margin(self, moved):
        """Bars, their names and the title."""
        flow = wanted_flow(WREN, shot_hp=75.0)
        changes = knock_changes(WREN, 4500.0, flow, 6.0)
        figure = _picture(moved, "margin").figure
        assert list(figure.data[0].x) == pytest.approx([c.degrees for c in changes])
        labels = figure.layout.yaxis.ticktext
        assert len(labels) == len(changes) == len(set(labels))
        for label, c in zip(labels, changes, strict=True):
            expected = {"octane": "RON", "charge temperature": "°F", "lambda": "lambda"}[c.name]
            assert expected in label
            amount = abs(c.amount) * (1.8 if c.name == "charge temperature" else 1.0)
            assert _numbers(label) == pytest.approx([amount], rel=0.02)
        best = max(c.degrees for c in changes)
        assert _numbers(_said(_picture(moved, "margin").title))[-1] == pytest.approx(best, abs=0.26)

    def test_plug(self, moved):
        """Bars over the engine's own, and kilovolts in the text."""
        own = plug(WREN, look(WREN, 4500.0, wanted_flow(WREN, shot_hp=75.0), 6.0))
        ratio = own.voltage_kV / own.voltage_own_kV
        assert list(_picture(moved, "plug").figure.data[0].x) == pytest.approx(
            [own.heat_own_max, own.heat_cycle, ratio]
        )
        row = moved.result.view.shot_row
        volts = float(breakdown_voltage(row["P_spark"], row["T_spark"], WREN.engine.plug_gap_mm))
        assert volts == pytest.approx(own.voltage_kV)
        said = _said(_picture(moved, "plug").text)
        assert [float(v) for v in re.findall(r"(\d+) kV", said)] == [round(own.voltage_own_kV), round(own.voltage_kV)]

    def test_what_is_not_known_does_not_move_margin_but_the_plug(self, moved):
        """Wall heat changes the charge at the spark, so the voltage; the margin is that of the likely values."""
        before = list(_picture(moved, "plug").figure.data[0].x)
        moved.controls.wall.slider.value = 1.0
        own = plug(WREN, look(WREN, 4500.0, wanted_flow(WREN, shot_hp=75.0), 6.0, wall=1.0))
        drawn = list(_picture(moved, "plug").figure.data[0].x)
        assert drawn != before
        assert drawn[1] == pytest.approx(own.heat_cycle)


def _no_room(*_args, **_rest):
    raise InputError("nitrous_flow", 0.13, "kg/s", "less", "No room for air.")


RANGES = {
    "shot": SHOT_SPAN,
    "rpm": (2500.0, 6000.0),
    "retard": RETARD_SPAN,
    "wall": (WALL_HEAT_SHARE.low, WALL_HEAT_SHARE.high),
    "flame": (FLAME_RATIO.low, FLAME_RATIO.high),
}


class TestRefusals:
    """A sentence with field, value and range; the last good state stays."""

    @pytest.mark.parametrize("way", ["slider", "text"])
    @pytest.mark.parametrize("side", ["below", "above"])
    @pytest.mark.parametrize("name", RANGES)
    def test_out_of_range(self, us, name, side, way):
        """Typed, and as a raw message past the slider's end."""
        low, high = RANGES[name]
        value = low - 3 if side == "below" else high + 7
        field, result, inputs, answer = getattr(us.controls, name), us.result, us.inputs, us.answer.value
        drawn = _drawn(us)
        getattr(field, way).value = value if way == "slider" else f"{value:g}"
        said = unescape(field.error)
        assert said.startswith(f"{field.label} is {value:g}")
        assert f"allowed: {low:g} to {high:g}" in said
        assert us.result is result
        assert us.inputs is inputs
        assert us.answer.value == answer
        assert all(
            np.array_equal(a, b, equal_nan=True) for n in PICTURES for a, b in zip(drawn[n], _drawn(us)[n], strict=True)
        )
        assert _stale(us)
        field.text.value = {"shot": "60", "rpm": "4500"}.get(name, f"{(low + high) / 2:g}")
        assert field.error == ""
        assert not _stale(us)

    def test_a_handle_drawn_back_from_what_was_refused(self, us, monkeypatch):
        """Refused by the engine within the slider's range, then back where it was: nothing is wrong any more."""
        us.set(rpm=4500.0, retard_deg=6.0)
        with monkeypatch.context() as patch:
            patch.setattr(model, "look", _no_room)
            us.controls.shot.slider.value = 80.0
        assert _stale(us)
        us.controls.shot.slider.value = 75.0
        assert us.controls.shot.error == ""
        assert not _stale(us)

    @pytest.mark.parametrize("typed", ["abc", EVIL, "nan", "inf", "", "1,2,3"])
    @pytest.mark.parametrize("name", RANGES)
    def test_rubbish(self, us, name, typed):
        """Stays as typed, as text."""
        field, result = getattr(us.controls, name), us.result
        field.text.value = typed
        assert "allowed: a number" in unescape(field.error)
        assert "<" not in field.error
        assert field.text.value == typed
        assert us.result is result
        assert _stale(us)

    @pytest.mark.parametrize("value", [float("nan"), float("inf"), -1e9, 1e300])
    @pytest.mark.parametrize("name", RANGES)
    def test_raw_slider_rubbish(self, us, name, value):
        field, result = getattr(us.controls, name), us.result
        field.slider.value = value
        assert "allowed:" in field.error
        assert us.result is result
        assert _stale(us)

    @pytest.mark.parametrize(("name", "value"), [("shot", 250.0), ("rpm", 2500.0)])
    def test_no_room_in_the_cylinder(self, us, monkeypatch, name, value):
        """Within the slider, not within the engine: told as the shot, in hp, at the field that was moved."""
        result, shot = us.result, value if name == "shot" else us.inputs.shot_hp
        if name == "rpm":
            monkeypatch.setattr(model, "look", _no_room)
        field = getattr(us.controls, name)
        field.slider.value = value
        said = unescape(field.error)
        assert f"shot is {shot:g} hp" in said
        assert "allowed:" in said
        assert not NOT_US.search(said)
        assert us.result is result
        assert _stale(us)

    @pytest.mark.parametrize(
        "change",
        [
            {"shot_hp": -5.0},
            {"shot_hp": float("nan")},
            {"rpm": 9000.0},
            {"rpm": float("nan")},
            {"retard_deg": 99.0},
            {"retard_deg": float("nan")},
            {"wall": 2.0},
            {"wall": float("nan")},
            {"flame": float("nan")},
            {"curve": "noise"},
        ],
    )
    def test_the_model_refuses_too(self, change):
        """Where a message came past the fields."""
        with pytest.raises(InputError) as caught:
            at(**change)
        assert caught.value.allowed

    def test_a_sheet_whose_shot_cannot_be_computed(self):
        """A sentence in place of the page, its text escaped."""
        text = WREN.replace({"nitrous.shot_hp": 500.0}).to_toml().replace(WREN.car.name, EVIL)
        session = Session()
        session.sheet = BuildSheet(text)
        refused = ui.timing(session)
        assert isinstance(refused, Refused)
        shown = _markup(refused.answer, refused.page)
        assert "500 hp" in shown
        assert "allowed:" in shown
        assert "<script" not in shown


class TestUnits:
    """Nothing of the other system, and numbers that are converted."""

    @pytest.mark.parametrize("system", ["us", "metric"])
    @pytest.mark.parametrize("sheet", SHEETS.values(), ids=SHEETS)
    def test_no_unit_of_the_other_system(self, sheet, system):
        """Answer, assumptions, titles, sentences, axes, labels, what the pointer reads, refusals; the shot stays in hp."""
        view, other = _page(sheet, system), NOT_US if system == "us" else NOT_METRIC
        states = [{}, {"shot_hp": SMALL, "curve": TORQUE}, {"rpm": float(spray_speeds(sheet)[0]), "shot_hp": 100.0}]
        for state in states:
            view.set(**state)
            text = _written(view)
            assert not other.search(text), other.findall(text)
            assert not re.search(r"\b(?:nan|inf|None)\b", text)
        for name in RANGES:
            getattr(view.controls, name).slider.value = 1e6
        assert not other.search(_written(view))

    def test_switched_back_and_forth(self, us):
        """The switch moves no control; the texts come back as they were."""
        result, inputs, before = us.result, us.inputs, _written(us)
        sliders = [(f.slider.min, f.slider.max, f.slider.value) for f in us.controls.fields]
        us.session.units = "metric"
        assert us.result is result
        assert us.inputs is inputs
        assert [(f.slider.min, f.slider.max, f.slider.value) for f in us.controls.fields] == sliders
        metric = _written(us)
        assert metric != before
        assert not NOT_METRIC.search(metric)
        us.session.units = "us"
        assert _written(us) == before

    def test_values(self, us):
        """By the factors of the handbook: 14.5038 psi a bar, 0.7457 kW a hp, 1.35582 N m a lb ft."""
        heard = {}
        for system in ("us", "metric"):
            us.session.units = system
            heard[system] = _drawn(us)
        here, there, table = heard["us"], heard["metric"], us.result.timing.table
        shot = us.result.view.shot
        bar = there["pressure"][3]
        assert bar.max() == pytest.approx(shot["P"].max() / 1e5, rel=1e-3)
        assert here["pressure"][3] == pytest.approx(14.5038 * bar, rel=1e-5)
        assert here["heat"][3] == pytest.approx(1.8 * there["heat"][3] + 32.0)
        assert there["heat"][3].max() == pytest.approx(us.result.view.shot_row["T_end_max"] - 273.15, abs=3.0)
        assert there["power"][3] == pytest.approx(0.7457 * table["power_own_hp"].to_numpy(), rel=1e-4)
        for same in ("need", "burn", "knock", "margin", "plug"):
            for a, b in zip(here[same], there[same], strict=True):
                assert np.array_equal(a, b, equal_nan=True)

    def test_values_in_the_titles(self, us):
        """Pressures of the title are those of the cycle, to two figures; the axis has the unit."""
        peaks = [row["P_max"] / 1e5 for row in (us.result.view.own_row, us.result.view.shot_row)]
        for system, unit, factor in (("us", "psi", 14.5038), ("metric", "bar", 1.0)):
            us.session.units = system
            said = re.sub(r"(?<=\d) (?=\d{3}\b)", "", _said(_picture(us, "pressure").title))
            found = [float(v) for v in re.findall(rf"([\d.]+) {unit}\b", said)]
            assert found == pytest.approx([factor * p for p in peaks], rel=0.03)
            assert unit in _picture(us, "pressure").figure.layout.yaxis.title.text
            limit = _picture(us, "pressure").figure.layout.shapes[0].y0
            assert limit == pytest.approx(factor * us.result.timing.limits.P_max / 1e5, rel=1e-5)

    def test_torque_in_newton_metres(self, us):
        us.session.units = "metric"
        us.controls.curve.value = TORQUE
        figure = _picture(us, "power").figure
        assert np.asarray(figure.data[1].y, float) == pytest.approx(us.result.timing.table["torque_own_nm"].to_numpy())
        assert "N m" in figure.layout.yaxis.title.text


@pytest.mark.parametrize(
    ("sheet", "system"),
    [(WREN, "us"), (BADGER, "metric"), (WREN.replace({"nitrous.shot_hp": SMALL}), "us")],
    ids=["wren", "badger", "small"],
)
def test_every_trace_starts_with_finite_data(sheet, system):
    """What a browser starts from holds all the points; over speed, gaps only where the shot is not reachable."""
    view = _page(sheet, system)
    short = (~view.result.timing.table["reachable"]).sum()
    for name, picture in zip(PICTURES, view.pictures, strict=True):
        figure = picture.figure
        assert len(figure._widget_data) == len(figure.data) >= 1
        for index, trace in enumerate(figure._widget_data):
            for axis in "xy":
                values = np.asarray(trace[axis], dtype=float)
                assert values.size
                gaps = np.isnan(values).sum()
                assert gaps < values.size or (name, index) == ("knock", 2)  # that line ends on one named already
                assert not np.isinf(values).any()
                if name not in ("need", "power", "knock"):
                    assert gaps == 0
                elif name != "knock":
                    assert gaps <= short


@pytest.mark.parametrize("sheet", SHEETS.values(), ids=SHEETS)
def test_script_in_the_cars_name_stays_text(sheet):
    """No part of the page carries a visitor's text as markup."""
    session = Session()
    session.sheet = BuildSheet(sheet.to_toml().replace(sheet.car.name, EVIL).replace("Quarry Lane Garage", EVIL))
    view, head = TimingExplorer(session), ui.masthead(session, "timing")
    view.controls.retard.text.value = EVIL
    assert session.sheet.car.name == EVIL
    assert "<script" not in _markup(view.answer, view.page, head)
    assert "<script" not in "".join(s for p in view.pictures for s in _strings(p.figure.to_dict()))
