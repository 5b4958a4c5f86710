"""A bottle drawn from and warmed: mass and energy kept, limits worked out by hand, and an integration of its own.

Energies are recomputed with CoolProp's PropsSI from temperature and density; the kernel integrates temperatures, so nothing
below follows from how it does so.
"""

import CoolProp.CoolProp as cp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernel_lib.errors import InputError
from kernel_lib.thermo import nitrous, vessel
from kernel_lib.thermo.blowdown import Bottle, Content, spray, warm

N2O = "NitrousOxide"
VOLUME = 6.6e-3  # m3
BOTTLE = Bottle(VOLUME, 4000.0, 30.0, 2.0)
INSULATED = Bottle(VOLUME, 4000.0, 0.0, 0.0)
ROOM = 295.0  # K


def constant(flow):
    return lambda T, P: flow  # noqa: ARG005


def nozzle(area=1e-6, model="HEM"):
    return lambda T, P: float(nitrous.nozzle_flow(area, 0.65, T, 2e5, model=model))  # noqa: ARG005


def inner_energy(T, mass):
    return mass * cp.PropsSI("U", "T", float(T), "D", float(mass) / VOLUME, N2O)


def saturated(key, T, quality):
    return cp.PropsSI(key, "T", float(T), "Q", quality, N2O)


def unbalanced(bottle, course):
    """Energy that appeared from nowhere, over what went through."""
    before, after = (
        inner_energy(course.T[k], course.mass[k]) + bottle.wall_heat_capacity * course.T_wall[k] for k in (0, -1)
    )
    through = abs(course.enthalpy_out) + abs(course.heat_in) + abs(after - before)
    return (after - before - course.heat_in + course.enthalpy_out) / max(through, 1.0)


# Conservation

SPRAYS = {
    "two phases": (Content(295.0, 295.0, 4.0), 10.0),
    "cold": (Content(255.0, 255.0, 4.0), 20.0),
    "until it runs out": (Content(295.0, 295.0, 3.0), 600.0),
    "liquid-full": (Content(306.0, 306.0, 4.488), 30.0),
    "liquid-full, nearly critical": (Content(309.4, 309.4, 4.488), 10.0),
    "overfilled": (Content(295.0, 295.0, 5.3), 20.0),
    "warm wall": (Content(280.0, 320.0, 3.0), 30.0),
}


@pytest.mark.parametrize(("content", "seconds"), SPRAYS.values(), ids=SPRAYS)
@pytest.mark.parametrize("heater", [0.0, 500.0])
def test_mass_and_energy_are_kept(content, seconds, heater):
    course = spray(BOTTLE, content, seconds, constant(0.04), T_air=ROOM, heater=heater)
    assert course.mass[0] - course.mass[-1] == pytest.approx(0.04 * course.t[-1], rel=1e-6)
    assert abs(unbalanced(BOTTLE, course)) < 1e-6
    assert course.T[0] == content.T
    assert course.content == Content(course.T[-1], course.T_wall[-1], course.mass[-1])


@pytest.mark.parametrize("model", nitrous.MODELS)
def test_mass_and_energy_are_kept_through_a_nozzle(model):
    """Flow that follows temperature: mass by an integral of what the course says was drawn."""

    course = spray(BOTTLE, Content(295.0, 295.0, 4.0), 20.0, nozzle(model=model), T_air=ROOM)
    assert abs(unbalanced(BOTTLE, course)) < 1e-6
    drawn = np.trapezoid(course.flow, course.t)
    assert course.mass[0] - course.mass[-1] == pytest.approx(drawn, rel=1e-4)


WARMINGS = {
    "by a heater": (Content(280.0, 280.0, 3.0), 600.0, 300.0),
    "by the room": (Content(260.0, 260.0, 3.0), 7200.0, 0.0),
    "cooling": (Content(305.0, 305.0, 3.0), 7200.0, 0.0),
    "into liquid-full": (Content(295.0, 295.0, 4.488), 700.0, 300.0),
    "liquid-full": (Content(305.0, 305.0, 4.488), 100.0, 300.0),
    "out of liquid-full": (Content(306.0, 290.0, 4.488), 3600.0, 0.0),
}


@pytest.mark.parametrize(("content", "seconds", "heater"), WARMINGS.values(), ids=WARMINGS)
def test_a_closed_bottle_keeps_mass_and_energy(content, seconds, heater):
    course = warm(BOTTLE, content, seconds, T_air=ROOM, heater=heater)
    assert (course.mass == content.mass).all()
    assert course.enthalpy_out == 0.0
    assert course.t[-1] == pytest.approx(seconds, rel=1e-12)
    assert abs(unbalanced(BOTTLE, course)) < 1e-6


