"""The bottle over a day: balances pass by pass, what brings it back, and geometry of the liquid computed another way."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from kernel_lib import BuildSheet, InputError
from kernel_lib.plan.bottle_day import (
    bottle_of,
    day,
    full_temperature,
    gauge_pressure,
    hold_temperature,
    least_fill,
    out_of_reach,
    state_of,
    temperature_fall,
)
from kernel_lib.plan.supply import flow_band
from kernel_lib.thermo.fluid import saturation, saturation_temperature, table
from kernel_lib.thermo.vessel import LIQUID_FULL, TWO_PHASES, VAPOUR_ONLY, vessel_state

WREN = BuildSheet.demo("wren_five").replace({"nitrous.bottle_temperature_c": 30.5, "nitrous.pass_s": 10.0})
BADGER = BuildSheet.demo("badger_eight")
FRONT = WREN.replace({"nitrous.pick_up": "front"})
VOLUME = 4.54 / 680  # 68 % by mass
HOLD = 64e5  # Pa absolute, 6300 kPa over the day's 99.6


@pytest.fixture(scope="module")
def plain():
    """Eight passes of 10 s, half an hour apart, no heater."""
    return day(WREN, 8, pass_s=10.0, wait_s=1800.0)


@pytest.fixture(scope="module")
def heated():
    """Passes of 12 s until it is empty, 300 W, held at a pressure."""
    return day(WREN, 40, pass_s=12.0, wait_s=1800.0, heater_W=300.0, P_hold=HOLD)


# The bottle on the sheet.


def test_bottle_by_hand():
    """6.676 L; a cylinder three bores long is 14.15 cm wide and has 3.5 pi D^2 of surface; 6.6 kg of aluminium."""
    bottle = bottle_of(WREN)
    bore = (4 * VOLUME / (3 * np.pi)) ** (1 / 3)
    assert bore == pytest.approx(0.1415, abs=1e-4)
    surface = 2 * np.pi / 4 * bore**2 + np.pi * bore * 3 * bore
    assert bottle.volume == pytest.approx(VOLUME)
    assert bottle.wall_heat_capacity == pytest.approx(6.6 * 900)
    assert bottle.inner_conductance == pytest.approx(500 * surface)
    assert bottle.outer_conductance == pytest.approx(8 * surface)
    assert bottle_of(WREN, 150.0, 5.0).inner_conductance == pytest.approx(150 * surface)
    steel = bottle_of(WREN.replace({"nitrous.bottle_metal": "steel"}))
    assert steel.wall_heat_capacity == pytest.approx(6.6 * 480)


def test_state_now():
    state = state_of(BADGER)
    assert (state.T, state.mass) == pytest.approx((302.15, 6.1))
    assert state.volume == pytest.approx(6.8 / 680)
    assert state.regime == TWO_PHASES
    assert gauge_pressure(WREN, 64e5) == pytest.approx(63.004e5)


@given(low=st.floats(3000.0, 6800.0), width=st.floats(60.0, 600.0), fill=st.floats(1.9, 5.0))
@settings(deadline=None, max_examples=40)
def test_hold_temperature_there_and_back(low, width, fill):
    """Liquid and vapour at the middle of the window, or as full as it is at its high end, whichever is colder.

    What would be vapour alone there, less than its density times the space, cannot be held."""
    high = min(low + width, 7100.0)
    sheet = WREN.replace(
        {"nitrous.window_low_kpa": low, "nitrous.window_high_kpa": high, "nitrous.bottle_fill_kg": fill}
    )
    middle = float(saturation_temperature(1e3 * ((low + high) / 2 + 99.6)))
    if fill < saturation(middle).vapour_density * VOLUME:
        with pytest.raises(InputError, match="would all be vapour") as caught:
            hold_temperature(sheet)
        assert caught.value.field == "nitrous.bottle_fill_kg"
        return
    T = hold_temperature(sheet)
    shown, line = (P / 1e3 - 99.6 for P in (vessel_state(T, fill, VOLUME).P, saturation(T).P))
    if line == pytest.approx((low + high) / 2, rel=1e-6):
        assert shown <= high * (1 + 1e-6)
    else:
        assert line < (low + high) / 2
        assert shown == pytest.approx(high, rel=1e-5)


def test_hold_temperature_of_the_window():
    """900 to 1000 psi (common practice, no source): a rated fill is held at the middle of the line, an overfull one colder."""
    T, nitrous = hold_temperature(WREN), WREN.nitrous
    middle, high = 500 * (nitrous.window_low_kpa + nitrous.window_high_kpa), 1e3 * nitrous.window_high_kpa
    assert middle == pytest.approx(950 * 6894.76, rel=1e-3)
    assert saturation(T).P - 99.6e3 == pytest.approx(middle, rel=1e-6)
    assert hold_temperature(WREN.replace({"nitrous.bottle_fill_kg": 2.5})) == T
    overfull = hold_temperature(WREN.replace({"nitrous.bottle_fill_kg": 5.0}))
    assert vessel_state(overfull, 5.0, VOLUME).regime == LIQUID_FULL
    assert vessel_state(overfull, 5.0, VOLUME).P - 99.6e3 == pytest.approx(high, rel=1e-5)
    assert overfull < T


def test_full_temperature():
    """Just above it no vapour is left, just below some; a bottle below the critical density never gets there."""
    for sheet, fill, volume in ((WREN, 4.54, VOLUME), (BADGER, 6.1, 6.8 / 680)):
        T = full_temperature(sheet)
        assert vessel_state(T + 0.01, fill, volume).regime == LIQUID_FULL
        assert vessel_state(T - 0.01, fill, volume).regime == TWO_PHASES
    assert full_temperature(WREN) < full_temperature(BADGER)
    assert full_temperature(WREN.replace({"nitrous.bottle_fill_kg": 2.0})) is None


# Falling.


def test_temperature_falls_with_what_is_drawn():
    falls = [temperature_fall(WREN, 299.15, drawn, 8.0) for drawn in (0.01, 0.1, 0.3, 1.0)]
    assert falls == sorted(falls)
    assert 0 < falls[0] < 0.1


def test_temperature_fall_by_hand():
    """Quick draw of 0.1 kg, no heat from the wall: the vapour that fills the liquid's room takes its heat from all the nitrous.

    dm_v = drawn/rho_l x rho_v/(1 - rho_v/rho_l); its heat over the liquid's capacity, 20 % for both changing on the way."""
    s = saturation(285.0)
    warm, cold = (float(table().at_T(T, "h_l")[0]) for T in (285.5, 284.5))
    boiled = 0.1 * s.vapour_density / s.liquid_density / (1 - s.vapour_density / s.liquid_density)
    liquid = vessel_state(285.0, 4.54, VOLUME).liquid_mass
    capacity, latent = liquid * (warm - cold), s.vaporisation_enthalpy
    insulated = WREN.replace({"nitrous.bottle_empty_kg": 0.5})
    fall = temperature_fall(insulated, 285.0, 0.1, 0.5)
    assert fall == pytest.approx(boiled * latent / capacity, rel=0.2)


