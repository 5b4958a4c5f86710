"""A hit coming in and a stop going out: times by hand, limits, a march in time, and the published delays as they come."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from kernel_lib import BuildSheet, InputError
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.plan import delivery as dv
from kernel_lib.plan.fuel import lambda_at_flow
from kernel_lib.plan.passage import CASES, course, entry, extremes, lead_needed
from kernel_lib.plan.plan import full_flow
from kernel_lib.plan.stopping import crossing_time, stop_budget, wash_out
from kernel_lib.thermo.fluid import saturation

WREN, BADGER = BuildSheet.demo("wren_five"), BuildSheet.demo("badger_eight")
CARS = pytest.mark.parametrize("sheet", [WREN, BADGER], ids=["dry", "wet"])
PORT = {"nitrous.delivery": "port"}


def line_by_hand(sheet, flow):
    volume = 1e-6 * sheet.value("nitrous.valve_to_nozzle_ml")
    return volume * saturation(sheet.nitrous.bottle_temperature_c + 273.15).liquid_density / flow


# Coming in.


def test_times_by_hand():
    """Wren at 4500 rpm: 15 ms to open, half the line, three quarters of a cycle of 26.7 ms to the next injection drawn."""
    way = course(WREN, 4500.0)
    assert way.arrives_s == pytest.approx(0.015 + 0.5 * line_by_hand(WREN, full_flow(WREN)))
    assert way.fuel_s == pytest.approx(0.020)
    assert way.mixing_s == pytest.approx(float(dv.mixing(WREN, way.setup, 4500.0, full_flow(WREN))))
    late = course(WREN, 4500.0, case="fuel late")
    assert late.arrives_s == pytest.approx(0.010)
    assert late.fuel_s == pytest.approx(1.25 * 120 / 4500)


def test_wet_fuel_by_hand():
    way = course(BADGER, 4500.0)
    jet = way.added * float(way.setup.cycles_per_second(4500.0))
    assert way.fuel_s == pytest.approx(0.010 + 0.5 * 2e-6 * way.setup.fuel.density / jet)
    assert way.slow_s == way.mixing_s


@CARS
def test_before_and_after(sheet):
    """Before: the engine's own lambda. Long after: the target with nitrous."""
    hit = entry(sheet, 4000.0, 1.0, 0.1, until_s=3.0)
    assert hit.lambda_[0] == pytest.approx(sheet.engine.lambda_without_nitrous)
    assert hit.lambda_[-1] == pytest.approx(sheet.engine.lambda_with_nitrous, abs=1e-4)
    assert hit.nitrous_share[-1] == pytest.approx(1.0, abs=1e-6)
    assert (np.diff(hit.nitrous_share) >= 0).all()
    assert (np.diff(hit.fuel_share) >= 0).all()
    assert np.diff(hit.time_s) == pytest.approx(120 / 4000 / sheet.engine.cylinders)


def test_lambda_halfway_by_hand():
    """Dry, all fuel there and half the nitrous: the same as a flow of half against fuel for the whole."""
    way = course(WREN, 4000.0)
    at = way.arrives_s + way.mixing_s * np.log(2)
    value = way.lambda_(np.array([at]), 50.0)[0, 0]
    full = full_flow(WREN)
    assert value == pytest.approx(float(lambda_at_flow(WREN, way.setup, 4000.0, full, 0.5 * full)), rel=1e-9)


def test_manifold_against_a_march():
    way = course(WREN, 3000.0, 0.6)
    time = np.linspace(way.arrives_s, way.arrives_s + 0.5, 50)
    march = solve_ivp(
        lambda _, c: (0.6 - c) / way.mixing_s, (time[0], time[-1]), [0.0], t_eval=time, rtol=1e-9, atol=1e-12
    )
    assert way.nitrous(time) == pytest.approx(march.y[0], abs=1e-6)


def test_wall_film_keeps_the_fuel():
    """What the film holds back it gives later: the fuel that is missing in all is share x time constant."""
    way = course(WREN, 4500.0)
    time = np.linspace(way.fuel_s, way.fuel_s + 20 * way.slow_s, 200001)
    missing = np.trapezoid(1 - way.fuel(time), time)
    assert missing == pytest.approx(way.slow_share * way.slow_s, rel=1e-4)