@pytest.mark.parametrize("content", [Content(285.0, 290.0, 0.7), Content(290.0, 295.0, 0.5)], ids=["dries", "dry"])
def test_a_bottle_run_dry_keeps_energy(content):
    course = warm(BOTTLE, content, 1800.0, T_air=ROOM, heater=10.0)
    assert abs(unbalanced(BOTTLE, course)) < 1e-6


def test_a_bottle_drawn_empty_and_left_to_stand_keeps_energy():
    empty = spray(BOTTLE, Content(295.0, 295.0, 3.0), 600.0, constant(0.05), T_air=ROOM)
    assert empty.ended == "run-out"
    course = warm(BOTTLE, empty.content, 1200.0, T_air=ROOM)
    assert abs(unbalanced(BOTTLE, course)) < 1e-6


@given(
    T=st.floats(240.0, 304.0),
    filling=st.floats(0.42, 0.95),
    flow=st.floats(0.005, 0.1),
    heater=st.floats(0.0, 2000.0),
)
@settings(deadline=None, max_examples=25)
def test_any_spray_keeps_energy(T, filling, flow, heater):
    course = spray(BOTTLE, Content(T, ROOM, filling * 680.0 * VOLUME), 15.0, constant(flow), T_air=ROOM, heater=heater)
    assert abs(unbalanced(BOTTLE, course)) < 1e-6
    assert course.P[-1] == pytest.approx(
        cp.PropsSI("P", "T", course.T[-1], "D", course.mass[-1] / VOLUME, N2O), rel=1e-5
    )


# No wall, no room: the nitrous alone


def adiabatic(T, mass, end, steps=60):
    """Temperature when so much liquid is drawn that `end` is left: dU/dm = h of the liquid, by Runge and Kutta over mass."""
    U = inner_energy(T, mass)

    def slope(m, U):
        T = cp.PropsSI("T", "U", U / m, "D", m / VOLUME, N2O)
        return saturated("H", T, 0)

    step = (end - mass) / steps
    for k in range(steps):
        m = mass + k * step
        a = slope(m, U)
        b = slope(m + step / 2, U + step / 2 * a)
        c = slope(m + step / 2, U + step / 2 * b)
        d = slope(m + step, U + step * c)
        U += step / 6 * (a + 2 * b + 2 * c + d)
    return cp.PropsSI("T", "U", U / end, "D", end / VOLUME, N2O)


@pytest.mark.parametrize(("T", "mass", "end"), [(295.0, 4.0, 2.5), (303.0, 4.4, 3.0), (270.0, 4.0, 1.5)])
def test_insulated_spray_is_an_energy_balance_over_mass(T, mass, end):
    course = spray(INSULATED, Content(T, 280.0, mass), (mass - end) / 0.05, constant(0.05), T_air=ROOM)
    assert course.mass[-1] == pytest.approx(end, rel=1e-7)
    assert course.T[-1] == pytest.approx(adiabatic(T, mass, end), abs=2e-4)
    assert (course.T_wall == 280.0).all()
    assert course.heat_in == 0.0


@pytest.mark.parametrize(("T", "mass"), [(295.0, 4.0), (305.0, 4.488)])
def test_insulated_spray_makes_no_entropy(T, mass):
    """Liquid leaves as it stood, in equilibrium: entropy falls by what the liquid carries, from liquid-full on too."""
    course = spray(INSULATED, Content(T, T, mass), 40.0, constant(0.05), T_air=ROOM)
    density = course.mass / VOLUME
    total = [m * cp.PropsSI("S", "T", t, "D", d, N2O) for t, d, m in zip(course.T, density, course.mass, strict=True)]
    carried = [
        saturated("S", t, 0) if d < saturated("D", t, 0) else cp.PropsSI("S", "T", t, "D", d, N2O)
        for t, d in zip(course.T, density, strict=True)
    ]
    lost = -np.trapezoid(carried, course.mass)
    assert total[0] - total[-1] == pytest.approx(lost, rel=2e-4)


def test_a_faster_insulated_spray_cools_the_same():
    slow, fast = (
        spray(INSULATED, Content(295.0, 295.0, 4.0), 1.5 / flow, constant(flow), T_air=ROOM) for flow in (0.01, 0.1)
    )
    assert fast.T[-1] == pytest.approx(slow.T[-1], abs=1e-5)


