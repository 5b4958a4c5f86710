"""The timing of a plan: order of its bands, the first hit's floor and cap, speeds that cannot be had, and what is said of it."""

import functools
import math

import numpy as np
import pytest

from kernel_lib import BuildSheet, plan_shot
from kernel_lib.band import FLAME_RATIO, KNOCK_NITROUS, WORK_SHARE
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.plan.judgement import OBSTACLES, timing_sentences
from kernel_lib.plan.plan import plan_supply
from kernel_lib.plan.power import firing_of, shot_power, wanted_flow
from kernel_lib.plan.spark import REASONS
from kernel_lib.plan.timing import choices_for_shot, timing_plan

WREN, BADGER = (BuildSheet.demo(name) for name in ("wren_five", "badger_eight"))
NO_BORE = {
    f"nitrous.{name}": None
    for name in (
        "nozzle_diameter_mm",
        "discharge_coefficient",
        "discharge_error",
        "discharge_temperature_c",
        "discharge_bore_mm",
    )
}
SMALL = WREN.replace(NO_BORE | {"nitrous.shot_hp": 40.0})
"""Reachable at every speed of its window."""
BIG = WREN.replace(NO_BORE | {"nitrous.shot_hp": 75.0})
"""Not reachable at the low end."""
SHEETS = {"small": SMALL, "big": BIG, "wren": WREN, "badger": BADGER}
AT_FIRST_HIT = ("power_gain_hp", "peak_pressure_bar", "knock_ratio", "exhaust_K")
W_PER_HP = 745.6999  # NIST SP 811


@functools.cache
def plan_of(sheet):
    return plan_shot(sheet)


@functools.cache
def timing_at(sheet, shot, rpm):
    """Timing of a shot of so many horsepower at one speed."""
    return timing_plan(sheet, [rpm], choices_for_shot(sheet, shot), shot).table.iloc[0]


@pytest.fixture(scope="module", params=SHEETS)
def case(request):
    sheet = SHEETS[request.param]
    plan = plan_of(sheet)
    return sheet, plan, plan.timing.table


def said(sentences, words):
    assert all(s.endswith(".") for s in sentences)
    return sum(words in s for s in sentences)


# Bands.


def test_bands_contain_the_likely_value(case):
    """What each reason asks, the need, and what it leaves: low <= likely <= high wherever they are finite."""
    _, _, table = case
    for name in (*(f"{r}_deg" for r in REASONS), "retard_deg", *AT_FIRST_HIT):
        low, best, high = (table[f"{name}{tail}"].to_numpy() for tail in ("_low", "", "_high"))
        for a, b in ((low, best), (best, high)):
            finite = np.isfinite(a) & np.isfinite(b)
            assert (a[finite] <= b[finite] + 1e-9).all(), name


def test_likely_need_is_the_largest_reason(case):
    """And not below 0; so is its cautious edge the largest of theirs."""
    _, _, table = case
    good = table[table["reachable"]]
    for tail in ("", "_high"):
        asked = np.max([good[f"{r}_deg{tail}"] for r in REASONS], axis=0) if len(good) else np.array([])
        assert good[f"retard_deg{tail}"].to_numpy() == pytest.approx(np.maximum(asked, 0.0))


def test_first_hit_takes_the_cautious_edge_and_the_rule(case):
    """Never less than the high edge of the need. Less than 2 deg per 50 hp only if the sheet says so, or the exhaust stands in the way."""
    sheet, plan, table = case
    good = table[table["reachable"]]
    assert (good["first_hit_deg"] >= good["retard_deg_high"] - 1e-9).all()
    shot = max(sheet.nitrous.shot_hp, plan.power.best)
    assert table["rule_deg"].to_numpy() == pytest.approx(2 * shot / 50)
    below = good[good["first_hit_deg"] < good["rule_deg"] - 1e-9]
    assert (below["exhaust_K_high"] == pytest.approx(plan.timing.limits.T_evo, rel=2e-3)) if len(below) else True
    assert ((good["governs"] == "rule") == (good["retard_deg_high"] < good["rule_deg"])).all()


