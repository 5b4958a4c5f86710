"""How sure: laws of the sampling, against a direct plan at a corner, and what is refused."""

import functools
from dataclasses import replace

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError
from kernel_lib.band import Band
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.firing import cases_of
from kernel_lib.engine.setup import Setup
from kernel_lib.plan import fuel as pf
from kernel_lib.plan import unknowns as un
from kernel_lib.plan.dose import Dosed
from kernel_lib.plan.fault_rows import Sprayed
from kernel_lib.plan.plan import full_flow
from kernel_lib.plan.power import firing_of
from kernel_lib.plan.risk import EVENTS, Chance, monte_carlo
from kernel_lib.plan.risk_model import OUTCOMES, Model
from kernel_lib.plan.spark import Limits, doubted
from kernel_lib.plan.supply import flow_band
from kernel_lib.thermo import fuels
from kernel_lib.thermo.mixture import Mixture
from kernel_lib.thermo.wideband import shown_lambda, shown_many

WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")


def dose(sheet, share=0.5, retard=4.0, rpm=(3000.0, 4500.0, 6000.0)):
    rpm = np.array(rpm)
    return Dosed(rpm, np.full(len(rpm), share), np.full(len(rpm), retard), full_flow(sheet))


def points(sheet, **values):
    """Every band shrunk to its likely value, or to the one given by name."""
    return {
        u.name: Band(v, v, v, "test") for u in un.unknowns(sheet) for v in [values.get(u.name, u.band.best)]
    }  # fmt: skip


@functools.cache
def risk(sheet=WREN, samples=200, seed=1):
    return monte_carlo(sheet, dose(sheet), samples=samples, seed=seed)


def test_no_doubt_is_the_plan():
    found = monte_carlo(WREN, dose(WREN), samples=16, bands=points(WREN))
    for name in OUTCOMES:
        plan = found.quantiles[f"{name}_plan"].to_numpy()
        assert found.outcomes[name] == pytest.approx(np.broadcast_to(plan, (16, 3)), rel=1e-12)
    assert found.quantiles["lambda_mean_plan"].to_numpy() == pytest.approx(WREN.engine.lambda_with_nitrous)
    assert (found.ranked[["lambda", "pressure", "knock"]] == 0).all().all()


def test_same_seed_same_result():
    again = monte_carlo(WREN, dose(WREN), samples=200, seed=1)
    assert again.quantiles.equals(risk().quantiles)
    assert again.ranked.equals(risk().ranked)
    assert not risk(seed=2).quantiles.equals(risk().quantiles)


def test_chunks_do_not_matter(monkeypatch):
    from kernel_lib.plan import risk as module

    monkeypatch.setattr(module, "CHUNK", 90)
    again = monte_carlo(WREN, dose(WREN), samples=200, seed=1)
    for name in OUTCOMES:
        assert again.outcomes[name] == pytest.approx(risk().outcomes[name], rel=1e-9)


@pytest.mark.parametrize(("name", "quantity"), [(un.FLAME, "pressure"), (un.SENSOR, "lambda_mean"), (un.NOZZLE, "lambda_mean"), (un.OCTANE, "knock")])  # fmt: skip
def test_a_wider_range_spreads_more(name, quantity):
    spans = []
    for half in (0.02, 0.05):
        bands = points(WREN)
        best = bands[name].best
        bands[name] = Band(best - half, best, best + half, "test")
        table = monte_carlo(WREN, dose(WREN), samples=64, bands=bands).quantiles
        spans.append((table[f"{quantity}_95"] - table[f"{quantity}_5"]).to_numpy())
    assert (spans[1] > 1.5 * spans[0]).all()
    assert (spans[0] > 0).all()


def test_quantiles_rise():
    table = risk().quantiles
    for name in OUTCOMES:
        values = table[[f"{name}_{q}" for q in (5, 25, 50, 75, 95)]].to_numpy()
        assert (np.diff(values, axis=1) >= 0).all()