# Limits by hand


def test_isothermal_run_out_time():
    """A wall that holds the temperature: what is left is vapour and what the pick-up does not reach, so the time is known."""
    block, T, flow, left = Bottle(VOLUME, 1e6, 1e4, 1e4), 290.0, 0.01, 0.2
    course = spray(block, Content(T, T, 3.0), 600.0, constant(flow), T_air=T, left=left)
    liquid, vapour = (saturated("D", T, q) for q in (0, 1))
    stays = left + (VOLUME - left / liquid) * vapour
    assert course.ended == "run-out"
    assert course.t[-1] == pytest.approx((3.0 - stays) / flow, rel=2e-3)
    assert course.liquid_mass[-1] == pytest.approx(left, rel=1e-5)


def test_insulated_run_out_is_where_the_liquid_ends():
    course = spray(INSULATED, Content(295.0, 295.0, 3.0), 600.0, constant(0.05), T_air=ROOM)
    assert course.ended == "run-out"
    assert course.liquid_mass[-1] == pytest.approx(0.0, abs=1e-5)
    assert course.mass[-1] == pytest.approx(saturated("D", course.T[-1], 1) * VOLUME, rel=1e-5)
    assert course.mass[-1] == pytest.approx(3.0 - 0.05 * course.t[-1], rel=1e-7)


def test_heater_time_by_hand():
    """Energy of nitrous and wall between two temperatures over the heater's power, the wall close to the nitrous."""
    bottle, mass, cold, hot = Bottle(VOLUME, 4000.0, 1e4, 0.0), 3.5, 285.0, 303.0
    needed = inner_energy(hot, mass) - inner_energy(cold, mass) + 4000.0 * (hot - cold)
    course = warm(
        bottle, Content(cold, cold, mass), 1e5, T_air=ROOM, heater=250.0, P_target=float(nitrous.saturation(hot).P)
    )
    assert course.ended == "target"
    assert course.T[-1] == pytest.approx(hot, abs=1e-4)
    assert course.t[-1] == pytest.approx(needed / 250.0, rel=2e-3)
    assert course.heat_in == pytest.approx(250.0 * course.t[-1], rel=1e-7)


def test_wall_alone_cools_exponentially():
    """Nothing passes to the nitrous: Newton's law of cooling."""
    bottle = Bottle(VOLUME, 4000.0, 0.0, 5.0)
    course = warm(bottle, Content(290.0, 340.0, 3.0), 1600.0, T_air=ROOM)
    assert course.T_wall == pytest.approx(ROOM + 45.0 * np.exp(-5.0 * course.t / 4000.0), abs=1e-4)
    assert course.T == pytest.approx(290.0, abs=1e-9)


def test_a_heated_bottle_stands_above_the_room_by_power_over_conductance():
    bottle = Bottle(VOLUME, 1000.0, 50.0, 4.0)
    course = warm(bottle, Content(290.0, 290.0, 3.0), 60_000.0, T_air=290.0, heater=40.0)
    assert (course.T[-1], course.T_wall[-1]) == pytest.approx((300.0, 300.0), abs=1e-3)


def test_a_bottle_comes_to_the_temperature_of_the_room():
    course = warm(BOTTLE, Content(270.0, 310.0, 3.0), 2e5, T_air=288.0)
    assert (course.T[-1], course.T_wall[-1]) == pytest.approx((288.0, 288.0), abs=1e-3)


def test_nothing_drawn_nothing_changes():
    still = Content(ROOM, ROOM, 4.0)
    for course in (
        spray(BOTTLE, still, 60.0, constant(0.0), T_air=ROOM),
        warm(BOTTLE, still, 60.0, T_air=ROOM),
        spray(BOTTLE, still, 0.0, constant(0.05), T_air=ROOM),
        warm(BOTTLE, still, 0.0, T_air=ROOM),
    ):
        assert course.T == pytest.approx(ROOM, abs=1e-9)
        assert course.T_wall == pytest.approx(ROOM, abs=1e-9)
        assert (course.mass == 4.0).all()
        assert (course.enthalpy_out, course.heat_in) == pytest.approx((0.0, 0.0), abs=1e-6)
        assert course.ended == "time"


def test_drawing_nothing_is_standing():
    start = Content(285.0, 305.0, 4.0)
    drawn = spray(BOTTLE, start, 120.0, constant(0.0), T_air=ROOM, heater=200.0)
    stood = warm(BOTTLE, start, 120.0, T_air=ROOM, heater=200.0)
    assert (drawn.T[-1], drawn.T_wall[-1]) == pytest.approx((stood.T[-1], stood.T_wall[-1]), abs=1e-5)