def test_rule_governs_a_shot_that_asks_for_little():
    """With much room in pressure, little doubt of knock and a limit far off, the need falls below the rule; then the sheet may waive it."""
    light = {"nitrous.shot_hp": 150.0, "nitrous.spray_rpm_min": 6000.0, "fuel.octane_ron": 120.0}
    sheet = BADGER.replace(dict.fromkeys(NO_BORE) | light | {"limits.exhaust_rise_k": 900.0})
    rule = timing_plan(sheet, [6500.0], [(0.002, 0.0, 0.0)], 150.0).table.iloc[0]
    assert rule["rule_deg"] == pytest.approx(6.0)
    assert rule["governs"] == "rule"
    assert rule["first_hit_deg"] == pytest.approx(6.0)
    waived = sheet.replace({"limits.retard_below_rule": True})
    free = timing_plan(waived, [6500.0], [(0.002, 0.0, 0.0)], 150.0).table.iloc[0]
    assert free["governs"] in REASONS
    assert free["first_hit_deg"] == pytest.approx(free["retard_deg_high"])
    assert free["first_hit_deg"] < 6.0


def test_exhaust_caps_the_rule_but_not_the_need():
    """The same with an exhaust limit that 6 deg pass: the rule gives way, down to that limit; where the need passes it, there is no timing."""
    sheet = BADGER.replace(dict.fromkeys(NO_BORE) | {"fuel.octane_ron": 120.0, "limits.exhaust_rise_k": 50.0})
    capped = timing_plan(sheet, [6500.0], [(0.002, 0.0, 0.0)], 900.0).table.iloc[0]
    assert capped["reachable"]
    assert capped["first_hit_deg"] < capped["rule_deg"] == pytest.approx(36.0)
    limit = firing_of(sheet).table["T_burned_evo"].max() + 50.0
    assert capped["exhaust_K_high"] == pytest.approx(limit, abs=1.0)  # 0.05 deg of retard is less
    hot = timing_plan(BIG.replace({"limits.exhaust_rise_k": 50.0}), [3000.0], choices_for_shot(BIG, 75.0), 75.0)
    assert hot.table["obstacle"].iloc[0] == "exhaust"


def test_no_row_passes_its_limits(case):
    """At the first hit's timing every corner keeps pressure, knock and exhaust; 0.2 % for what lies between nine retards."""
    sheet, plan, table = case
    good, limits = table[table["reachable"]], plan.timing.limits
    assert (good["peak_pressure_bar_high"] <= limits.P_max / 1e5 * 1.002).all()
    assert (good["knock_ratio_high"] <= 1.002).all()
    assert (good["exhaust_K_high"] <= limits.T_evo * 1.002).all()
    assert limits.P_max == pytest.approx(
        (1 + sheet.limits.peak_pressure_rise_percent / 100) * firing_of(sheet).table["P_max"].max()
    )


def test_unreachable_rows_are_blank(case):
    """Blank in the need, the first hit and what it leaves; a word why; and the most that may flow."""
    sheet, plan, table = case
    short, good = table[~table["reachable"]], table[table["reachable"]]
    shot = max(sheet.nitrous.shot_hp, plan.power.best)
    for name in ("retard_deg", *AT_FIRST_HIT):
        for tail in ("_low", "", "_high"):
            assert short[f"{name}{tail}"].isna().all()
            assert good[f"{name}{tail}"].notna().all()
    for name in ("first_hit_deg", "power_hp", "torque_nm"):
        assert short[name].isna().all()
        assert good[name].notna().all()
    assert table[["power_own_hp", "torque_own_nm"]].notna().all(axis=None)
    assert set(short["obstacle"]) <= set(OBSTACLES)
    assert (good["obstacle"] == "").all()
    assert good["most_hp"].isna().all()
    assert ((short["most_hp"] >= 0) & (short["most_hp"] < shot)).all()
    worth = [shot_power(sheet, flow) for flow in short["most_kg_s"]]
    assert short["most_hp"].to_numpy() == pytest.approx(worth, rel=1e-9)


