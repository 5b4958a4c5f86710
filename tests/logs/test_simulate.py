"""The forward simulation: it keeps mass, its mixtures and lags are those of its own truth, and every fault is really in its log."""

import importlib.util
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.logs import simulate as sim
from kernel_lib.logs.channels import CHANNELS
from kernel_lib.logs.sim_gas import delayed, lagged
from kernel_lib.logs.sim_motion import STEP_S
from kernel_lib.logs.sim_sensor import GAUGE_RANGE, exhaust_flow, sensed, shown_phi
from kernel_lib.logs.sim_write import STYLES, text_of
from kernel_lib.plan import fuel as pf
from kernel_lib.plan.delivery import valve
from kernel_lib.plan.pulsing import Pulsing
from kernel_lib.plan.supply import flow_law
from kernel_lib.plan.tune import tune_of
from kernel_lib.thermo.wideband import shown_many

DATA = Path(__file__).parents[2] / "data" / "logs"
SEED = 3


@pytest.fixture(scope="module")
def wren():
    return BuildSheet.demo("wren_five")


@pytest.fixture(scope="module")
def runs():
    """Every scenario of the demo car once, of one car."""
    return {n: sim.simulate(s, SEED) for n, s in sim.SCENARIOS.items() if s.car == "wren_five"}