def test_more_than_the_liquid_cannot_be_drawn():
    with pytest.raises(InputError, match="no more liquid") as caught:
        temperature_fall(WREN, 299.15, 4.4, 20.0)
    assert caught.value.field == "after"
    for bad in (230.0, 309.6, float("nan"), "warm", None):
        with pytest.raises(InputError) as caught:
            temperature_fall(WREN, bad, 0.2, 8.0)
        assert caught.value.field == "T"


# Passes.


@pytest.mark.parametrize("which", ["plain", "heated"])
def test_mass_balance(which, request):
    """What left is the flow over time, pass by pass; a pass begins with what the one before left, and nothing leaks between."""
    found = request.getfixturevalue(which)
    table, course = found.table, found.course
    assert table["start_kg"].iloc[0] == 4.54
    assert table["start_kg"].to_numpy()[1:] == pytest.approx(table["end_kg"].to_numpy()[:-1], rel=1e-12)
    assert (table["start_kg"] > table["end_kg"]).all()
    for row in table.to_dict("records"):
        part = course[(course["pass"] == row["pass"]) & (course["flow_kg_s"] > 0)]
        drawn = np.trapezoid(part["flow_kg_s"], part["time_s"])
        assert row["start_kg"] - row["end_kg"] == pytest.approx(drawn, rel=1e-3)
        assert row["mean_flow_kg_s"] == pytest.approx(drawn / row["seconds"], rel=1e-3)
        rest = course[(course["pass"] == row["pass"]) & (course["flow_kg_s"] == 0)]
        assert rest["kg"].to_numpy() == pytest.approx(row["end_kg"], rel=1e-12)
    assert (np.diff(course["time_s"]) >= 0).all()