def test_the_cases_are_the_ones_meant():
    assert plan_of(SMALL).table["reachable"].all()
    assert set(plan_of(BIG).table["reachable"]) == {True, False}
    assert not plan_of(WREN).table["reachable"].all()


def test_what_is_said_to_be_the_most_can_be_had():
    """At 0.95 of it the speed is reachable, at 1.1 not, where the exhaust is what stands in the way.

    It lies on a line between shares a fifth of the shot apart, so it is no better than some percent; a shot by horsepower asks for a
    little more flow at the cautious end than that share of the flow."""
    table = plan_of(BIG).timing.table
    short = table[(~table["reachable"]) & (table["obstacle"] == "exhaust")]
    assert len(short)
    for _, row in short.iterrows():
        assert row["most_hp"] > 20
        assert timing_at(BIG, 0.95 * row["most_hp"], row["rpm"])["reachable"]
        if 1.1 * row["most_hp"] < 75.0:
            assert not timing_at(BIG, 1.1 * row["most_hp"], row["rpm"])["reachable"]


def test_the_most_rises_with_rpm():
    short = plan_of(BIG).timing.table
    assert (np.diff(short["most_hp"].dropna()) > 0).all()


@pytest.mark.parametrize("sheet", [BIG, WREN], ids=["by hp", "by nozzle"])
def test_the_most_in_hp_is_worth_the_most_in_flow(sheet):
    """At the speed of peak power; 5 % as the worth of a flow is no line through nothing."""
    table = plan_of(sheet).timing.table
    for _, row in table[~table["reachable"]].iterrows():
        assert shot_power(sheet, row["most_kg_s"]) == pytest.approx(row["most_hp"], rel=0.05)


def test_the_most_of_a_nozzle_short_of_its_shot():
    """Badger's nozzle gives about nine tenths of the wanted 150 hp."""
    table = plan_of(BADGER).timing.table
    short = table[~table["reachable"] & (table["most_hp"] > 0)]
    assert len(short)
    assert plan_of(BADGER).power.best < 0.95 * 150.0
    for _, row in short.iterrows():
        assert shot_power(BADGER, row["most_kg_s"]) == pytest.approx(row["most_hp"], rel=0.05)


# Over rpm and shot.


def test_pressure_retard_falls_with_rpm(case):
    """At a constant flow; the likely one and both edges."""
    _, _, table = case
    for tail in ("", "_high"):
        values = table[f"pressure_deg{tail}"].to_numpy()
        known = np.isfinite(values)
        assert (np.diff(values[known]) < 0).all()


def test_a_bigger_shot_asks_for_more():
    small, big = plan_of(SMALL).timing.table, plan_of(BIG).timing.table
    for reason in ("phasing", "pressure"):
        assert (big[f"{reason}_deg"] > small[f"{reason}_deg"]).all()
    assert big["rule_deg"].iloc[0] == pytest.approx(75 / 40 * small["rule_deg"].iloc[0])


def test_no_shot_gains_nothing_and_asks_nothing():
    """No flow at the lambda it had: no gain, the engine's own pressure, knock and power."""
    sheet = SMALL.replace({"engine.lambda_with_nitrous": 0.88})
    table = timing_plan(sheet, [3000.0, 5500.0], [(0.0, 0.5, 0.5), (0.0, 0.0, 1.0), (0.0, 1.0, 0.0)], 0.0).table
    assert table["reachable"].all()
    assert table["rule_deg"].tolist() == [0.0, 0.0]
    assert table["first_hit_deg"].to_numpy() == pytest.approx(0.0, abs=0.05)
    for tail in ("_low", "", "_high"):
        assert table[f"power_gain_hp{tail}"].to_numpy() == pytest.approx(0.0, abs=0.1)
        assert table[f"knock_ratio{tail}"].to_numpy() == pytest.approx(1.0, abs=5e-3)
    own = firing_of(sheet).at("P_max", table["rpm"]) / 1e5
    assert table["peak_pressure_bar"].to_numpy() == pytest.approx(own, rel=2e-3)
    assert table["power_hp"].to_numpy() == pytest.approx(table["power_own_hp"].to_numpy(), abs=0.1)


