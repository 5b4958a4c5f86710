"""A pull beside the plan: laws, hand computations, and the truth of simulated pulls it was not shown."""

import functools
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import uniform_filter1d

from kernel_lib import BuildSheet, InputError
from kernel_lib.logs import delay as delay_module
from kernel_lib.logs.course import PLANNED, course
from kernel_lib.logs.cut import cut
from kernel_lib.logs.delay import changes, estimate
from kernel_lib.logs.drawn import supply_of
from kernel_lib.logs.log import Log
from kernel_lib.logs.mixture import MixtureModel
from kernel_lib.logs.simulate import SCENARIOS, simulate
from kernel_lib.plan.stopping import line_s
from kernel_lib.plan.supply import flow_band
from kernel_lib.plan.tune import tune_of

SEEDS = range(8)


@functools.cache
def tune(car="wren_five"):
    return tune_of(BuildSheet.demo(car))


@functools.cache
def pull(name, seed=3):
    """A simulated pull and its course, by the delay that the log tells."""
    sim = simulate(SCENARIOS[name], seed)
    sheet = BuildSheet.demo(SCENARIOS[name].car)
    part = {"part": SCENARIOS[name].step} if sheet.nitrous.system == "wet" else {}
    found = cut(sim.log, sheet)
    first = course(sim.log, found[0], sheet, tune(sheet_name(name)), **part)
    delay = estimate([first], sheet)
    return sim, found[0], course(sim.log, found[0], sheet, tune(sheet_name(name)), delay, **part)


def sheet_name(name):
    return SCENARIOS[name].car


def truth_of(sim, seen, window_s=0.1):
    """True lambda in the cylinders, averaged over the pulses."""
    step = float(sim.fine.motion.time_s[1])
    lambda_ = uniform_filter1d(1 / np.maximum(sim.fine.gas.phi, 0.2), round(window_s / step))
    return np.interp(seen.time_s, sim.fine.motion.time_s, lambda_)


def test_rows_are_those_of_the_log():
    sim, found, seen = pull("clean")
    first = int(np.flatnonzero(sim.log.time_s == seen.time_s[0])[0])
    rows = slice(first, first + len(seen.time_s))
    np.testing.assert_array_equal(seen.measured, sim.log.get("lambda_")[rows])
    assert found.start - first == pytest.approx(100, abs=1)
    arrays = [v for v in vars(seen).values() if isinstance(v, np.ndarray)]
    assert {len(v) for v in arrays} == {len(seen.time_s)}


def test_nitrous_drawn_in_is_what_the_nozzle_passed():
    """What was drawn in is the commanded flow over time less the opening, what fills the line, and what drains from it: mass by hand."""
    sim, _found, seen = pull("clean")
    sheet, step = BuildSheet.demo("wren_five"), sim.log.step_s
    commanded = float((seen.share * seen.flow[seen.flow > 0].max()).sum() * step)
    drawn = float(seen.flow.sum() * step)
    line = line_s(sheet, 1.0)
    assert abs(drawn - commanded) < line + 0.002
    assert seen.flow_low.sum() < seen.flow.sum() < seen.flow_high.sum()
    true = np.interp(seen.time_s, sim.fine.motion.time_s, sim.fine.gas.drawn) / sim.truth.coefficient
    use = seen.settled & (seen.share > 0)
    off = uniform_filter1d(true, 10)[use] / seen.flow[use] - 1
    assert abs(np.median(off)) < 0.04
    assert np.quantile(np.abs(off), 0.95) < 0.12  # a valve that opens for good does so with its next pulse
    assert seen.nitrous_fraction.max() > 0.1


def test_flow_follows_the_bottle():
    sheet = BuildSheet.demo("wren_five")
    band = flow_band(sheet)
    supply = supply_of(sheet, band.best, band.low, band.high)
    warm, cold = (float(supply.flow_at(np.array([kpa]), kpa)[0]) for kpa in (6300.0, 4500.0))
    assert cold < 0.93 * warm
    assert warm == pytest.approx(band.best, rel=0.03)
    assert supply.flow_at(np.array([np.nan]), 6300.0)[0] == pytest.approx(band.best)
    low, likely, high = (c.kpa[:3].min() for c in supply.planned)
    assert low < likely < high


@pytest.mark.parametrize("name", ["clean", "clean_half", "late_fuel", "base", "badger_hit"])
def test_lambda_in_the_cylinder_is_found_within_its_error(name):
    hits = []
    for seed in SEEDS if name in ("clean", "late_fuel") else (0, 1, 2):
        sim, _found, seen = pull(name, seed)
        true = truth_of(sim, seen, 0.03 if name in ("base", "badger_hit") else 0.1)
        off = np.abs(seen.undelayed - true)[seen.settled]
        assert seen.settled.sum() > 100
        hits.append((off <= seen.undelayed_error[seen.settled]).mean())
    assert np.mean(hits) > 0.9