def test_pressure_and_flow_fall_in_a_pass(plain):
    for k in plain.table["pass"]:
        part = plain.course[(plain.course["pass"] == k) & (plain.course["flow_kg_s"] > 0)]
        for name in ("P_kPa", "T_C", "kg", "flow_kg_s"):
            assert (np.diff(part[name]) < 0).all()
    assert (plain.table["end_flow_kg_s"] < plain.table["start_flow_kg_s"]).all()


def test_first_instant_of_the_day_is_the_sheet(plain):
    first = plain.table.iloc[0]
    assert first["start_T_C"] == pytest.approx(30.5)
    assert first["start_P_kPa"] == pytest.approx(saturation(303.65).P / 1e3 - 99.6, rel=1e-6)
    assert first["start_flow_kg_s"] == pytest.approx(flow_band(WREN).best, rel=1e-3)


def test_without_a_heater_every_pass_starts_colder(plain):
    """Half an hour of 8 W/(m2 K) is not enough; a night is, and brings it to the 26 C of the air."""
    assert (np.diff(plain.table["start_P_kPa"]) < 0).all()
    assert (np.diff(plain.table["mean_flow_kg_s"]) < 0).all()
    assert plain.table["back_min"].isna().all()
    night = day(WREN, 2, pass_s=10.0, wait_s=1e5)
    assert night.table["start_T_C"].iloc[1] == pytest.approx(26.0, abs=0.01)


def test_heater_brings_it_back_to_what_is_to_be_held(heated):
    """6300.4 kPa over the air; the first wait begins lower and at 30.5 C; four minutes of 300 W at most."""
    table = heated.table
    assert table["start_P_kPa"].to_numpy()[1:] == pytest.approx(6300.4, abs=0.5)
    held = table[table["ended"] == "time"]
    assert ((held["back_min"] > 0) & (held["back_min"] < 4)).all()
    stronger = day(WREN, 1, pass_s=10.0, wait_s=1800.0, heater_W=600.0, P_hold=HOLD).table
    assert stronger["back_min"].iloc[0] < table["back_min"].iloc[0]
    weaker = day(WREN, 1, pass_s=10.0, wait_s=60.0, heater_W=100.0, P_hold=HOLD).table
    assert np.isnan(weaker["back_min"].iloc[0])


def test_no_need_to_warm_is_no_wait():
    """A bottle that still stands above the pressure after the pass."""
    low = day(WREN, 1, pass_s=5.0, wait_s=600.0, heater_W=300.0, P_hold=50e5).table
    assert low["back_min"].iloc[0] == 0.0


def test_run_out_ends_the_day(heated):
    """4.54 kg less the vapour that stays, at 0.365 kg a pass, are nine passes, the ninth cut short."""
    table = heated.table
    stays = saturation(273.15 + table["end_T_C"].iloc[-1]).vapour_density * VOLUME
    assert table["end_kg"].iloc[-1] == pytest.approx(stays, rel=1e-4)
    assert len(table) == int((4.54 - stays) / 0.365) + 1 == 9
    assert list(table["ended"]) == ["time"] * 8 + ["run-out"]
    assert table["seconds"].iloc[-1] < 12.0
    assert (table["seconds"].iloc[:-1] == 12.0).all()


def test_last_liquid_may_boil_off_between_passes():
    """Passes of 10 s leave a little liquid after the tenth; warmed again it stands as vapour, and there is no eleventh."""
    found = day(WREN, 40, pass_s=10.0, wait_s=1800.0, heater_W=300.0, P_hold=HOLD)
    assert set(found.table["ended"]) == {"time"}
    end = found.course.iloc[-1]
    assert vessel_state(273.15 + end["T_C"], end["kg"], VOLUME).regime == VAPOUR_ONLY
    assert len(found.table) == 10


def test_usable_passes_fall_with_what_is_out_of_reach():
    """One kilogram that the pick-up does not reach takes two to three passes of 0.3 kg; it is still there at the end."""
    less = day(WREN, 40, pass_s=10.0, wait_s=1800.0, heater_W=300.0, P_hold=HOLD, left=1.0).table
    assert len(less) == 8
    assert less["ended"].iloc[-1] == "run-out"
    state = vessel_state(273.15 + less["end_T_C"].iloc[-1], less["end_kg"].iloc[-1], VOLUME)
    assert state.liquid_mass == pytest.approx(1.0, rel=1e-3)