@pytest.mark.parametrize("sheet", [WREN.replace({"nitrous.progressive": False}), BADGER], ids=["dry", "wet"])
def test_a_corner_is_a_direct_plan(sheet):
    """Warm bottle, large flow, no heat from walls, a fast flame, little octane: as a single run of each has it."""
    jet = {un.JET: 0.95} if sheet.nitrous.system == "wet" else {un.INJECTORS: -0.02}
    values = {
        un.TEMPERATURE: 2.0,
        un.NOZZLE: 1.05,
        un.WALL: 0.0,
        un.EXPONENT: 1.0,
        un.FLAME: 1.15,
        un.OCTANE: -1.0,
        un.KNOCK: 1.1,
        un.SENSOR: 0.01,
        **jet,
    }
    dosed = dose(sheet)
    found = monte_carlo(sheet, dosed, samples=16, bands=points(sheet, **values))
    setup, firing, target = Setup.of(sheet), firing_of(sheet), sheet.engine.lambda_with_nitrous
    T = setup.T_bottle
    exact = Band(0.0, 0.0, 0.0, "test")
    flow = dosed.flow * 1.05 * flow_band(sheet, T + 2.0, T_error=exact).best / flow_band(sheet, T_error=exact).best
    hot, engine, control = replace(setup, T_bottle=T + 2.0), sheet.engine, sheet.controller
    mean, more = (fresh_charge(hot, dosed.rpm, flow * k, wall_share=0.0, exponent=1.0) for k in (1.0, 1.1))

    def own(charge):
        return pf.fuel_supplied(
            setup, charge, dosed.rpm, engine.lambda_without_nitrous, control.metering, control.intake_sensor
        )

    meant = fresh_charge(setup, dosed.rpm, dosed.flow)
    added = pf.fuel_for(setup, meant, target) - own(meant)
    fuel = own(mean) * engine.lambda_without_nitrous / (engine.lambda_without_nitrous - 0.01)
    fuel = fuel + added * (0.95 if sheet.nitrous.system == "wet" else 0.98)
    assert found.outcomes["lambda_mean"][3] == pytest.approx(pf.lambda_with(setup, mean, fuel), rel=2e-4)
    lambda_ = pf.lambda_with(setup, more, fuel)
    assert found.outcomes["lambda_worst"][3] == pytest.approx(lambda_, rel=2e-4)
    cases = cases_of(setup, more, dosed.rpm, lambda_).assign(octane_ron=setup.octane_ron - 1.0)
    burn = firing.burn(cases, doubted(1.15, cases["nitrous_fraction"]))
    row = firing.fire(cases, burn, firing.at("timing_deg_btdc", dosed.rpm) - dosed.retard_deg)
    limits = Limits.of(sheet, firing, dosed.rpm)
    assert found.outcomes["pressure"][3] == pytest.approx(row["P_max"].to_numpy() / limits.P_max, rel=1e-3)
    knock = row["knock_integral"].to_numpy() * doubted(1.1, cases["nitrous_fraction"]) / limits.knock
    assert found.outcomes["knock"][3] == pytest.approx(knock, rel=3e-3)
    assert found.outcomes["exhaust_K"][3] == pytest.approx(row["T_burned_evo"].to_numpy(), rel=1e-3)
    shown = [
        shown_lambda(Mixture(setup.fuel, float(v), float(x), water_fraction=float(w)))
        for v, x, w in zip(found.outcomes["lambda_mean"][3], mean.nitrous_fraction, mean.water_fraction, strict=True)
    ]
    assert found.outcomes["lambda_shown"][3] == pytest.approx(np.array(shown) + 0.01, abs=2e-4)


def test_an_error_of_the_air_alone_leaves_lambda_nearly_alone():
    """The base map takes it up; what is left is the added fuel's share of a charge with more or less air to share the nitrous with."""
    ends = [
        monte_carlo(WREN, dose(WREN), samples=16, bands=points(WREN, **{un.AIR: v})).outcomes for v in (-0.03, 0.03)
    ]
    assert np.abs(ends[1]["lambda_mean"] - ends[0]["lambda_mean"]).max() < 0.01
    assert np.abs(ends[1]["pressure"] - ends[0]["pressure"]).max() < 0.03  # the limit has the same air


def test_a_limit_far_away_is_never_crossed():
    far = WREN.replace(
        {"limits.lean_stop_lambda": 1.1, "limits.peak_pressure_rise_percent": 60, "limits.exhaust_rise_k": 1000}
    )
    chances = monte_carlo(far, dose(far, share=0.1, retard=10.0), samples=200).chances
    assert set(chances) == set(EVENTS)
    for name in ("lean", "lean worst", "lean shown", "pressure", "exhaust"):
        assert chances[name].share == 0
        assert chances[name].low == 0
        assert 0 < chances[name].high < 0.03


def test_a_limit_below_is_always_crossed():
    near = WREN.replace({"limits.lean_stop_lambda": 0.8})
    assert monte_carlo(near, dose(near), samples=64).chances["lean worst"].share == 1.0


def test_sampling_error_of_a_chance():
    """Wilson's interval: half of 1000 is known to 3 %."""
    half = Chance.of("test", np.arange(1000) % 2 == 0)
    assert half.share == 0.5
    assert half.high - half.low == pytest.approx(2 * 1.96 * np.sqrt(0.25 / 1000), rel=0.01)