def test_depth_of_a_lean_excursion_is_found():
    for seed in SEEDS:
        sim, _found, seen = pull("late_fuel", seed)
        inside = (seen.nitrous_fraction > 0.02) & (seen.time_s < sim.truth.events["lift"] - 0.2)
        k = int(np.nanargmax(np.where(inside, seen.undelayed, np.nan)))
        assert abs(seen.undelayed[k] - sim.truth.excursion_lambda) < max(seen.undelayed_error[k], 0.045)
        assert seen.time_s[k] == pytest.approx(sim.truth.excursion_at_s, abs=0.12)
        assert seen.undelayed[k] - seen.undelayed_error[k] > seen.target[k] + 0.08


def test_delay_is_found_within_its_error():
    """A few of what `test_two_hundred` holds for many."""
    off, within = [], []
    for name in ("clean", "late_fuel"):
        for seed in SEEDS:
            sim, _found, seen = pull(name, seed)
            true = (
                sim.truth.sensor_tau_s
                + (sim.truth.delay_total_s - sim.truth.sensor_tau_s) * sim.truth.delay_rpm / seen.delay.rpm
            )
            assert seen.delay.identifiable
            off.append(seen.delay.total_s - true)
            within.append(abs(off[-1]) <= seen.delay.error_s)
    assert np.mean(within) >= 0.9
    assert np.sqrt(np.mean(np.square(off))) < 0.008


def test_what_a_logger_adds_is_found():
    """A reading that is logged 30 ms later is found to be, within 5 ms."""
    sheet, moved = BuildSheet.demo("wren_five"), []
    for seed in SEEDS:
        seen = pull("clean", seed)[2]
        later = replace(seen, measured=np.concatenate([seen.measured[:3], seen.measured[:-3]]))
        moved.append(estimate([later], sheet).total_s - estimate([seen], sheet).total_s)
    assert np.mean(moved) == pytest.approx(0.030, abs=0.005)


def test_changes_of_every_kind_are_looked_at():
    """Fuel cut, fuel that comes back, fuel ahead of the nitrous, throttle: none crowds out the others, however many pulls there are."""
    sheet = BuildSheet.demo("wren_five")
    found = changes(pull("clean")[2], sheet)
    assert len(found) == 4
    picked = delay_module._picked(found * 6)
    assert len(picked) == delay_module.MOST
    assert {(c.kind, c.size) for c in picked} == {(c.kind, c.size) for c in found}


def test_the_manifold_is_followed_until_it_is_full():
    """While it fills, its last hundredths count; noise of a full one does not."""
    sim, _found, seen = pull("base")
    opened = sim.truth.events["full throttle"]
    filling = (seen.time_s > opened) & (seen.time_s < opened + 0.2)
    assert ((seen.air[filling] > 0.985) & (seen.air[filling] < 1)).sum() >= 3
    full = (seen.time_s > opened + 0.6) & (seen.time_s < sim.truth.events["lift"])
    assert (seen.air[full] == 1.0).all()


def test_delay_needs_a_change_whose_cause_is_logged():
    sim, found, seen = pull("base")
    sheet = BuildSheet.demo("wren_five")
    assert len(changes(seen, sheet)) >= 2
    without = {k: v for k, v in sim.log.data.items() if not k.startswith("injector")}
    blind = course(Log("blind", sim.log.time_s, without), found, sheet, tune())
    assert blind.fuel_basis == PLANNED
    assert not estimate([blind], sheet).identifiable


def test_steady_mixture_of_the_plan_is_on_target():
    """The controller's fuel as logged is the plan's, so the model gives the target back where mixture and plan have settled."""
    _, _, seen = pull("clean")
    use = seen.settled & (seen.share > 0)
    np.testing.assert_allclose(np.median(seen.lambda_model[use]), 0.864, atol=0.012)
    np.testing.assert_allclose(seen.target[use], 0.864, atol=1e-3)
    assert (seen.target[seen.time_s < seen.time_s[0] + 0.5] == 0.88).all()


def test_gauge_on_target_shows_richer_on_nitrous():
    _, _, seen = pull("clean")
    use = seen.settled & (seen.share > 0)
    assert (seen.shown_target[use] < seen.target[use] - 0.005).all()
    assert (seen.shown_target_low[use] < seen.shown_target[use]).all()
    assert (seen.shown_target[use] < seen.shown_target_high[use]).all()
    assert (seen.gauge_bias[use] < -0.003).all()
    base = pull("base")[2]
    np.testing.assert_allclose(base.gauge_bias[base.settled], 0.0, atol=1e-12)