def test_power_at_the_first_hit():
    """Own power from the cycle; torque is power over angular speed; a first hit gives less than the shot at the speed of peak power."""
    table = plan_of(SMALL).timing.table.set_index("rpm")
    firing = firing_of(SMALL)
    own = firing.at("brake_W", table.index) * 5 / W_PER_HP
    assert table["power_own_hp"].to_numpy() == pytest.approx(own, rel=1e-6)
    assert table["power_hp"].to_numpy() == pytest.approx((table["power_own_hp"] + table["power_gain_hp"]).to_numpy())
    speed = table.index.to_numpy() * np.pi / 30
    assert table["torque_nm"].to_numpy() == pytest.approx(table["power_hp"].to_numpy() * W_PER_HP / speed, rel=1e-6)
    assert table["torque_own_nm"].to_numpy() == pytest.approx(own * W_PER_HP / speed, rel=1e-6)
    assert 0.6 * 40.0 < table.loc[5500.0, "power_gain_hp"] < 40.0


def test_choices_make_the_shot():
    """Each is worth the shot under its own unknowns: likely, then work low and high with the three ways of cooling."""
    likely, *ends = choices_for_shot(BIG, 60.0)
    assert likely == (wanted_flow(BIG, shot_hp=60.0), 0.5, 0.5, WORK_SHARE.best)
    assert len(ends) == 6
    for k, (flow, wall, exponent, work) in enumerate(ends):
        assert work == (WORK_SHARE.low if k < 3 else WORK_SHARE.high)
        assert shot_power(BIG, flow, work, wall, exponent) == pytest.approx(60.0, rel=1e-6)


def test_speeds_stand_alone():
    """A speed of a plan is what it is by itself."""
    table = plan_of(SMALL).timing.table.set_index("rpm")
    alone = timing_plan(SMALL, [4000.0], choices_for_shot(SMALL, SMALL.nitrous.shot_hp), 40.0).table.iloc[0]
    for name in (
        "phasing_deg_high",
        "knock_deg",
        "pressure_deg_low",
        "first_hit_deg",
        "power_gain_hp_low",
        "exhaust_K_high",
    ):
        assert table.loc[4000.0, name] == pytest.approx(alone[name], abs=1e-6)


# The plan.


def test_plan_carries_the_timing(case):
    _, plan, table = case
    for name in ("retard_deg", "power_gain_hp", "peak_pressure_bar", "knock_ratio"):
        for tail in ("_low", "", "_high"):
            assert plan.table[f"{name}{tail}"].equals(table[f"{name}{tail}"])
    assert plan.table["rpm"].equals(table["rpm"])
    assert plan.table["reachable"].dtype == bool


def test_supply_is_the_plan_without_timing(case):
    sheet, plan, _ = case
    supply = plan_supply(sheet)
    assert supply.timing is None
    assert "retard_deg" not in supply.table
    assert supply.table.equals(plan.table[supply.table.columns])
    assert (supply.flow, supply.power, supply.wanted_flow) == (plan.flow, plan.power, plan.wanted_flow)
    assert set(supply.notes) <= set(plan.notes)
    assert plan.assumptions[: len(supply.assumptions)] == supply.assumptions