# Course and regimes


def test_insulated_spray_falls_all_the_way():
    course = spray(INSULATED, Content(295.0, 295.0, 4.0), 30.0, nozzle(), T_air=ROOM)
    for falling in (course.T, course.P, course.mass, course.liquid_mass, course.flow):
        assert (np.diff(falling) < 0).all()
    assert (np.diff(course.t) > 0).all()
    assert course.flow[0] == pytest.approx(nozzle()(295.0, None), rel=1e-9)


def test_liquid_full_start_drops_and_then_boils():
    """The first grams take bar, the next do not: pressure falls at once to the line and stays on it."""
    start = Content(306.0, 306.0, 4.488)
    course = spray(INSULATED, start, 20.0, constant(0.05), T_air=ROOM)
    regimes = [vessel.vessel_state(T, m, VOLUME).regime for T, m in zip(course.T, course.mass, strict=True)]
    assert regimes[0] == vessel.LIQUID_FULL
    assert regimes[-1] == vessel.TWO_PHASES
    first = regimes.index(vessel.TWO_PHASES)
    assert all(r == vessel.TWO_PHASES for r in regimes[first:])
    assert course.P[first:] == pytest.approx([saturated("P", T, 0) for T in course.T[first:]], rel=1e-5)
    steep = (course.P[0] - course.P[first - 1]) / (course.mass[0] - course.mass[first - 1])
    flat = (course.P[first] - course.P[-1]) / (course.mass[first] - course.mass[-1])
    assert steep > 5 * flat
    assert (np.diff(course.P) < 1.0).all()


@given(P=st.floats(4.3e6, 7.6e6), heater=st.floats(150.0, 1000.0), filling=st.floats(0.52, 1.0))
@settings(deadline=None, max_examples=25)
def test_warming_reaches_its_target(P, heater, filling):
    start = Content(278.0, 278.0, filling * 680.0 * VOLUME)
    if filling < 0.98:
        P = min(P, 7e6)  # in two phases no more than the critical pressure
    course = warm(BOTTLE, start, 1e5, T_air=ROOM, heater=heater, P_target=P)
    assert course.ended == "target"
    assert course.P[-1] == pytest.approx(P, rel=1e-5)
    assert (np.diff(course.T) > 0).all()
    assert (np.diff(course.P) > 0).all()


def test_warming_stops_when_time_is_up():
    course = warm(BOTTLE, Content(280.0, 280.0, 3.0), 60.0, T_air=ROOM, heater=100.0, P_target=6.5e6)
    assert course.ended == "time"
    assert course.t[-1] == 60.0
    assert course.P[-1] < 6.5e6


def test_a_stronger_heater_is_sooner():
    times = [
        warm(BOTTLE, Content(285.0, 285.0, 3.0), 1e5, T_air=ROOM, heater=q, P_target=6e6).t[-1] for q in (150, 300, 600)
    ]
    assert times[0] > 1.8 * times[1] > 3.0 * times[2]


def test_warming_past_the_critical_point_is_told():
    with pytest.raises(InputError) as caught:
        warm(BOTTLE, Content(300.0, 300.0, 3.0), 36_000.0, T_air=ROOM, heater=300.0)
    assert (caught.value.field, caught.value.unit) == ("content.T", "K")


def test_drawn_slowly_and_heated_hard_comes_to_an_end():
    """A spray asks its flow some hundred times; where it asks 5000 times it hangs."""
    asked = 0

    def slow(T, P):  # noqa: ARG001
        nonlocal asked
        asked += 1
        if asked > 5000:
            raise RuntimeError("no end")
        return 0.005

    course = spray(BOTTLE, Content(302.0, 300.0, 4.488), 120.0, slow, T_air=ROOM, heater=1500.0)
    assert abs(unbalanced(BOTTLE, course)) < 1e-6
    with pytest.raises(InputError, match="leaves what is computed"):  # heated on, it reaches the critical point
        spray(BOTTLE, Content(302.0, 300.0, 4.488), 600.0, slow, T_air=ROOM, heater=1500.0)


def test_a_target_already_reached_ends_at_once():
    course = warm(BOTTLE, Content(295.0, 295.0, 3.0), 600.0, T_air=ROOM, P_target=5e6)
    assert course.t[-1] == 0.0
    assert course.ended == "target"


