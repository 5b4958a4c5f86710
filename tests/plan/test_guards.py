"""When nitrous may flow and when it must stop: one pass in order, a number in every sentence, a proposal for every limit."""

import re

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.build_fields import describe
from kernel_lib.plan.dose import dosed_of
from kernel_lib.plan.guards import PHASES, guards
from kernel_lib.plan.passage import extremes
from kernel_lib.plan.proposals import (
    COMPUTED,
    OWN,
    PRACTICE,
    SHEET,
    TRADE_HOLD_S,
    TRADE_LEAD_MS,
    close_rpm,
    entry_ends,
    fuel_missing,
    hold_s,
    lean_budget,
    least_lead_ms,
    proposals,
)
from kernel_lib.plan.ramp import gear_rises
from kernel_lib.plan.stopping import wash_out
from kernel_lib.plan.tune import tune_of

WREN, BADGER = (BuildSheet.demo(name) for name in ("wren_five", "badger_eight"))
CARS = {"wren": WREN, "badger": BADGER}
GEARS = {"driveline.gear_ratios": [3.2, 2.0, 1.4], "driveline.rise_rpm_s": [3000.0, 1600.0, 800.0]}
FIELDS = {
    "lean stop": "limits.lean_stop_lambda",
    "rich stop": "limits.rich_stop_lambda",
    "fuel before nitrous": "nitrous.fuel_lead_ms",
    "nitrous closes at": "nitrous.spray_rpm_max",
}


@pytest.fixture(scope="module", params=CARS)
def car(request):
    return request.param


@pytest.fixture(scope="module")
def tune(car):
    return tune_of(CARS[car])


def proposed(sheet, dosed=None, *, pulsed=True):
    return {p.name: p for p in proposals(sheet, dosed or dosed_of(sheet, 0.5), pulsed=pulsed)}


# --- the timeline


def test_phases_come_in_order(tune):
    order = [PHASES.index(g.phase) for g in tune.guards()]
    assert order == sorted(order)
    assert set(order) == set(range(len(PHASES)))


def test_every_guard_says_what_it_rests_on(tune):
    assert {g.basis for g in tune.guards()} <= {COMPUTED, PRACTICE, OWN, SHEET}
    assert all(g.sentence.endswith(".") and "!" not in g.sentence and "nan" not in g.sentence for g in tune.guards())


NUMBER = re.compile(r"\d|\b(?:one|two|three|four|once|twice|none)\b", re.IGNORECASE)


def test_a_number_in_every_sentence(tune):
    assert [g.sentence for g in tune.guards() if not NUMBER.search(g.sentence)] == []
    assert all(re.search(r"\d", g.sentence) for g in tune.guards() if g.basis == COMPUTED)


@pytest.mark.parametrize("cut", ["spark", "fuel", "both"])
def test_what_the_limiter_cuts_is_told(cut):
    sheet = WREN.replace(
        {"controller.limiter_cuts": cut, "controller.shift_cuts": "nothing", "controller.traction_cuts": cut}
    )
    told = [g.sentence for g in guards(sheet, dosed_of(sheet, 0.5), "x 1.") if "By the sheet" in g.sentence]
    assert len(told) == 2
    assert "the rev limiter and traction control" in told[0]
    assert "cut nothing" in told[1]


def test_no_dose_no_guards():
    empty = dosed_of(WREN, 0.5)
    empty = type(empty)(*(np.array([]) for _ in range(3)), empty.full_flow)
    assert guards(WREN, empty, "") == []


# --- closing


@pytest.mark.parametrize("throttle", ["open", "shut"])
def test_hold_is_the_longest_wash_out(car, tune, throttle):
    d = tune.dosed
    every = [wash_out(CARS[car], float(r), throttle, float(s))["all"].high for r, s in zip(d.rpm, d.share, strict=True)]
    assert hold_s(CARS[car], d, throttle) == pytest.approx(max(every))
    word = "with the throttle open" if throttle == "open" else "after a lift"
    assert any(f"{max(every):.1f} s {word}" in g.sentence for g in tune.guards())


def test_the_proposed_hold_is_the_longest_of_both_up_to_a_tenth(car, tune):
    """Whatever closes the valve: throttle open, or after a lift."""
    longest = max(hold_s(CARS[car], tune.dosed, throttle) for throttle in ("open", "shut"))
    p = {p.name: p for p in tune.proposals}["fuel and timing stay"]
    assert 0 <= p.value - longest < 0.1 + 1e-9
    assert 10 * p.value == pytest.approx(round(10 * p.value), abs=1e-9)
    assert p.digits == 1


def test_holding_longer_after_a_lift(car, tune):
    assert hold_s(CARS[car], tune.dosed, "shut") > hold_s(CARS[car], tune.dosed, "open")


