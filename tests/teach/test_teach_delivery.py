"""What the lesson computes of delivery and bottle: laws, published numbers, and programs of another kind beside it."""

import CoolProp.CoolProp as cp
import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError
from kernel_lib.engine.setup import Setup, spray_speeds
from kernel_lib.plan import delivery as dv
from kernel_lib.plan.plan import full_flow
from kernel_lib.plan.stopping import stop_budget
from kernel_lib.teach import bottle as tb
from kernel_lib.teach import delivery as td
from kernel_lib.teach import fading as fd
from kernel_lib.teach.rules import RULES

WREN, BADGER = BuildSheet.demo("wren_five"), BuildSheet.demo("badger_eight")
PORT = WREN.replace({"nitrous.delivery": "port"})
BARE = WREN.replace({"nitrous.nozzle_diameter_mm": None})
SMALL = WREN.replace(
    {"nitrous.nozzle_diameter_mm": 0.6, "nitrous.discharge_bore_mm": 0.6, "limits.lean_stop_lambda": 1.0}
)
CARS = pytest.mark.parametrize("sheet", [WREN, BADGER, PORT, BARE], ids=["dry", "wet", "port", "bare"])
PSI = 6894.757


def content(tau, hz, share, seconds=6.0, step=2e-5):
    """A mixed volume marched step by step through square pulses; the last second of it."""
    t = np.arange(0.0, seconds, step)
    flows = (np.mod(t * hz, 1.0) < share).astype(float)
    if not tau:
        return t, flows
    c, keep = np.empty(len(t)), np.exp(-step / tau)
    now = share
    for k, u in enumerate(flows):
        now = u + (now - u) * keep
        c[k] = now
    return t, c


@CARS
def test_middle_lies_on_the_grid_of_a_slider(sheet):
    speeds, rpm = spray_speeds(sheet), td.middle_rpm(sheet)
    assert speeds[0] <= rpm <= speeds[-1]
    assert (rpm - speeds[0]) % 50 == 0
    assert abs(rpm - (speeds[0] + speeds[-1]) / 2) <= 50


def test_pulse_rate_is_the_sheets_or_the_trades():
    assert td.pulse_rate(WREN.replace({"nitrous.pulse_hz": 22.0})) == 22.0
    assert td.pulse_rate(BADGER) == RULES["pulse"].numbers["pulse_hz"]