def test_an_empty_bottle_does_not_come_back(heated):
    """After the run-out there is vapour alone: it shows a pressure only by being hotter than liquid and vapour would be."""
    last = heated.course.iloc[-1]
    state = vessel_state(273.15 + last["T_C"], last["kg"], VOLUME)
    assert state.regime == VAPOUR_ONLY
    assert last["P_kPa"] == pytest.approx(state.P / 1e3 - 99.6, rel=1e-5)
    assert state.T > float(saturation_temperature(state.P)) + 0.1


def test_a_better_wall_keeps_the_pressure_up():
    """Lively boiling takes more heat from the metal."""
    ends = [
        day(WREN, 1, pass_s=10.0, wait_s=0.0, film=f).table["end_P_kPa"].iloc[0] for f in (0.0, 150.0, 500.0, 2000.0)
    ]
    assert ends == sorted(ends)
    assert ends[-1] - ends[0] > 20


DAY = {"passes": 2, "pass_s": 10.0, "wait_s": 60.0}


@pytest.mark.parametrize(
    ("field", "change"),
    [
        *(("passes", {"passes": v}) for v in (0, 41, -1, 1.5, float("nan"), "two", None, True)),
        *(("pass_s", {"pass_s": v}) for v in (0.0, -1.0, 601.0, float("nan"), "long")),
        *(("P_hold", {"P_hold": v, "heater_W": 0.0}) for v in (-1.0, 1.1e7, float("nan"), "high")),
        *(("seconds", {"wait_s": v}) for v in (-1.0, 2e6, float("nan"), None)),
        *(("heater", {"heater_W": v}) for v in (-1.0, 5001.0, float("inf"))),
        *(("left", {"left": v}) for v in (-1.0, float("-inf"))),
        *(("inner_conductance", {"film": v}) for v in (-1.0, float("nan"))),
    ],
)
def test_day_that_cannot_be(field, change):
    args = DAY | change
    with pytest.raises(InputError) as caught:
        day(WREN, args.pop("passes"), **args)
    assert caught.value.field == field


def test_nothing_within_reach_is_no_day():
    with pytest.raises(InputError, match="within reach") as caught:
        day(WREN, 2, pass_s=10.0, wait_s=60.0, left=5.0)
    assert caught.value.field == "nitrous.bottle_fill_kg"
    with pytest.raises(InputError) as caught:
        day(WREN.replace({"nitrous.nozzle_diameter_mm": None}), 2, pass_s=10.0, wait_s=60.0)
    assert caught.value.field == "nitrous.nozzle_diameter_mm"


# What must be in it.


@pytest.mark.parametrize("left", [0.0, 0.4])
def test_least_fill_by_hand(left):
    """0.3 kg drawn, what stays as vapour, and what is out of reach: with just that, a state of exactly `left` liquid remains."""
    s = saturation(303.65)
    needed = least_fill(WREN, 0.3, left)
    room = VOLUME - left / s.liquid_density
    assert needed == pytest.approx(0.3 + left + s.vapour_density * room, rel=1e-6)
    assert vessel_state(303.65, needed - 0.3 + 1e-6, VOLUME).liquid_mass == pytest.approx(left, abs=1e-4)


def test_least_fill_is_enough_for_a_pass():
    """The bottle cools on the way and keeps less vapour than counted: a pass of that draw ends by time, one of three times that not."""
    fill = least_fill(WREN, 0.3)
    sheet = WREN.replace({"nitrous.bottle_fill_kg": fill})
    seconds = 0.3 / flow_band(sheet).best
    assert day(sheet, 1, pass_s=seconds, wait_s=0.0).table["ended"].iloc[0] == "time"
    assert day(sheet, 1, pass_s=3 * seconds, wait_s=0.0).table["ended"].iloc[0] == "run-out"


@pytest.mark.parametrize(
    ("drawn", "left"), [(-0.1, 0.0), (float("nan"), 0.0), (0.3, -1.0), (0.3, float("nan")), ("x", 0)]
)
def test_least_fill_that_cannot_be(drawn, left):
    with pytest.raises(InputError):
        least_fill(WREN, drawn, left)