def test_close_speed_by_arithmetic(car, tune):
    """Rev limit less rise times wash-out; the fastest gear with nitrous counts."""
    sheet = CARS[car].replace(GEARS)
    d = tune.dosed
    gone = wash_out(sheet, float(d.rpm[-1]), "open", float(d.share[-1]))["all"].high
    assert close_rpm(sheet, d) == pytest.approx(sheet.engine.limit_rpm - 1600.0 * gone)
    told = proposed(sheet, d)["nitrous closes at"].value
    assert told == min(50 * (close_rpm(sheet, d) // 50), sheet.nitrous.spray_rpm_max)


@pytest.mark.parametrize("window", [4500.0, 6125.0, 6400.0, 6800.0])
def test_never_proposed_to_close_later_than_the_sheet_or_than_gone_in_time(window):
    """To the next 50 rpm down; a window that closes earlier stays."""
    sheet = WREN.replace({"nitrous.spray_rpm_max": window, "engine.limit_rpm": 7000.0})
    d = dosed_of(sheet, 0.5)
    told, by = proposed(sheet, d)["nitrous closes at"].value, close_rpm(sheet, d)
    assert told <= min(by, window)
    assert told == window or by - told < 50


def test_close_speed_of_another_rise(car, tune):
    """Wheels loose: the same line from the rev limit, with the rise that is given."""
    sheet, d = CARS[car], tune.dosed
    lost = [sheet.engine.limit_rpm - close_rpm(sheet, d, rise) for rise in (1000.0, 2000.0)]
    assert lost[0] > 0
    assert lost[1] == pytest.approx(2 * lost[0])
    assert close_rpm(sheet, d) == pytest.approx(close_rpm(sheet, d, max(gear_rises(sheet).values())))


def test_a_faster_rise_closes_earlier():
    d = dosed_of(WREN, 0.5)
    closes = [close_rpm(WREN.replace({"driveline.rise_rpm_s": [r]}), d) for r in (500.0, 1500.0, 4000.0)]
    assert closes == sorted(closes, reverse=True)


# --- lambda without the added fuel


def test_fuel_missing_without_nitrous_is_the_engines_own():
    for sheet in CARS.values():
        assert fuel_missing(sheet, 4000.0, 0.0) == pytest.approx(sheet.engine.lambda_without_nitrous)


def test_fuel_missing_is_leaner_the_more_flows(car, tune):
    sheet = CARS[car]
    lean = [fuel_missing(sheet, 4000.0, f * tune.room.full_flow) for f in (0.2, 0.5, 1.0)]
    assert lean == sorted(lean)
    assert lean[0] > sheet.engine.lambda_with_nitrous
    value, budget = lean_budget(sheet, tune.dosed, 0)
    assert value == pytest.approx(fuel_missing(sheet, float(tune.dosed.rpm[0]), float(tune.dosed.flow[0])))
    assert budget.reached
    assert budget.cycles == pytest.approx(budget.total_s * tune.dosed.rpm[0] / 120)


def test_a_leaner_stop_is_later(car, tune):
    times = [lean_budget(CARS[car], tune.dosed, 0, stop)[1].total_s for stop in (0.9, 0.932, 1.0)]
    assert times == sorted(times)


# --- proposals


def test_proposals_lie_in_the_ranges_of_their_fields(tune):
    for p in tune.proposals:
        if p.name in FIELDS:
            about = describe(FIELDS[p.name])
            assert about["low"] <= p.value <= about["high"], p.name
            assert p.unit in about["unit"] or p.unit == "lambda"
        assert p.path == FIELDS.get(p.name, "")
        assert p.reason
        assert p.basis in (COMPUTED, OWN, PRACTICE)


def test_proposals_name_the_sheets_values(car, tune):
    sheet = CARS[car]
    told = {p.name: p.sheet for p in tune.proposals}
    assert told == {name: sheet.value(path) for name, path in FIELDS.items()} | {"fuel and timing stay": TRADE_HOLD_S}


def test_stops_stand_on_both_sides_of_the_target(car, tune):
    target, told = CARS[car].engine.lambda_with_nitrous, {p.name: p.value for p in tune.proposals}
    assert CARS[car].limits.misfire_rich_lambda <= told["rich stop"] < target < told["lean stop"]
    assert told["lean stop"] <= 13.7 / 14.7 + 1e-9  # the trade's; common practice, no source


def test_the_lead_keeps_every_cycle_short_of_the_lean_stop(car, tune):
    """The stop that is proposed with it: typed in, it asks for no other lead."""
    sheet, typed = CARS[car], {p.name: p.value for p in tune.proposals}
    lead = typed["fuel before nitrous"] / 1e3
    stop = max(typed["lean stop"], sheet.engine.lambda_without_nitrous)
    d = tune.dosed
    for k in (0, -1):
        for case in ("likely", "fuel early", "fuel late"):
            _, leanest = extremes(sheet, float(d.rpm[k]), float(d.share[k]), np.array([lead]), case=case)
            assert leanest[0] <= stop + 1e-9
    if lead > 0:
        assert entry_ends(sheet, d, np.array([lead - 0.011]))[1][0] > stop - 1e-3


@pytest.mark.parametrize(
    ("changes", "name"),
    [
        pytest.param({"driveline.rise_rpm_s": [8000.0]}, "nitrous closes at", id="closes at 350 rpm"),
        pytest.param({"engine.lambda_with_nitrous": 0.7}, "lean stop", id="lean stop 0.755, below 0.8"),
        pytest.param(
            {"engine.lambda_with_nitrous": 1.0, "limits.misfire_rich_lambda": 0.8},
            "rich stop",
            id="rich stop above 0.85",
        ),
    ],
)
def test_proposals_stay_in_range_at_the_ends_of_the_inputs(changes, name):
    about = describe(FIELDS[name])
    assert about["low"] <= proposed(WREN.replace(changes))[name].value <= about["high"]


def test_lean_stop_of_a_lean_target():
    assert proposed(WREN.replace({"engine.lambda_with_nitrous": 1.0}))["lean stop"].value > 1.0


def test_target_at_the_lean_stop():
    sheet = WREN.replace({"engine.lambda_with_nitrous": 0.932})
    assert guards(sheet, dosed_of(sheet, 0.5), "x 1.")


def test_a_target_past_the_lean_stop_is_told():
    sheet = WREN.replace({"engine.lambda_with_nitrous": 0.932})
    told = " ".join(g.sentence for g in guards(sheet, dosed_of(sheet, 0.5), "x 1."))
    assert "not leaner than the target 0.932: it would end every pull" in told


@pytest.mark.parametrize(("volume", "enough"), [(None, True), (50.0, False)])
def test_a_lead_that_is_not_enough_is_told(volume, enough):
    """50 mL between fuel valve and jet: no lead up to 0.6 s fills them, and the proposal says so."""
    sheet = BADGER if volume is None else BADGER.replace({"nitrous.fuel_valve_to_jet_ml": volume})
    dosed = dosed_of(sheet, 1.0)
    asked = proposed(sheet, dosed, pulsed=False)
    p, typed = asked["fuel before nitrous"], asked["lean stop"].value
    lead, kept = least_lead_ms(sheet, dosed, typed)
    assert (p.value, kept) == (lead, enough)
    assert ("no lead looked at is enough" in p.reason) == (not enough)
    stop = max(typed, sheet.engine.lambda_without_nitrous)
    assert (entry_ends(sheet, dosed, np.array([lead / 1e3]))[1][0] <= stop) == enough
    if not enough:
        assert lead == pytest.approx(600.0)
        assert (entry_ends(sheet, dosed, np.arange(0.0, 0.61, 0.05))[1] > stop).all()


def test_a_stop_nearer_than_any_lead_can_keep_is_told():
    """10 hp without a nozzle: no lead keeps the proposed stop, one keeps the sheet's; that one is proposed."""
    sheet = BADGER.replace(
        {"nitrous.nozzle_diameter_mm": None, "nitrous.fuel_jet_diameter_mm": None, "nitrous.shot_hp": 10}
    )
    dosed = dosed_of(sheet, 1.0)
    asked = proposed(sheet, dosed, pulsed=False)
    assert asked["lean stop"].value < sheet.limits.lean_stop_lambda
    assert not least_lead_ms(sheet, dosed, asked["lean stop"].value)[1]
    assert (asked["fuel before nitrous"].value, True) == least_lead_ms(sheet, dosed)
    assert "may trip while the nitrous comes in" in asked["fuel before nitrous"].reason


# --- in the reader's units


def test_guards_in_one_system_of_units(tune):
    """Same sentences, same order; psi and Fahrenheit of the same pressure and warmth."""
    metric, us = ([g.sentence for g in tune.guards(metric=m)] for m in (True, False))
    assert len(metric) == len(us)
    assert [g.basis for g in tune.guards(metric=False)] == [g.basis for g in tune.guards()]
    ours, theirs = " ".join(metric), " ".join(us)
    assert not re.search(r"\bpsi\b|°F", ours)
    assert not re.search(r"\bkPa\b|°C", theirs)
    kpa, psi = (
        [float(v) for v in re.findall(rf"(\d+) {unit}", text)] for unit, text in (("kPa", ours), ("psi", theirs))
    )
    assert len(kpa) >= 3
    assert np.array(psi) * 6.894757 == pytest.approx(np.array(kpa), abs=0.5 * 6.9 + 0.5)  # NIST SP 811
    assert "70 °C" in ours
    assert "158 °F" in theirs
    changed = [m for m, u in zip(metric, us, strict=True) if m != u]
    assert all("kPa" in m or "°C" in m for m in changed)


# --- the trade's facts (common practice, no source)


def test_trade_facts_stand_in_the_text(tune):
    """100 ms of fuel before nitrous, timing back after 1 s."""
    assert (TRADE_LEAD_MS, TRADE_HOLD_S) == (100.0, 1.0)
    told = " ".join(g.sentence for g in tune.guards())
    assert "the trade says 100 ms" in told.lower()
    assert "trade's 1 s" in told