@pytest.mark.parametrize(("sheet", "hz"), [(WREN, 10.0), (WREN, 27.0), (PORT, 10.0)])
def test_strongest_and_weakest_cycle_of_a_marched_manifold(sheet, hz):
    """Beside a march in steps of 20 us, windows of a quarter cycle at every moment."""
    rpm = td.middle_rpm(sheet)
    c = td.pulsed_cycles(sheet, rpm, hz)
    t, y = content(c.mixing_s, hz, td.HALF)
    width = round(dv.DRAWS * 120 / rpm / (t[1] - t[0]))
    drawn = np.convolve(y[len(y) // 2 :], np.full(width, 1 / width), "valid")
    assert c.strongest == pytest.approx(drawn.max(), abs=3e-3)
    assert c.weakest == pytest.approx(drawn.min(), abs=3e-3)


@CARS
def test_half_is_the_mean_and_half_pulses_are_even(sheet):
    """What the strongest cycle has more than half, the weakest has less: pauses are as long as pulses."""
    c = td.pulsed_cycles(sheet, td.middle_rpm(sheet), 10.0)
    assert c.strongest + c.weakest == pytest.approx(1.0, abs=1e-9)
    assert c.per_pulse == pytest.approx(c.rpm / 120 * sheet.engine.cylinders / 10.0)


@CARS
def test_leanest_cycle_is_the_planners(sheet):
    rpm, setup = td.middle_rpm(sheet), Setup.of(sheet)
    c = td.pulsed_cycles(sheet, rpm, 10.0)
    ripple = dv.lambda_ripple(sheet, setup, rpm, 0.5, 10.0)
    assert c.leanest.best == pytest.approx(float(ripple.leanest), abs=1e-6)
    assert c.richest == pytest.approx(float(ripple.richest), abs=1e-6)
    assert c.leanest.low <= c.leanest.best <= c.leanest.high


@CARS
def test_sweep_is_the_planners(sheet):
    rpm = td.middle_rpm(sheet)
    s = td.pulse_sweep(sheet, rpm)
    ripple = dv.lambda_ripple(sheet, Setup.of(sheet), rpm, 0.5, s.hz)
    assert s.leanest == pytest.approx(ripple.leanest, abs=1e-3)
    assert s.richest == pytest.approx(ripple.richest, abs=1e-3)


def test_only_a_manifold_blurs_faster_pulses():
    """Behind the plenum the swing falls with every faster pulse; at a port, where a pulse outlasts the drawing, it does not."""
    s, port = td.pulse_sweep(WREN, 4000.0), td.pulse_sweep(PORT, 4000.0)
    assert (np.diff(s.leanest - s.richest) < 0).all()
    assert np.ptp(port.leanest) < 1e-9


def test_fuel_that_pulses_along_keeps_the_mixture():
    dry = BADGER.replace({"nitrous.system": "dry", "nitrous.fuel_jet_diameter_mm": None})
    swing = [
        float(np.ptp([c.richest, c.leanest.best])) for c in (td.pulsed_cycles(x, 4500.0, 10.0) for x in (BADGER, dry))
    ]
    assert swing[0] < 0.02
    assert swing[1] > 0.08
    assert swing[0] < swing[1] / 5


@pytest.mark.parametrize("hz", [10.0, 2500 / 120])
def test_standing_spread_of_a_marched_manifold(hz):
    """Half a second of five cylinders, for pulses that begin at any moment; at a pulse a cycle it is at its largest."""
    rpm, count = 2500.0, WREN.engine.cylinders
    tau = td.pulsed_cycles(WREN, rpm, hz).mixing_s
    t, y = content(tau, hz, td.HALF)
    step, cycle = t[1] - t[0], 120 / rpm
    total = np.concatenate([[0.0], np.cumsum(y) * step])
    begin = 2.0 + np.arange(40) / 40 / hz
    cycles = round(0.5 / cycle)
    at = begin[:, None, None] + np.arange(count)[:, None] * cycle / count + np.arange(cycles) * cycle
    first, last = (np.interp(v, np.append(t, t[-1] + step), total) for v in (at, at + dv.DRAWS * cycle))
    each = ((last - first) / (dv.DRAWS * cycle)).mean(axis=2)
    worst = (each - each.mean(axis=1, keepdims=True)).max() / td.HALF
    assert float(td.pulse_sweep(WREN, rpm, (hz,)).spread[0]) == pytest.approx(worst, abs=0.004)


def test_worst_beat_is_the_largest_of_the_window():
    worst, rpm = td.worst_beat(WREN, 10.0)
    speeds = spray_speeds(WREN)
    assert speeds[0] <= rpm <= speeds[-1]
    assert worst == pytest.approx(float(td.pulse_sweep(WREN, rpm, (10.0,)).spread[0]), rel=0.02)
    assert all(float(td.pulse_sweep(WREN, float(n), (10.0,)).spread[0]) <= worst + 1e-6 for n in speeds)


@CARS
def test_fastest_half_is_where_the_valve_still_delivers_it(sheet):
    hz = td.fastest_half(sheet)
    low, high = dv.deliverable(dv.valve(sheet, 0.999 * hz))
    assert low <= 0.5 <= high
    low, high = dv.deliverable(dv.valve(sheet, 1.01 * hz))
    assert not low <= 0.5 <= high


@CARS
def test_stop_is_the_sum_of_its_parts(sheet):
    s = td.late_stop(sheet, td.middle_rpm(sheet))
    parts = s.budget.parts
    assert s.total.best == pytest.approx(sum(b.best for b in parts.values()))
    assert s.seen_s + s.without_sensor.best == pytest.approx(s.total.best)
    assert s.total.low < s.total.best < s.total.high
    assert s.events.best == pytest.approx(s.cycles * sheet.engine.cylinders)
    assert parts[s.longest].best == max(b.best for b in parts.values())
    assert s.reaches
    assert s.lean > s.stop == sheet.limits.lean_stop_lambda


def test_stop_is_late_beside_a_march_of_its_lags():
    """Sensor and filter marched step by step: the stop acts when the filtered reading passes it."""
    s = td.late_stop(WREN, 4250.0)
    step, shown, read = 1e-5, 0.0, 0.0
    part = (s.stop - WREN.engine.lambda_with_nitrous) / (s.lean - WREN.engine.lambda_with_nitrous)
    k = 0
    while read < part:
        shown += (1 - shown) * step / (WREN.controller.sensor_delay_ms / 1e3)
        read += (shown - read) * step / (WREN.controller.filter_ms / 1e3)
        k += 1
    lags = s.budget.parts["sensor"].best + s.budget.parts["filter"].best
    assert lags == pytest.approx(k * step, abs=3e-4)


def test_line_decides_and_its_time_goes_with_its_volume():
    s = td.late_stop(WREN, 4250.0)
    assert td.with_line(s, s.line_ml).total == s.total
    none, double = td.with_line(s, 0.0), td.with_line(s, 2 * s.line_ml)
    assert double.total.best - s.total.best == pytest.approx(s.total.best - none.total.best)
    other = td.late_stop(WREN.replace({"nitrous.valve_to_nozzle_ml": 3.0}), 4250.0)
    assert td.with_line(s, 3.0).total.best == pytest.approx(other.total.best)
    with pytest.raises(InputError):
        td.with_line(s, -1.0)


@pytest.mark.parametrize("k", [1.0, 2.1, 2.9, 3.0, 4.0])
def test_a_draining_line_gives_what_it_holds(k):
    """Summed up the flow is the line's liquid; 95 % of it has gone after the drain time, and the flow only falls."""
    line, t = 0.17, np.linspace(0.0, 5.0, 400_001)
    flow = fd.draining(t, line, k * line)
    gone = np.concatenate([[0.0], np.cumsum((flow[1:] + flow[:-1]) / 2) * (t[1] - t[0])])
    assert gone[-1] == pytest.approx(line, rel=2e-3)
    assert np.interp(k * line, t, gone) == pytest.approx(0.95 * line, rel=2e-3)
    assert flow.max() <= 1.0 + 1e-9
    assert (np.diff(flow) <= 1e-12).all()
    assert fd.draining(t, 0.0, 0.0).max() == 0.0


@CARS
def test_mixture_while_a_stop_acts(sheet):
    """Full excursion until the valve has shut, then it only falls, to the engine's own mixture with what little is left."""
    s = td.late_stop(sheet, td.middle_rpm(sheet))
    f = fd.fading(sheet, s)
    shut = s.seen_s + s.budget.parts["valve"].best
    assert f.lambda_[f.time_s < shut] == pytest.approx(s.lean, abs=1e-6)
    assert (np.diff(f.lambda_) <= 1e-9).all()
    assert f.lambda_[-1] < s.stop
    past = fd.past_stop(sheet, s)
    assert shut < past.low <= past.best <= past.high <= s.total.high
    assert s.full_cycles == pytest.approx(shut * s.budget.rpm / 120)


def test_what_is_left_of_the_manifold_is_a_first_order_lag():
    """No line: 5 % of the nitrous after tau ln 20."""
    s = td.with_line(td.late_stop(WREN, 4250.0), 0.0)
    f = fd.fading(WREN, s)
    assert f.share[-1] == pytest.approx(0.05, abs=2e-3)


def test_supply_that_fails_altogether_stays_lean_to_the_end():
    s = td.late_stop(SMALL, td.middle_rpm(SMALL))
    assert fd.past_stop(SMALL, s).best == pytest.approx(s.total.best, abs=1e-3)


@CARS
def test_strongest_cycle_over_the_pulse_rate(sheet):
    rpm = td.middle_rpm(sheet)
    s, c = td.pulse_sweep(sheet, rpm, (10.0,)), td.pulsed_cycles(sheet, rpm, 10.0)
    assert float(s.strongest[0]) == pytest.approx(c.strongest)
    assert float(s.weakest[0]) == pytest.approx(c.weakest)
    assert c.most.low <= c.most.best == c.strongest <= c.most.high


def test_only_fuel_that_stays_lets_the_mixture_swing():
    assert td.mixture_swings(WREN)
    assert not td.mixture_swings(BADGER)


@pytest.mark.parametrize(
    ("heights", "count"),
    [
        ((80, 80, 80), 0),
        ((60, 80, 100), 0),
        ((140, 50, 50, 140), 1),
        ((140, 50, 140, 50, 140), 3),
        ((100, 103, 100, 103), 0),
    ],
)
def test_turns_of_a_line(heights, count):
    assert tb.turns(heights, 6.0) == count


def test_port_has_no_manifold_to_wash_out():
    assert td.late_stop(PORT, 4250.0).budget.parts["manifold"].best == 0.0


def test_stop_that_missing_fuel_does_not_reach():
    """A small shot short of its added fuel stays richer than the stop: the whole supply has to fail."""
    s = td.late_stop(SMALL, td.middle_rpm(SMALL))
    assert not s.reaches
    assert s.missing < s.stop < s.lean == s.stop + td.SAGGED
    assert not stop_budget(SMALL, s.budget.rpm, s.missing).reached
    assert np.isfinite(s.total.best)


def test_stop_on_the_rich_side_of_the_target():
    s = td.late_stop(WREN.replace({"limits.lean_stop_lambda": 0.84}), 4250.0)
    assert s.stop == pytest.approx(WREN.engine.lambda_with_nitrous + td.NEAREST)
    assert np.isfinite(s.total.best)


def test_speed_outside_the_base_pulls_is_refused():
    for refused in (td.pulse_sweep, td.late_stop, lambda s, n: td.pulsed_cycles(s, n, 10.0)):
        with pytest.raises(InputError):
            refused(WREN, 400.0)


# The bottle.


@CARS
def test_warming_raises_the_gauge_and_not_the_flow(sheet):
    """25 to 35 C: 200 psi and -0.5 to +6 % of flow; 25 to 5 C costs 14 to 23 % (the project's physics notes)."""
    rise, flow, rule, density = tb.warming(sheet, 298.15, 308.15)
    assert rise / PSI == pytest.approx(200, abs=2)
    assert 100 * (flow.low - 1) == pytest.approx(-0.5, abs=0.1)
    assert 100 * (flow.high - 1) == pytest.approx(6.0, abs=0.1)
    assert 100 * (rule - 1) == pytest.approx(11.7, abs=0.1)
    assert density < 0.8
    _, cold, _, _ = tb.warming(sheet, 298.15, 278.15)
    assert 100 * (1 - cold.high) == pytest.approx(14, abs=0.5)
    assert 100 * (1 - cold.low) == pytest.approx(23, abs=0.5)


def test_root_of_pressure_is_right_at_unchanged_density():
    """Without boiling the flow is the root times the root of density: the rule is what is left where density stays."""
    g = tb.gauge_flow(WREN, np.linspace(*tb.GAUGE, 9))
    assert g.flows["SPI"] == pytest.approx(g.rule * np.sqrt(g.density), rel=1e-6)


def test_gauge_is_the_boiling_line():
    """Temperatures and densities beside CoolProp."""
    g = tb.gauge_flow(WREN, np.linspace(*tb.GAUGE, 7))
    barometer = 1e3 * WREN.value("site.barometer_kpa")
    there = [cp.PropsSI("T", "P", p + barometer, "Q", 0, "NitrousOxide") for p in g.P]
    assert g.T == pytest.approx(there, abs=0.02)
    base = cp.PropsSI("D", "T", tb.BASE_T, "Q", 0, "NitrousOxide")
    assert g.density == pytest.approx([cp.PropsSI("D", "T", t, "Q", 0, "NitrousOxide") / base for t in there], rel=2e-3)
    assert g.T[-1] == pytest.approx(308.15, abs=0.3)


def test_gas_pushed_in_is_another_case():
    """On liquid that stays cool all of the pressure counts: more flow than by warming, by every model."""
    g = tb.gauge_flow(WREN, [0.8, 1.0, 1.25])
    for model, pushed in g.pushed.items():
        assert np.isnan(pushed[0])
        assert pushed[1] == pytest.approx(1.0, abs=1e-3)
        assert pushed[2] > g.rule[2] > g.flows[model][2]


def test_base_of_the_gauge_is_one():
    g = tb.gauge_flow(BADGER, [1.0])
    for y in (g.low, g.high, g.likely, g.rule, g.density):
        assert y[0] == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("share", [0.1, 1.4, np.nan])
def test_gauge_out_of_range_is_refused(share):
    with pytest.raises(InputError):
        tb.gauge_flow(WREN, [share])


@CARS
def test_lambda_of_the_flow_it_is_fuelled_for_is_the_target(sheet):
    rpm, target = td.middle_rpm(sheet), sheet.engine.lambda_with_nitrous
    assert tb.lambda_fuelled_for(sheet, rpm, 1.0, 1.0) == pytest.approx(target, abs=2e-3)
    assert tb.lambda_fuelled_for(sheet, rpm, 1.2, 1.0) < target < tb.lambda_fuelled_for(sheet, rpm, 1.0, 1.2)


def test_rated_bottle_is_full_of_liquid_at_30_6_degrees():
    """Published fill limit of 68 %: liquid-full at about 30.6 C, some 180 bar at 65 C (the project's physics notes)."""
    w = tb.window(WREN)
    assert w.rated_full_T - 273.15 == pytest.approx(30.6, abs=0.1)
    assert w.full_T == pytest.approx(w.rated_full_T)
    assert w.sun / 1e5 == pytest.approx(179, abs=2)
    assert cp.PropsSI("D", "T", w.full_T, "Q", 0, "NitrousOxide") == pytest.approx(680, rel=1e-3)


def test_full_bottle_climbs_as_by_the_equation_of_state():
    mass = WREN.nitrous.bottle_rated_fill_kg
    T = tb.window(WREN).full_T
    closed = cp.PropsSI("P", "T", T + 1, "D", 680.0, "NitrousOxide")
    here, below = (cp.PropsSI("P", "T", t, "Q", 0, "NitrousOxide") for t in (T, T - 1))
    assert tb.climb(mass, mass / 680.0) == pytest.approx((closed - here) / (here - below), rel=0.01)
    assert tb.climb(0.4 * mass, mass / 680.0) is None


def test_flow_is_flat_in_the_window_and_steep_in_the_cold():
    w = tb.window(WREN)
    assert abs(w.window_step.low) < 0.01 > abs(w.window_step.high)
    assert w.cold_step.low > 3 * w.window_step.high
    assert 300.0 < w.low_T < w.high_T < 309.0


def test_pass_takes_pressure_off_the_gauge():
    w = tb.window(WREN)
    assert 1e5 < w.fall < 6e5
    assert tb.window(WREN.replace({"nitrous.pass_s": 12.0})).fall > w.fall
    assert tb.window(WREN.replace({"nitrous.pass_s": 120.0, "nitrous.bottle_fill_kg": 1.0})).fall is None


def test_valve_is_the_sheets():
    assert tb.window(WREN).valve is None
    assert tb.window(WREN.replace({"nitrous.valve_opens_against_kpa": 8000.0})).valve == 8e6


def test_fill_decides_where_the_gauge_leaves_the_boiling_line():
    fuller = [tb.filled(WREN, share) for share in (0.6, 0.9, 1.0, 1.15)]
    assert fuller[0].full_T is None
    assert fuller[1].full_T > fuller[2].full_T > fuller[3].full_T
    assert fuller[0].sun < fuller[1].sun < fuller[2].sun < fuller[3].sun
    assert fuller[0].at_high == pytest.approx(tb.window(WREN).high, rel=1e-3)
    assert fuller[3].at_high > 1.3 * fuller[0].at_high
    assert not tb.filled(WREN, 0.1).liquid
    with pytest.raises(InputError):
        tb.filled(WREN, 0.0)


def test_bare_sheet_takes_the_flow_of_its_horsepower():
    assert td.late_stop(BARE, 4250.0).line_s == pytest.approx(
        td.late_stop(WREN, 4250.0).line_s * full_flow(WREN) / full_flow(BARE), rel=1e-6
    )