@CARS
@given(lead=st.floats(-0.2, 0.4), more=st.floats(0.01, 0.2))
@settings(deadline=None, max_examples=15)
def test_more_lead_is_richer(sheet, lead, more):
    rich, lean = extremes(sheet, 4500.0, 1.0, [lead, lead + more])
    assert rich[1] <= rich[0] + 1e-9
    assert lean[1] <= lean[0] + 1e-9


@CARS
def test_extremes_hold_the_passage(sheet):
    for lead in (-0.1, 0.0, 0.1):
        hit = entry(sheet, 3500.0, 1.0, lead)
        rich, lean = extremes(sheet, 3500.0, 1.0, lead)
        assert rich <= hit.lambda_.min() + 1e-4
        assert lean >= hit.lambda_.max() - 1e-4


@CARS
@pytest.mark.parametrize("rpm", [2500.0, 4500.0, 6000.0])
@pytest.mark.parametrize("share", [0.3, 1.0])
def test_needed_lead_is_the_least(sheet, rpm, share):
    band = lead_needed(sheet, rpm, share)
    assert band.low < band.best < band.high
    allowed = max(sheet.engine.lambda_without_nitrous, sheet.engine.lambda_with_nitrous) + 0.02
    for case, lead in zip(CASES, (band.best, band.low, band.high), strict=True):
        assert extremes(sheet, rpm, share, lead + 0.001, case=case)[1] <= allowed + 1e-3
        assert extremes(sheet, rpm, share, lead - 0.01, case=case)[1] > allowed


def test_port_fuel_must_be_there_at_once():
    """Nothing mixes: the fuel needed at the first nitrous must have come through the film by then."""
    sheet = WREN.replace(PORT)
    way = course(sheet, 4500.0)
    assert way.mixing_s == 0.0
    assert way.nitrous(np.array([way.arrives_s - 1e-6, way.arrives_s])) == pytest.approx([0.0, 1.0])
    assert lead_needed(sheet, 4500.0).best > lead_needed(WREN, 4500.0).best


def test_fuel_late_beside_the_prototype():
    """100 ms late at 4500 rpm, 100 hp, speed-density: 1.04 by another model without film and line; ours with its fuel only 100 ms late."""
    way = course(WREN, 4500.0)
    lead = way.fuel_s - way.arrives_s - 0.1
    assert 0.95 < float(extremes(WREN, 4500.0, 1.0, lead)[1]) < 1.10


# Going out.


@CARS
def test_wash_out_is_three_times_mixing(sheet):
    for rpm in (3000.0, 5000.0):
        out, setup = wash_out(sheet, rpm), Setup.of(sheet)
        tau = float(dv.mixing(sheet, setup, rpm, full_flow(sheet)))
        assert out["manifold"].best == pytest.approx(3 * tau, rel=2e-3)
        assert out["manifold"].best == pytest.approx(tau * np.log(20))
        assert out["valve"].best == 0.010
        assert out["line"].low == pytest.approx(line_by_hand(sheet, full_flow(sheet)))
        assert out["all"].best == pytest.approx(sum(out[k].best for k in ("valve", "line", "manifold")))


def test_lift_against_a_march():
    """Moles in the manifold fall, air comes in at the rate of idle, nitrous leaves with what the engine draws."""
    setup, rpm = Setup.of(WREN), 4000.0
    tau = float(dv.mixing(WREN, setup, rpm, full_flow(WREN)))
    air = 35e3 / setup.P_manifold * WREN.engine.idle_rpm / rpm

    def change(_, y):
        moles, nitrous = y
        return (air - moles) / tau, -nitrous / tau

    def gone(_, y):
        return y[1] / y[0] - 0.05

    gone.terminal = True
    march = solve_ivp(change, (0.0, 5.0), (1.0, 1.0), events=gone, rtol=1e-10, atol=1e-13)
    lift = wash_out(WREN, rpm, "shut")["manifold"]
    assert lift.best == pytest.approx(march.t_events[0][0], rel=1e-3)
    assert wash_out(WREN, rpm)["manifold"].best < lift.low < lift.best < lift.high


def test_port_has_no_manifold_to_wash():
    sheet = WREN.replace(PORT)
    for throttle in ("open", "shut"):
        assert wash_out(sheet, 4000.0, throttle)["manifold"].best == 0.0


# A stop.