@pytest.fixture(scope="module")
def makes():
    spec = importlib.util.spec_from_file_location("make_logs", DATA / "make_logs.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def window(run, first, last, after=0.0):
    time, events = run.log.time_s, run.truth.events
    return (time >= events[first] + after) & (time < events[last])


# laws -----------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["clean", "clean_half", "false_start", "shift", "late_fuel"])
def test_nitrous_is_neither_made_nor_lost(runs, name):
    run = runs[name]
    nitrous, drawn = run.fine.gas.nitrous, run.fine.gas.drawn
    through = nitrous.valve.sum() * STEP_S
    assert nitrous.nozzle.sum() * STEP_S == pytest.approx(through, rel=1e-6)
    assert drawn.sum() * STEP_S == pytest.approx(through, rel=1e-4)  # what is left in the manifold after seconds
    assert run.truth.nitrous_kg == pytest.approx(through, rel=1e-12)
    assert drawn.min() > -1e-12


def test_valve_passes_what_its_commands_leave_of_the_true_flow(runs, wren):
    """Integral of the nozzle's own flow over the opening of the valve, summed pulse by pulse, and the line's content."""
    run, law = runs["clean_half"], flow_law(wren)
    truth, motion, nitrous = run.truth, run.fine.motion, run.fine.gas.nitrous
    pulsing, hz = Pulsing.of(wren), valve(wren).pulse_hz
    on, off = truth.events["valve"], truth.events["shut"]
    starts = np.arange(on, off, 1 / hz)
    duty = pulsing.duty(0.5 * tune_of(wren).share_at(np.interp(starts, motion.time_s, motion.rpm)))
    told = np.minimum(starts + duty / hz, off) - starts
    open_s = np.where(told >= truth.valve_open_s, told - truth.valve_open_s + truth.valve_close_s, 0.0).sum()
    bottle = np.mean([law(T, P) for T, P in zip(nitrous.T[::100], nitrous.P[::100], strict=True)])
    line = 0.4 * np.pi / 4 * 4.8e-3**2 * 693  # kg of liquid at 32 degrees
    lost = truth.line_fill * line  # passed in the time in which the line fills and nothing comes out
    assert truth.nitrous_kg == pytest.approx(truth.coefficient * bottle * open_s + line - lost, rel=0.01)


def test_settled_mixture_is_that_of_the_charge_with_the_truth(wren):
    """Valve open for good: the flow settles, and lambda is that of `fresh_charge` on a sheet that states the truth."""
    scenario = replace(sim.SCENARIOS["clean"], spin=0.0, rise_rpm_s=60.0, lift_rpm=5700.0, cruise_s=0.3, tail_s=0.1)
    open_sheet = wren.replace(
        {"ramp.kind": "over rpm", "ramp.rpm": (2500.0, 6000.0), "ramp.share_percent": (100.0, 100.0)}
    )
    run = sim.simulate(replace(scenario, sheet=open_sheet, lean_stop=False), SEED)
    truth, gas, motion = run.truth, run.fine.gas, run.fine.motion
    setup = Setup.of(wren)
    setup = replace(
        setup, T_bottle=truth.T_bottle, efficiency_table=setup.efficiency_table * truth.air(setup.rpm_table)
    )
    for rpm in (3500.0, 4500.0, 5400.0):
        k = int(np.searchsorted(motion.rpm[: np.searchsorted(motion.time_s, truth.events["lift"])], rpm))
        charge = fresh_charge(
            setup,
            motion.rpm[k],
            gas.drawn[k],
            wall_share=truth.wall_share,
            exponent=truth.density_exponent,
        )
        assert 1 / gas.phi[k] == pytest.approx(float(pf.lambda_with(setup, charge, gas.fuel[k])), rel=1e-3)
        assert gas.nitrous_fraction[k] == pytest.approx(float(charge.nitrous_fraction), rel=1e-3)
        assert gas.drawn[k] == pytest.approx(gas.nitrous.potential[k], rel=4e-3)  # settled but for the rising speed
        shown = shown_many(
            setup.fuel, 1 / gas.phi[k], charge.nitrous_fraction, charge.water_fraction, truth.hydrogen_weight
        )
        seen = shown_phi(setup, gas.phi[k : k + 1], gas.nitrous_fraction[k : k + 1], truth.hydrogen_weight)
        assert 1 / float(seen[0]) == pytest.approx(float(shown), rel=1e-3)


def test_fuel_in_the_cylinder_is_what_the_log_says_was_injected(runs, wren):
    """Settled base pull: open time less dead time, at the stated flow of the injectors and their true scale."""
    run, setup = runs["base"], Setup.of(wren)
    at = window(run, "full throttle", "lift", 3.0)
    system = wren.fuel_system
    each = system.injector_flow_cc_min * 1e-6 / 60 * np.sqrt(setup.fuel.density * system.injector_test_density_kg_m3)
    logged = (run.log.data["injector_ms"][at] - system.injector_dead_time_ms) * 1e-3 * each * run.truth.injector_scale
    np.testing.assert_allclose(run.fine.gas.fuel[::5][: len(at)][at], logged, rtol=5e-3)
    duty = run.log.data["injector_ms"][at] * run.log.data["rpm"][at] / 1200
    np.testing.assert_allclose(run.log.data["injector_duty_percent"][at], duty, atol=0.3)


def test_step_at_the_sensor_is_at_63_percent_after_transport_and_time_constant(runs):
    run = runs["base"]
    motion, gas, truth = run.fine.motion, run.fine.gas, run.truth
    step = int(np.searchsorted(motion.time_s, 0.5 * (truth.events["full throttle"] + truth.events["lift"])))
    for through in (0.0, 0.75):
        stepped = np.where(np.arange(len(gas.phi)) < step, 1 / 0.9, 1 / 0.8)
        scenario = replace(run.scenario, through_cycles=through)
        seen = sensed(run.fine.kit, motion, replace(gas, phi=stepped), truth, scenario)
        crossing = np.interp(
            1 / 0.9 + (1 - np.exp(-1)) * (1 / 0.8 - 1 / 0.9), seen[step : step + 200], motion.time_s[:200]
        )
        late = truth.delay_total_s + (through - run.scenario.through_cycles) * 120 / truth.delay_rpm
        assert crossing == pytest.approx(late, abs=0.0025)


def test_transport_is_the_volume_over_the_flow_by_hand(runs):
    """Base pull: exhaust moles of air and fuel at 1150 K and the barometer."""
    run = runs["base"]
    k = int(np.searchsorted(run.fine.motion.time_s, run.truth.events["full throttle"] + 4))
    gas, rpm = run.fine.gas, run.fine.motion.rpm[k]
    mass = (gas.dry_air[k] * 0.02897 * 1.012 + gas.fuel[k]) * rpm / 120 * 5
    assert exhaust_flow(run.fine.kit, run.fine.motion, gas)[k] == pytest.approx(
        mass / 0.028 * 8.314 * 1150 / 99.6e3, rel=0.01
    )


def test_lag_and_delay_of_a_ramp_are_their_times():
    time = np.arange(0, 4, STEP_S)
    assert (time - lagged(time, 0.08))[-1] == pytest.approx(0.08, abs=STEP_S)
    assert (time - delayed(time, time, 0.05))[-1] == pytest.approx(0.05)


# determinism and truth ------------------------------------------------------------------------------------------------------


def test_same_seed_same_log_and_another_seed_another(runs):
    again, other = (sim.simulate(sim.SCENARIOS["clean"], seed) for seed in (SEED, SEED + 1))
    for key, values in runs["clean"].log.data.items():
        np.testing.assert_array_equal(values, again.log.data[key])
    assert again.truth == runs["clean"].truth
    assert not np.array_equal(other.log.data["lambda_"][:900], again.log.data["lambda_"][:900])


def test_car_and_day_have_seeds_of_their_own():
    a, b = (sim.simulate(sim.SCENARIOS["base"], seed, car=5).truth for seed in (1, 2))
    assert (a.coefficient, a.sensor_tau_s, a.air_level) == (b.coefficient, b.sensor_tau_s, b.air_level)
    assert a.T_bottle != b.T_bottle


def test_truths_lie_within_what_the_sheet_states_and_spread_over_it(wren):
    drawn = [sim.draw(sim.SCENARIOS["clean"], wren, k, k) for k in range(200)]
    relative = wren.nitrous.discharge_error / wren.nitrous.discharge_coefficient
    for name, middle, reach in (
        ("coefficient", 1.0, relative),
        ("injector_scale", 1.0, 0.03),
        ("air_level", 0.0, 0.02),
        ("sensor_tau_s", 0.085, 0.025),
        ("transport_factor", 1.0, 0.2),
    ):
        values = np.array([getattr(t, name) for t in drawn]) - middle
        assert np.abs(values).max() <= reach
        assert np.abs(values.mean()) < 0.12 * reach  # four standard errors and more
        assert 0.3 * reach < values.std() < 0.7 * reach


def test_fixed_truths_are_kept_and_unknown_ones_refused():
    fixed = replace(sim.SCENARIOS["base"], fixed={"injector_scale": 1.03})
    assert sim.simulate(fixed, 1).truth.injector_scale == 1.03
    with pytest.raises(InputError, match="no truth"):
        sim.simulate(replace(sim.SCENARIOS["base"], fixed={"colour": 1.0}), 1)
    with pytest.raises(InputError, match="ladder"):
        sim.simulate(replace(sim.SCENARIOS["clean"], step=0.6), 1)


def test_likely_car_meets_its_targets():
    """No spread: lambda without and with nitrous where the tune sheet aims, to what pulses and rising speed leave."""
    base = sim.simulate(replace(sim.SCENARIOS["base"], spread=0.0), 1)
    clean = sim.simulate(replace(sim.SCENARIOS["clean"], spread=0.0, spin=0.0), 1)
    for run, first, target in ((base, "full throttle", 0.88), (clean, "valve", 0.864)):
        time = run.fine.motion.time_s
        at = (time > run.truth.events[first] + 1.0) & (time < run.truth.events["lift"])
        assert 1 / run.fine.gas.phi[at].mean() == pytest.approx(target, abs=0.006)


# channels -------------------------------------------------------------------------------------------------------------------


def test_channels_are_those_of_the_review_and_within_their_ranges(runs):
    for run in runs.values():
        assert set(run.log.data) <= set(CHANNELS)
        assert run.log.step_s == pytest.approx(0.01)
        for key, values in run.log.data.items():
            assert len(values) == len(run.log.time_s)
            assert np.isfinite(values).all()
            assert CHANNELS[key].low <= values.min()
            assert values.max() <= CHANNELS[key].high
        assert GAUGE_RANGE[0] <= run.log.data["lambda_"].min()
        cut = window(run, "cut", "tail", 0.5)
        assert (run.log.data["lambda_"][cut] == GAUGE_RANGE[1]).all()


def test_timing_is_known_good_less_the_tunes_retard_until_after_the_spray(runs, wren):
    run, tune = runs["clean"], tune_of(wren)
    rpm, timing = run.log.data["rpm"], run.log.data["timing_deg_btdc"]
    at = window(run, "fuel", "shut", 0.02)
    table = np.interp(rpm, tune.table["rpm"], tune.table["timing_deg_btdc"])
    np.testing.assert_allclose(timing[at], table[at], atol=0.25)
    before = window(run, "full throttle", "fuel", 0.3)
    known = np.interp(rpm, wren.engine.full_throttle.rpm, wren.engine.full_throttle.timing_deg_btdc)
    np.testing.assert_allclose(timing[before], known[before], atol=0.3)
    closed = window(run, "cut", "tail", 0.4)  # the throttle shut
    off = run.log.time_s - run.truth.events["shut"]
    early, late = closed & (off < 1.25), closed & (off > 1.35)
    assert (timing[late].min() - timing[early].max()) > 8


def test_clean_pulls_lie_within_the_plans_band(runs, wren):
    """Lambda that the extreme ends of the plan's own unknowns would make of the planned fuel, and no lean stop within."""
    setup, tune = Setup.of(wren), tune_of(wren)
    for name, step in (("clean", 1.0), ("clean_three_quarters", 0.75), ("clean_half", 0.5)):
        run = runs[name]
        time, gas, motion = run.fine.motion.time_s, run.fine.gas, run.fine.motion
        lambda_ = sim.cycle_mean(1 / np.maximum(gas.phi, 0.2), motion.rpm)
        for rpm in (3500.0, 4500.0, 5500.0):
            at = np.abs(motion.rising - rpm) < 200
            at &= (time > run.truth.events["valve"] + 0.8) & (time < run.truth.events["lift"])
            flow = step * float(tune.share_at(rpm)) * tune.room.full_flow
            ends = [
                fresh_charge(setup, rpm, flow * f, wall_share=w, exponent=n)
                for f, w, n in ((0.93, 1.0, 0.0), (1.07, 0.0, 1.0))
            ]
            fuel = pf.fuel_for(setup, fresh_charge(setup, rpm, flow), wren.engine.lambda_with_nitrous)
            low, high = (float(pf.lambda_with(setup, end, fuel)) for end in ends)
            assert low - 0.02 < lambda_[at].mean() < high + 0.02
            assert abs(lambda_[at].mean() - 0.864) < 0.035
        assert "lean stop" not in run.truth.events
        assert run.truth.excursion_lambda < wren.limits.lean_stop_lambda
        assert np.isnan(run.truth.excursion_from_s)


# faults ---------------------------------------------------------------------------------------------------------------------


def test_late_fuel_runs_lean_before_the_fuel_comes(runs):
    truth = runs["late_fuel"].truth
    assert truth.events["fuel"] > truth.events["valve"]
    assert truth.excursion_lambda > 1.03
    assert truth.events["valve"] < truth.excursion_from_s < truth.excursion_at_s < truth.events["fuel"] + 0.1
    assert 3 < truth.excursion_cycles < 15
    gas, time = runs["late_fuel"].fine.gas, runs["late_fuel"].fine.motion.time_s
    first = time[np.argmax(gas.nitrous_fraction > 0.005)]
    fuel = gas.fuel / runs["clean"].fine.gas.fuel[: len(gas.fuel)][0]
    arrives = time[(time > first) & (np.gradient(fuel, time) > 1.0)][0]
    assert arrives - first == pytest.approx(0.25, abs=0.07)
    stop = sim.simulate(replace(sim.SCENARIOS["late_fuel"], lean_stop=True, fuel_lead_ms=-900.0), SEED).truth.events
    assert stop["valve"] < stop["lean stop"] <= stop["shut"] < stop["lift"]


def test_cold_bottle_has_less_pressure_less_flow_and_a_richer_mixture(runs):
    cold, clean = runs["cold_bottle"], runs["clean"]
    start = [r.log.data["bottle_kpa"][:100].mean() for r in (cold, clean)]
    assert start[0] < 4800
    assert 6000 < start[1] < 6900
    assert cold.fine.gas.nitrous.potential.max() < 0.95 * clean.fine.gas.nitrous.potential.min()
    assert (
        cold.log.data["lambda_"][window(cold, "valve", "lift", 1.0)].mean()
        < clean.log.data["lambda_"][window(clean, "valve", "lift", 1.0)].mean() - 0.01
    )


def test_injectors_at_their_limit_stay_open_while_the_rail_sags_and_go_lean(runs, wren):
    run = runs["injector_limit"]
    at = window(run, "valve", "lift", 0.5)
    duty, rail, lambda_ = (run.log.data[k][at] for k in ("injector_duty_percent", "fuel_kpa", "lambda_"))
    assert duty.max() > 99
    assert duty[:100].max() < wren.limits.injector_duty_percent
    assert rail[-30:].mean() < 0.6 * rail[:50].mean()
    assert lambda_[-30:].mean() > lambda_[100:200].mean() + 0.05
    assert run.truth.excursion_lambda > wren.limits.lean_stop_lambda
    clean = runs["clean"].log.data
    assert clean["injector_duty_percent"].max() < 70
    assert np.ptp(clean["fuel_kpa"][window(runs["clean"], "valve", "lift")]) < 15


def test_shift_lifts_the_throttle_and_keeps_the_valve(runs):
    run = runs["shift"]
    data, truth = run.log.data, run.truth
    lifted = (run.log.time_s > truth.events["shift"] + 0.13) & (run.log.time_s < truth.events["shift"] + 0.25)
    assert data["throttle_percent"][lifted].max() < 10
    assert (data["nitrous_on"][lifted] == 1).all()
    assert set(np.unique(data["gear"])) == {3, 4}
    after = run.log.time_s > truth.events["shift"] + 0.3
    assert data["rpm"][after][0] < 0.8 * 4800
    assert truth.events["shut"] > truth.events["shift"] + 1
    assert np.isin(np.unique(runs["clean"].log.data["gear"]), [3]).all()


def test_false_start_is_a_third_of_a_second(runs):
    on = runs["false_start"].log.data["nitrous_on"].sum() * 0.01
    assert on == pytest.approx(0.35, abs=0.04)


def test_base_pulls_have_no_nitrous_and_the_lean_one_is_lean(runs):
    for name, target in (("base", 0.88), ("base_lean", 0.933)):
        run = runs[name]
        assert run.log.data["nitrous_on"].max() == 0
        assert run.truth.nitrous_kg == 0
        at = window(run, "full throttle", "lift", 1.0)
        assert run.log.data["lambda_"][at].mean() == pytest.approx(target, abs=0.015)
        assert run.log.data["rpm"][at].max() > 6100


def test_knock_is_on_nitrous_only(runs):
    quiet, loud = runs["clean"], runs["knock"]
    at, before = window(loud, "valve", "lift", 0.5), window(loud, "full throttle", "fuel")
    ratio = [
        run.log.data["knock"] / np.interp(run.log.data["rpm"], (2000, 4000, 6000), (0.54, 1.02, 1.6))
        for run in (loud, quiet)
    ]
    assert (ratio[0][at] > 2).sum() > 10
    assert (ratio[1][window(quiet, "valve", "lift")] > 1.6).sum() == 0
    assert (ratio[0][before] > 1.6).sum() == 0


def test_rich_misfire_reads_lean_and_the_engine_stumbles(runs, wren):
    run = runs["misfire_rich"]
    at = window(run, "misfire", "fires again", 0.3)
    fine = (run.fine.motion.time_s > run.truth.events["misfire"] + 0.3) & (
        run.fine.motion.time_s < run.truth.events["fires again"]
    )
    assert 1 / run.fine.gas.phi[fine].mean() < wren.limits.misfire_rich_lambda + 0.02
    assert run.log.data["lambda_"][at].mean() > wren.limits.lean_stop_lambda
    assert run.truth.events["fires again"] - run.truth.events["misfire"] == pytest.approx(2.0)
    shaken, smooth = (
        np.std(np.diff(r.log.data["rpm"][w]))
        for r, w in ((run, at), (runs["clean"], window(runs["clean"], "valve", "lift", 1.5)))
    )
    assert shaken > 1.5 * smooth


def test_missing_retard_weak_valve_and_trim_show(runs, wren):
    at = window(runs["no_retard"], "valve", "lift", 0.2)
    rpm, timing = (runs["no_retard"].log.data[k][at] for k in ("rpm", "timing_deg_btdc"))
    np.testing.assert_allclose(
        timing, np.interp(rpm, wren.engine.full_throttle.rpm, wren.engine.full_throttle.timing_deg_btdc), atol=0.3
    )
    assert runs["weak_valve"].truth.nitrous_kg < 0.93 * runs["clean"].truth.nitrous_kg
    trimmed = runs["trimmed"]
    late = window(trimmed, "valve", "lift", 3.0)
    assert trimmed.log.data["trim_percent"][late].mean() < -2
    assert trimmed.log.data["lambda_"][late].mean() == pytest.approx(wren.engine.lambda_with_nitrous, abs=0.015)


def test_wheel_spin_is_a_short_flare_of_the_engine_and_not_of_the_road():
    run = sim.simulate(replace(sim.SCENARIOS["clean"], spin=1.0), SEED)
    motion, start = run.fine.motion, run.truth.events["spin"]
    flare = motion.rpm - motion.rising
    assert 100 < flare.max() < 300
    assert (flare[(motion.time_s < start) | (motion.time_s > start + 0.31)] == 0).all()
    assert np.diff(motion.speed_km_h).max() < 0.06


def test_mass_air_car_without_nitrous_is_on_its_target():
    run = sim.simulate(sim.SCENARIOS["badger_base"], SEED)
    at = window(run, "full throttle", "lift", 1.0)
    assert run.log.data["lambda_"][at].mean() == pytest.approx(0.86, abs=0.012)
    assert run.log.data["fuel_kpa"][at].mean() == pytest.approx(400, abs=6)  # the rail is held over the air round it
    assert run.truth.discharge_coefficient != run.truth.discharge_coefficient


def test_wet_car_takes_the_jets_fuel_beside_its_injectors():
    run = sim.simulate(sim.SCENARIOS["badger_hit"], SEED)
    base = sim.simulate(sim.SCENARIOS["badger_base"], SEED)
    gas, time, truth = run.fine.gas, run.fine.motion.time_s, run.truth
    at = (time > truth.events["valve"] + 1) & (time < truth.events["lift"])
    assert 1 / gas.phi[at].mean() == pytest.approx(0.85, abs=0.03)
    logged = window(run, "valve", "lift", 1.0)
    own = window(base, "full throttle", "lift", 0.3)
    same = np.interp(run.log.data["rpm"][logged], base.log.data["rpm"][own], base.log.data["injector_ms"][own])
    assert (run.log.data["injector_ms"][logged] < same - 0.1).all()  # the meter misses the air that was pushed aside
    assert "nitrous_duty_percent" not in run.log.data
    assert run.log.data["nitrous_on"].max() == 1
    assert gas.drawn.sum() == pytest.approx(gas.nitrous.valve.sum(), rel=1e-4)


# files ----------------------------------------------------------------------------------------------------------------------


def test_demo_log_in_the_folder_is_what_its_script_makes(makes):
    assert {p.stem for p in DATA.glob("*.csv")} == set(makes.LOGS)
    truth = tomllib.loads((DATA / "truth.toml").read_text(encoding="utf-8"))
    assert set(truth) == set(makes.LOGS)
    for name in ("wren_late_fuel", "wren_base"):
        made, file = makes.make(name), (DATA / f"{name}.csv").read_text(encoding="utf-8")
        text = makes.log_text(name, made)
        assert file.count("\n") == text.count("\n")
        if file != text:  # another processor: the last digit of a cell may differ
            for a, b in zip(file.splitlines(), text.splitlines(), strict=True):
                for left, right in zip(a.split(","), b.split(","), strict=True):
                    assert left == right or float(left) == pytest.approx(float(right), rel=2e-3, abs=0.11)
        assert truth[name]["coefficient"] == pytest.approx(made.truth.coefficient, rel=1e-5)
        assert truth[name]["events_s"]["lift"] == pytest.approx(made.truth.events["lift"], abs=1e-3)


def test_demo_logs_are_small_and_each_in_a_dialect_of_its_own(makes):
    assert len({style for _, _, style in makes.LOGS.values()}) == len(makes.LOGS)
    for path in DATA.glob("*.csv"):
        assert 40_000 < path.stat().st_size < 250_000
        lines = path.read_text(encoding="utf-8").splitlines()
        assert 700 < len(lines) < 1700


def test_dialects_write_every_sample_once_in_their_units(runs):
    log = runs["clean"].log
    row = text_of(log, "us names").splitlines()[501].split(",")
    names = text_of(log, "us names").splitlines()[0].split(",")
    cell = dict(zip(names, row, strict=True))
    assert float(cell["wideband_afr_AFR"]) == pytest.approx(log.data["lambda_"][500] * 14.7, abs=0.006)
    assert float(cell["bottle_pres_psi"]) == pytest.approx(log.data["bottle_kpa"][500] / 6.894757, abs=0.51)
    assert float(cell["coolant_temp_F"]) == pytest.approx(log.data["coolant_c"][500] * 1.8 + 32, abs=0.51)
    slow = [line.split(",") for line in text_of(log, "slow blank").splitlines()]
    bottle = [r[slow[0].index("bottle pressure [kPa]")] for r in slow[1:]]
    assert all((cell != "") == (k % 5 == 0) for k, cell in enumerate(bottle))
    decimal = text_of(log, "semicolon").splitlines()
    assert decimal[1].startswith("s;")
    assert "," in decimal[300]
    assert "." not in decimal[300]
    with pytest.raises(InputError, match="dialect"):
        text_of(log, "carved in stone")


@pytest.mark.parametrize("style", STYLES)
def test_every_dialect_keeps_its_rows_of_one_length(runs, style):
    lines = text_of(runs["base"].log, style).splitlines()[len(STYLES[style].head) :]
    assert len({line.count(STYLES[style].delimiter) for line in lines}) == 1