# Out of reach.


def liquid_below(slope, clearance):
    """Liquid [kg] of Wren's bottle below the plane through the pick-up's mouth, rising with `slope` away from it.

    Summed over height: the chord of the circle times the length on which that height lies below the plane."""
    bore = (4 * VOLUME / (3 * np.pi)) ** (1 / 3)
    length = 3 * bore

    def share(y):
        if slope == 0:
            return length if y < clearance else 0.0
        x = (y - clearance) / slope
        return length - np.clip(x, 0, length) if slope > 0 else np.clip(x, 0, length)

    corners = sorted({0.0, min(clearance, bore), float(np.clip(clearance + slope * length, 0, bore)), bore})
    parts = [
        quad(lambda y: 2 * np.sqrt(y * (bore - y)) * share(y), a, b, epsabs=1e-12)[0]
        for a, b in itertools.pairwise(corners)
    ]
    return sum(parts) * saturation(303.65).liquid_density


@pytest.mark.parametrize("clearance", [0.0, 0.008, 0.03])
@pytest.mark.parametrize("g", [-1.5, -0.6, -0.1, 0.0, 0.2, 0.7, 1.3, 2.0])
@pytest.mark.parametrize("sheet", [WREN, FRONT], ids=["rear", "front"])
def test_out_of_reach_by_geometry(sheet, g, clearance):
    """241 slices are good to 0.5 %, and to half a gram where the wedge is a few of them long."""
    slope = g if sheet is FRONT else -g
    expected = liquid_below(slope, clearance)
    assert out_of_reach(sheet, g, clearance=clearance) == pytest.approx(expected, rel=5e-3, abs=5e-4)


def test_level_and_at_rest_the_clearance_stays():
    """A slice 8 mm high of a 14.15 cm circle, by the area of its segment: R^2 acos(1 - h/R) - (R - h) sqrt(2 R h - h^2)."""
    R, h = 0.07075, 0.008
    segment = R**2 * np.arccos(1 - h / R) - (R - h) * np.sqrt(2 * R * h - h**2)
    expected = segment * 6 * R * saturation(303.65).liquid_density
    assert out_of_reach(WREN, 0.0) == pytest.approx(expected, rel=2e-3)
    assert out_of_reach(FRONT, 0.0) == out_of_reach(WREN, 0.0)
    assert out_of_reach(WREN, 0.0, clearance=0.0) == 0.0


def test_ends_mirror_each_other():
    for g in (0.3, 0.9, 1.5):
        assert out_of_reach(WREN, -g) == pytest.approx(out_of_reach(FRONT, g), rel=1e-12)
        assert out_of_reach(FRONT, -g) == pytest.approx(out_of_reach(WREN, g), rel=1e-12)


@given(g=st.floats(0.0, 1.9), more=st.floats(0.01, 0.1))
@settings(deadline=None, max_examples=40)
def test_front_loses_and_rear_gains_under_acceleration(g, more):
    """Liquid goes to the rear; in front it goes on towards the whole bottle and never beyond."""
    whole = VOLUME * saturation(303.65).liquid_density
    assert out_of_reach(WREN, g) < out_of_reach(FRONT, g) + 1e-12 or g == 0
    assert out_of_reach(FRONT, g) < out_of_reach(FRONT, g + more) < whole
    assert out_of_reach(WREN, g + more) < out_of_reach(WREN, g)


def test_front_at_two_g_is_nearly_the_whole():
    """The surface leaves through the top half a bore from the pick-up: 2 R/2 of 6 R, so a twelfth is above it."""
    whole = VOLUME * saturation(303.65).liquid_density
    assert out_of_reach(FRONT, 2.0, clearance=0.0) / whole == pytest.approx(11 / 12, abs=2e-3)


@pytest.mark.parametrize("bad", [-1.6, 2.1, float("nan"), float("inf"), "hard", None, True])
def test_no_such_acceleration(bad):
    with pytest.raises(InputError) as caught:
        out_of_reach(WREN, bad)
    assert caught.value.field == "acceleration_g"


@pytest.mark.parametrize("bad", [-0.001, 0.06, float("nan"), "low", None])
def test_no_such_clearance(bad):
    with pytest.raises(InputError) as caught:
        out_of_reach(WREN, 0.5, clearance=bad)
    assert caught.value.field == "clearance"