def test_flame_rules_pressure_and_the_walls_rule_knock():
    ranked = risk().ranked.set_index("input")
    assert ranked["pressure"].idxmax() == un.FLAME
    assert ranked["knock"].idxmax() in (un.WALL, un.FLAME)
    assert 0.7 < ranked["pressure"].sum() < 1.3
    assert (ranked[["lambda", "pressure", "knock"]] >= 0).all().all()


def test_wet_cars_have_jets_and_unpulsed_ones_no_valve():
    names = [u.name for u in un.unknowns(BADGER)]
    assert un.JET in names
    assert un.INJECTORS not in names
    assert un.VALVE not in names
    assert un.VALVE in [u.name for u in un.unknowns(WREN)]


def test_without_a_bore_the_share_of_work_stands_for_the_flow():
    sheet = WREN.replace({"nitrous.nozzle_diameter_mm": None})
    band = {u.name: u.band for u in un.unknowns(sheet)}[un.NOZZLE]
    assert band.low < 1 < band.high
    assert monte_carlo(sheet, dose(sheet), samples=16).chances["not computed"].share == 0


def test_samples_fill_their_range():
    """Each of as many equally likely parts is hit once; the middle of a triangle is met more often."""
    drawn = un.draw(un.unknowns(WREN), 400, 3)
    assert np.histogram(drawn[un.WALL], bins=40, range=(0, 1))[0] == pytest.approx(10)
    octane = drawn[un.OCTANE]
    assert np.abs(octane).max() <= 1
    assert (np.abs(octane) < 0.5).mean() == pytest.approx(0.75, abs=0.01)


def test_progress_is_told_and_may_end_the_run():
    seen = []
    monte_carlo(WREN, dose(WREN), samples=1500, progress=lambda done, of: seen.append((done, of)), bands=points(WREN))
    assert seen[-1] == (1500, 1500)
    assert len(seen) > 1

    class Stopped(Exception):
        pass

    def stop(*_):
        raise Stopped

    with pytest.raises(Stopped):
        monte_carlo(WREN, dose(WREN), samples=3000, progress=stop)


def test_at_most_eight_speeds_with_the_ends():
    model = monte_carlo(WREN, dose(WREN, rpm=np.linspace(2500, 6000, 15)), samples=16)
    assert len(model.rpm) == 8
    assert model.rpm[[0, -1]].tolist() == [2500.0, 6000.0]


def test_no_room_for_air_is_not_computed():
    """A flow far beyond the plan's is counted as not computed, not as kept."""
    low = dose(WREN, share=1.0, retard=10.0, rpm=(1500.0, 4500.0))
    sample = un.likely(un.unknowns(WREN)) | {un.NOZZLE: np.array([4.0])}
    out = Model.of(Sprayed.of(WREN, low)).outcomes(sample)
    assert np.isnan(out["pressure"][0, 0])


def test_shown_many_is_shown_lambda():
    fuel, rng = fuels.get("gasoline"), np.random.default_rng(5)
    lambda_, x, w, weight = (
        rng.uniform(0.7, 1.3, 40),
        rng.uniform(0, 0.4, 40),
        rng.uniform(0, 0.03, 40),
        rng.uniform(1, 3.7, 40),
    )
    many = shown_many(fuel, lambda_, x, w, weight)
    each = [
        shown_lambda(Mixture(fuel, a, b, water_fraction=c), d)
        for a, b, c, d in zip(lambda_.tolist(), x.tolist(), w.tolist(), weight.tolist(), strict=True)
    ]
    assert many == pytest.approx(np.array(each), abs=3e-6)


@pytest.mark.parametrize(
    ("how", "match"),
    [
        ({"samples": 3}, "samples is 3"),
        ({"seed": -1}, "seed is -1"),
        ({"bands": {"moon": Band(0, 0, 0, "")}}, "Only these are sampled"),
    ],
)
def test_bad_input(how, match):
    with pytest.raises(InputError, match=match):
        monte_carlo(WREN, dose(WREN), **how)


def test_no_nitrous_no_hit():
    with pytest.raises(InputError, match="Without nitrous there is no hit"):
        monte_carlo(WREN, dose(WREN, share=0.0))


@pytest.mark.parametrize("sheet", [WREN, BADGER], ids=["dry", "wet"])
def test_burn_angles_from_near_are_those_solved_in_full(sheet, monkeypatch):
    """As the docstring of `_near` states."""
    near = monte_carlo(sheet, dose(sheet), samples=200).outcomes
    monkeypatch.setattr(Model, "_near", lambda *_: None)
    full = monte_carlo(sheet, dose(sheet), samples=200).outcomes
    for name in ("pressure", "knock", "exhaust"):
        off = np.abs(near[name] / full[name] - 1)
        assert np.isnan(near[name]).sum() == np.isnan(full[name]).sum()
        assert np.nanquantile(off, 0.95) < 3e-4
        assert np.nanmax(off) < 0.01