@given(part=st.floats(0.0, 0.99), first=st.floats(0.01, 0.5), second=st.floats(0.0, 0.5))
def test_crossing_of_two_lags(part, first, second):
    """The time put back into two first-order lags in a row, each marched on its own, gives the part."""
    t = crossing_time(part, first, second)
    assert t >= -first * np.log1p(-part) - 1e-9
    if second < 1e-3:
        assert t == pytest.approx(-(first + second) * np.log1p(-part), rel=0.1, abs=1e-3)
        return

    def lags(_, y):
        return (1 - y[0]) / first, (y[0] - y[1]) / second

    if t:
        end = solve_ivp(lags, (0.0, t), (0.0, 0.0), rtol=1e-8, atol=1e-10).y[1, -1]
        assert end == pytest.approx(part, abs=1e-5)


def test_one_lag_by_hand():
    assert crossing_time(1 - np.exp(-1), 0.08, 0.0) == pytest.approx(0.08)
    assert crossing_time(0.3, 0.08, 0.08) == pytest.approx(crossing_time(0.3, 0.08, 0.0800001), rel=1e-4)


@CARS
def test_budget_adds_up(sheet):
    budget = stop_budget(sheet, 4500.0, 1.1)
    assert list(budget.parts) == ["cylinder", "exhaust", "sensor", "filter", "valve", "line", "manifold"]
    assert budget.total_s == pytest.approx(sum(p.best for p in budget.parts.values()))
    assert budget.cycles == pytest.approx(budget.total_s * 37.5)
    assert budget.parts["cylinder"].best == pytest.approx(0.020)
    assert budget.total.low < budget.total_s < budget.total.high


def test_transport_by_hand():
    """Wren, 4500 rpm: 3.1 L behind some 0.94 x 3.30 L of 299 K air at 97.8 kPa every second turn, made 1150 K hot, and a little more of it."""
    setup = Setup.of(WREN)
    flow = 0.94 * WREN.displacement_l * 37.5 * setup.P_manifold / 99.6e3 * 1150 / setup.T_air
    exhaust = stop_budget(WREN, 4500.0, 1.1, share=0.0).parts["exhaust"]
    assert exhaust.best == pytest.approx(3.1 / flow, rel=0.12)
    assert exhaust.best < 3.1 / flow  # burned rich, more moles leave than enter
    charge = [fresh_charge(setup, 4500.0, f) for f in (0.0, full_flow(WREN))]
    assert charge[1].oxygen_atoms > charge[0].oxygen_atoms
    assert stop_budget(WREN, 4500.0, 1.1).parts["exhaust"].best < exhaust.best


def test_stop_that_is_never_reached():
    never = stop_budget(WREN, 4500.0, 0.92)
    assert not never.reached
    assert never.total is None
    assert never.total_s == np.inf
    assert list(never.parts) == ["cylinder", "exhaust"]
    assert not stop_budget(WREN, 4500.0, 0.7).reached
    assert stop_budget(WREN, 4500.0, 0.6, stop=0.74).reached


@given(a=st.floats(0.95, 1.6), b=st.floats(0.95, 1.6))
@settings(deadline=None, max_examples=15)
def test_worse_is_seen_sooner(a, b):
    near, far = sorted((a, b))
    assert stop_budget(WREN, 4000.0, far).total_s <= stop_budget(WREN, 4000.0, near).total_s + 1e-12


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: course(WREN, 4500.0, 0.0), "A share of the full flow"),
        (lambda: course(WREN, 9000.0), "does not reach further"),
        (lambda: course(WREN, 4500.0, case="lucky"), "one of likely, fuel early, fuel late"),
        (lambda: entry(WREN, 4500.0, 1.0, 5.0), "drowned"),
        (lambda: entry(WREN, 4500.0, 1.0, np.nan), "finite number"),
        (lambda: wash_out(WREN, 4500.0, "half"), "one of open, shut"),
        (lambda: stop_budget(WREN, 4500.0, 1.1, stop=0.864), "It would stop every pull"),
        (lambda: stop_budget(WREN, 4500.0, 0.1), "nothing burns"),
        (lambda: crossing_time(1.0, 0.08, 0.05), "never gets to the end"),
    ],
)
def test_bad_input_in_a_sentence(call, sentence):
    with pytest.raises(InputError, match=sentence):
        call()