def test_sentences(case):
    """The first hit where there is one, then the speeds without; numbers from the table."""
    _, plan, table = case
    sentences = timing_sentences(plan.timing)
    good, short = table[table["reachable"]], table[~table["reachable"]]
    assert len(sentences) == bool(len(good)) + bool(len(short))
    if len(good):
        first = good.iloc[0]
        assert sentences[0].startswith(f"Timing for a first hit at {first['rpm']:.0f}")
        retard = math.ceil(2 * first["first_hit_deg"] - 1e-6) / 2  # up to the half degree: never short of the need
        assert f"rpm: {math.floor(2 * (first['timing_deg_btdc'] - retard)) / 2:g}" in sentences[0]
        assert f"the trade's rule says {first['rule_deg']:.0f}" in sentences[0]
        assert sentences[0] in plan.notes
    if len(short):
        assert sentences[-1].startswith("Not reachable at ")
        assert (
            f"about {short['most_hp'].iloc[-1]:.0f} hp ({1e3 * short['most_kg_s'].iloc[-1]:.0f} g/s)" in sentences[-1]
        )
        for name in set(short["obstacle"]):
            assert OBSTACLES[name] in sentences[-1]
        assert said(plan.blockers, sentences[-1][:-1]) == 1
        assert said(plan.notes, "Not reachable") == 0


def test_an_engine_that_knocks_already_has_no_margin():
    """Knock integral from 1 without nitrous: said with its speeds. Plenty of octane: nothing of the kind."""
    for changes, expected in (
        ({"engine.compression_ratio": 13.0}, 1),
        ({"fuel.octane_aki": None, "fuel.octane_ron": 82.0}, 1),
        ({"fuel.octane_aki": None, "fuel.octane_ron": 118.0, "engine.compression_ratio": 8.0}, 0),
    ):
        sheet = SMALL.replace(changes)
        rpm = plan_of(SMALL).table["rpm"].to_numpy()
        own = firing_of(sheet).at("knock_integral", rpm)
        assert (own >= 1.0).any() == bool(expected), own
        notes = plan_of(sheet).notes
        assert said(notes, "it has no margin to spend") == expected
        for speed in rpm[own >= 1.0]:
            assert said([n for n in notes if "no margin" in n], f"{speed:.0f}") == 1


def test_a_pressure_limit_below_the_engines_own_is_a_blocker():
    """Counted with 9 % that the real peak may lie above the cycle's; with it, nothing else is said of unreachable speeds."""
    own = firing_of(SMALL).table["P_max"].max() / 1e5
    for factor, expected in ((1.05, 1), (1.7, 0)):
        sheet = SMALL.replace({"limits.peak_pressure_bar": factor * own, "limits.peak_pressure_rise_percent": None})
        plan = plan_of(sheet)
        assert said(plan.blockers, "is below what the engine may reach without nitrous") == expected
        assert said(plan.blockers, "Not reachable") == 0


def test_ranges_of_the_corners(case):
    """Both ends of the flame in every end; the likely corner first."""
    _, plan, _ = case
    likely, *ends = plan.timing.choices
    assert (likely.wall, likely.exponent, likely.flame) == (0.5, 0.5, 1.0)
    assert likely.flow == pytest.approx(plan.flow.best)
    assert {c.flame for c in ends} == {FLAME_RATIO.low, FLAME_RATIO.high}
    assert min(c.flow for c in ends) == pytest.approx(plan.flow.low)
    assert max(c.flow for c in ends) == pytest.approx(plan.flow.high)
    assert KNOCK_NITROUS.low < 1 < KNOCK_NITROUS.high


def test_the_cooler_corner_is_really_cooler():
    """The corners' heat: no heat from the walls leaves the charge coldest."""
    setup = Setup.of(BIG)
    cold, warm = (float(fresh_charge(setup, 4000.0, 0.03, wall_share=w, exponent=0.0).T) for w in (0.0, 1.0))
    assert cold < warm
    choices = plan_of(BIG).timing.choices
    assert {c.wall for c in choices} == {0.0, 0.5, 1.0}