def test_ten_passes_in_a_day():
    """Ten sprays of 10 s with a heater between: all of it drawn or kept, energy too."""
    start = now = Content(297.0, 297.0, 4.4)
    drawn = heat = carried = 0.0
    for _ in range(10):
        pass_ = spray(BOTTLE, now, 10.0, constant(0.03), T_air=ROOM)
        wait = warm(BOTTLE, pass_.content, 1200.0, T_air=ROOM, heater=250.0, P_target=6e6)
        drawn += 0.03 * pass_.t[-1]
        carried += pass_.enthalpy_out
        heat += pass_.heat_in + wait.heat_in
        now = wait.content
        assert pass_.ended == "time"
    assert now.mass == pytest.approx(start.mass - drawn, rel=1e-7)
    before, after = (inner_energy(c.T, c.mass) + BOTTLE.wall_heat_capacity * c.T_wall for c in (start, now))
    assert after - before == pytest.approx(heat - carried, abs=1e-6 * (abs(heat) + abs(carried)))


# Bad input


def holding(T=ROOM, T_wall=ROOM, mass=4.0):
    return Content(T, T_wall, mass)


FILLED, DRAW = holding(), constant(0.05)


def sprayed(content=FILLED, seconds=10.0, flow=DRAW, **more):
    return spray(BOTTLE, content, seconds, flow, **{"T_air": ROOM, **more})


def warmed(content=FILLED, seconds=10.0, **more):
    return warm(BOTTLE, content, seconds, **{"T_air": ROOM, **more})


BAD = (float("nan"), float("inf"), None, True, "some")
CASES = [
    *(("volume", "m3", lambda v=v: Bottle(v, 4000.0, 30.0, 2.0)) for v in (*BAD, 0.0, -1.0, 5.0)),
    *(("wall_heat_capacity", "J/K", lambda v=v: Bottle(VOLUME, v, 30.0, 2.0)) for v in (*BAD, 0.0, -1.0)),
    *(("inner_conductance", "W/K", lambda v=v: Bottle(VOLUME, 4000.0, v, 2.0)) for v in (*BAD, -1.0)),
    *(("outer_conductance", "W/K", lambda v=v: Bottle(VOLUME, 4000.0, 30.0, v)) for v in (*BAD, -1.0)),
    *(("seconds", "s", lambda v=v, f=f: f(seconds=v)) for f in (sprayed, warmed) for v in (*BAD, -1.0, 1e9)),
    *(("T_air", "K", lambda v=v, f=f: f(T_air=v)) for f in (sprayed, warmed) for v in (*BAD, 20.0, 500.0)),
    *(("heater", "W", lambda v=v, f=f: f(heater=v)) for f in (sprayed, warmed) for v in (*BAD, -1.0, 1e6)),
    *(("left", "kg", lambda v=v: sprayed(left=v)) for v in (*BAD, -0.1)),
    *(
        ("content.T", "K", lambda v=v, f=f: f(content=holding(T=v)))
        for f in (sprayed, warmed)
        for v in (*BAD, 309.52, 320.0, 200.0, 400.0)
    ),
    *(
        ("content.T_wall", "K", lambda v=v, f=f: f(content=holding(T_wall=v)))
        for f in (sprayed, warmed)
        for v in (*BAD, 100.0, 500.0)
    ),
    *(
        ("content.mass", "kg", lambda v=v, f=f: f(content=holding(mass=v)))
        for f in (sprayed, warmed)
        for v in (*BAD, 0.0, -1.0, 8.0)
    ),
    ("content.mass", "kg", lambda: sprayed(content=holding(mass=0.5))),
    ("content.mass", "kg", lambda: sprayed(content=holding(mass=2.0), left=1.9)),
    *(("P_target", "Pa", lambda v=v: warmed(P_target=v, heater=10.0)) for v in (float("nan"), True, "high", -1.0)),
    *(("flow", "kg/s", lambda v=v: sprayed(flow=constant(v))) for v in (float("nan"), -0.05, "much")),
]


@pytest.mark.parametrize(("field", "unit", "call"), CASES)
def test_bad_input_is_refused_in_words(field, unit, call):
    """The vessel's own checks may name the argument without its owner: content.T or T."""
    with pytest.raises(InputError) as caught:
        call()
    error = caught.value
    assert error.field in (field, field.removeprefix("content."))
    assert error.unit == unit
    assert error.allowed.strip()
    assert error.reason.strip().endswith(".")
    assert error.field in str(error)