def test_retard_is_what_the_step_of_the_ladder_says():
    for name, share in (("clean", 1.0), ("clean_half", 0.5)):
        sim, _found, seen = pull(name)
        step = next(s for s in tune().ladder.steps if s.share == share)
        known = np.isfinite(step.retard_deg)
        inside = (seen.share > 0) & (seen.rpm > step.rpm[known][0]) & (seen.rpm < 6000)
        wanted = np.interp(seen.rpm, step.rpm[known], step.retard_deg[known])
        assert np.median(np.abs(seen.retard_planned - wanted)[inside]) < 0.05
        assert (seen.retard_planned - wanted)[inside].min() > -1e-9
        np.testing.assert_allclose(seen.timing_planned, seen.timing_base - seen.retard_planned)
        after = (seen.time_s > sim.truth.events["shut"] + 0.1) & (seen.time_s < sim.truth.events["shut"] + 0.9)
        assert (seen.retard_planned[after] > 5).all()
        assert (seen.retard_planned[seen.time_s < sim.truth.events["valve"] - 0.05] == 0).all()
    assert (pull("base")[2].retard_planned == 0).all()


def test_planned_injector_duty_is_that_of_the_tune():
    _, _, seen = pull("clean")
    rows = tune().table
    k = int(np.abs(seen.rpm - 5500).argmin())
    row = rows[rows["rpm"] == 5500].iloc[0]
    assert seen.injector_duty_planned[k] == pytest.approx(row["injector_duty_percent"], abs=1.5)


def test_cells_hold_the_truth():
    within = []
    for seed in SEEDS:
        sim, _, seen = pull("clean", seed)
        true = truth_of(sim, seen) / seen.target - 1
        table = seen.cells()
        assert {"rpm", "valve_duty_percent", "n", "seconds", "error", "error_95", "bias", "trim_percent"} <= set(table)
        assert table["n"].sum() == (seen.settled & np.isfinite(seen.undelayed_error)).sum()
        assert (table["error_95"] >= table[["noise_95", "systematic_95"]].max(axis=1) - 1e-12).all()
        rpm = 500 * np.round(seen.rpm / 500)
        duty = np.where(seen.share > 0, np.maximum(10 * np.round(seen.duty_percent / 10), 10), 0)
        for row in table[table["n"] >= 20].itertuples():
            here = seen.settled & (rpm == row.rpm) & (duty == row.valve_duty_percent)
            within.append(abs(row.error - true[here].mean()) <= row.error_95)
    assert np.mean(within) > 0.9


def test_moving_the_log_in_time_moves_everything():
    sim, found, seen = pull("clean")
    later = Log("later", sim.log.time_s + 50.0, sim.log.data, sim.log.rate_hz)
    moved = course(later, found, BuildSheet.demo("wren_five"), tune(), seen.delay)
    np.testing.assert_allclose(moved.time_s, seen.time_s + 50.0)
    np.testing.assert_allclose(moved.flow, seen.flow, atol=1e-7)
    np.testing.assert_allclose(moved.lambda_model, seen.lambda_model, rtol=1e-4)


def test_gaps_and_missing_channels_leave_the_rest():
    sim, found, seen = pull("clean")
    sheet = BuildSheet.demo("wren_five")
    data = {k: np.array(v) for k, v in sim.log.data.items()}
    data["lambda_"][400:420] = np.nan
    holed = course(Log("holed", sim.log.time_s, data), found, sheet, tune())
    first = int(np.flatnonzero(sim.log.time_s == seen.time_s[0])[0])
    assert not holed.settled[400 - first : 420 - first].any()
    assert np.isnan(holed.undelayed[400 - first : 415 - first]).all()
    few = {k: sim.log.data[k] for k in ("rpm", "throttle_percent", "nitrous_duty_percent")}
    bare = course(Log("bare", sim.log.time_s, few), found, sheet, tune())
    assert np.isnan(bare.measured).all()
    assert np.isnan(bare.undelayed).all()
    assert not bare.settled.any()
    assert bare.cells().empty
    assert np.nanmax(bare.flow) > 0.02
    with pytest.raises(InputError):
        course(Log("no speed", sim.log.time_s, {}), found, sheet, tune())


def test_a_switch_alone_takes_the_plans_dose():
    sim, found, seen = pull("clean")
    data = {k: v for k, v in sim.log.data.items() if k != "nitrous_duty_percent"}
    switched = course(Log("switch", sim.log.time_s, data), found, BuildSheet.demo("wren_five"), tune(), seen.delay)
    inside = (seen.share > 0) & (seen.rpm < 6000)
    assert np.median(np.abs(switched.share - seen.share)[inside]) < 0.02


def test_wet_jet_brings_its_fuel_with_the_nitrous():
    _, _, seen = pull("badger_hit")
    model = MixtureModel.of(BuildSheet.demo("badger_eight"))
    use = seen.settled & (seen.share > 0)
    assert "jet" in seen.fuel_basis
    assert (seen.fuel > 1.05 * model.fuel_own(seen.rpm, seen.flow))[use].all()
    assert np.median(np.abs(seen.lambda_model - 0.85)[use]) < 0.03
