"""The fit of the car to its logs: laws of what lambda can tell, recovery of truths it was not shown, coverage, refusals."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.signal import lfilter

from kernel_lib import BuildSheet, InputError
from kernel_lib.band import DENSITY_EXPONENT, FILM_SHARE, FILM_TIME, HYDROGEN_WEIGHT, WALL_HEAT_SHARE
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.logs import fit_solve as fs
from kernel_lib.logs.drawn import by_wall
from kernel_lib.logs.fit import fit, updated
from kernel_lib.logs.fit_told import AIR_OVER_INJECTORS, NOZZLE_OVER_INJECTORS, OXYGEN, SURE, TREND_TOLD
from kernel_lib.logs.mixture import MixtureModel
from kernel_lib.logs.sensor import dead_s, lagged
from kernel_lib.logs.simulate import SCENARIOS, simulate
from kernel_lib.plan import fuel as pf
from kernel_lib.thermo.wideband import shown_many

STEP, COARSE = 0.01, 6
SEEDS = 200


@functools.cache
def wren(**changes) -> BuildSheet:
    return BuildSheet.demo("wren_five").replace({k.replace("__", "."): v for k, v in changes.items()})


@dataclass(frozen=True)
class Truth:
    """Factors on the sheet's numbers, and what no sheet holds."""

    air: float = 1.0
    trend: float = 0.0
    nozzle: float = 1.0
    injectors: float = 1.0
    wall: float = WALL_HEAT_SHARE.best
    exponent: float = DENSITY_EXPONENT.best
    hydrogen: float = HYDROGEN_WEIGHT.best
    valve_s: float = 0.0
    own_wall: float = fs.OWN_WALL
    added_wall: float = FILM_SHARE.best
    wall_s: float = FILM_TIME.best
    late_pulses: float = 0.5


@dataclass(frozen=True, eq=False)
class Pulled:
    """As much of a course as a fit reads."""

    time_s: np.ndarray
    rpm: np.ndarray
    share: np.ndarray
    flow: np.ndarray
    fuel: np.ndarray
    measured: np.ndarray
    settled: np.ndarray
    fuel_basis: str = "injector open time"
    bottle_kpa: np.ndarray | None = None
    trim_percent: np.ndarray | None = None


def pulled(
    sheet: BuildSheet, truth: Truth, *, spray: bool = True, seconds: float = 4.5, rng=None, most: float = 1.0
) -> Pulled:
    """A pull of a car with that truth; the charge straight from `fresh_charge`, the gauge from `shown_many`, noise as a gauge and an engine have it."""
    model, setup = MixtureModel.of(sheet), Setup.of(sheet)
    time = np.arange(0.0, seconds, STEP)
    rpm = 2500 + 3600 * time / seconds
    share = np.clip((rpm - 3000) / 1500, 0.0, 1.0) * most if spray else np.zeros_like(time)
    flow = share * model.full_flow
    own, added = model.fuel_own(rpm, flow), model.fuel_added(rpm, flow)
    drawn_in = _by_wall(time, own, truth.own_wall, truth.wall_s) + _by_wall(time, added, truth.added_wall, truth.wall_s)
    fuel = own + by_wall(added, STEP)  # as a course has it
    late = truth.late_pulses / sheet.nitrous.pulse_hz
    there = np.interp(time - late, time, share)
    few = slice(None, None, COARSE) if rng is not None else slice(None)  # smooth in time: points between are on a line
    shown = _shown(sheet, setup, truth, rpm[few], there[few], model.full_flow, drawn_in[few])
    shown = np.interp(time, time[few], shown)
    phi = lagged(time, 1 / shown, dead_s(sheet, rpm, flow), sheet.controller.sensor_delay_ms / 1e3)
    measured = 1 / phi if rng is None else _noisy(phi, rng)
    return Pulled(time, rpm, share, flow, fuel, measured, time > 0.5, bottle_kpa=np.full_like(time, 6500.0))


def _by_wall(time, fuel, share, tau):
    """Fuel of which a share comes by a wall that lags."""
    return fuel + share * (lagged(time, fuel, 0.0, tau) - fuel)


def _shown(sheet, setup, truth, rpm, share, full, fuel):
    low, high = setup.rpm_table[0], setup.rpm_table[-1]
    u = (2 * rpm - low - high) / (high - low)
    pulsed = (share > 0) & (share < 1)
    longer = np.where(pulsed, truth.valve_s * sheet.nitrous.pulse_hz, 0.0)
    flow = truth.nozzle * full * np.maximum(share + longer, 0.0)
    air = truth.air * (1 + truth.trend * u)
    charge = fresh_charge(
        setup, rpm, flow / air, wall_share=truth.wall, exponent=truth.exponent
    )  # of so much less of both
    lam = pf.lambda_with(setup, charge, fuel * truth.injectors / air)
    return shown_many(
        setup.fuel, lam, charge.nitrous_fraction, charge.water_fraction, np.full(len(rpm), truth.hydrogen)
    )


def _noisy(phi, rng):
    """Single cycles (1.5 %) through the sensor, its own noise (0.004), and a slow drift (0.003 over 3 s)."""
    n, keep, slow = len(phi), np.exp(-STEP / 0.08), np.exp(-STEP / 3.0)
    cycles = lfilter([1 - keep], [1, -keep], rng.normal(0, 0.015, n) * np.sqrt(0.007 / STEP))
    drift = lfilter([np.sqrt(1 - slow**2)], [1, -slow], rng.normal(0, 0.003, n), zi=[slow * rng.normal(0, 0.003)])[0]
    return 1 / (phi * (1 + cycles)) + rng.normal(0, 0.004, n) + drift


def drawn(rng, weighed: float = 0.035) -> Truth:
    """A truth out of the priors."""
    return Truth(
        air=1 + rng.uniform(-0.03, 0.03),
        trend=rng.uniform(-0.03, 0.03),
        nozzle=1 + rng.normal(0.0, weighed),
        injectors=1 + rng.uniform(-0.03, 0.03),
        wall=rng.uniform(),
        exponent=rng.uniform(),
        hydrogen=rng.triangular(1.0, 2.0, 3.7),
        valve_s=rng.uniform(-0.005, 0.005),
        added_wall=(film := rng.uniform(FILM_SHARE.low, FILM_SHARE.high)),
        own_wall=film * rng.uniform(),
        wall_s=rng.uniform(FILM_TIME.low, FILM_TIME.high),
        late_pulses=rng.uniform(),
    )


def named(found) -> dict[str, tuple[float, float]]:
    return {text: (value, error) for text, value, error in found.combinations}


def parameter(found, word: str):
    return next(p for p in found.parameters if word in p.name)


@functools.cache
def clean(spray: bool = False, seed: int = 5, **truth) -> Pulled:
    return pulled(wren(), Truth(**truth), spray=spray, rng=np.random.default_rng(seed))


def test_scaling_air_nozzle_and_injectors_together_leaves_lambda():
    """Law: no reading changes, so no log can tell."""
    sheet = wren()
    one, other = (pulled(sheet, Truth(k, 0.0, k, k)) for k in (1.0, 1.1))
    assert np.abs(one.measured - other.measured).max() < 1e-9


def test_no_log_tells_that_direction():
    """Law: it is the direction of the smallest singular value, which is nothing, and without priors no single one of the three is told."""
    sheet, rng = wren(), np.random.default_rng(1)
    found = fit([pulled(sheet, Truth(), spray=k, rng=rng) for k in (False, True)], sheet)
    values, directions = found.solved.seen
    assert values[-1] < 1e-3 * values[0]
    names = [found.names[k] for k in found.solved.main]
    scaled = directions[-1] * found.solved.sd[found.solved.main]
    level, nozzle, injectors = (
        scaled[names.index(n)] / (1 + found.solved.steps[found.names.index(n)])
        for n in (fs.LEVEL, fs.NOZZLE, fs.INJECTOR)
    )
    assert level == pytest.approx(injectors, rel=1e-2)
    assert nozzle == pytest.approx(injectors, rel=1e-2)
    for word in ("volumetric efficiency", "nozzle", "injector"):
        assert parameter(found, word).identifiable != "by these logs"
    for k in range(3):
        weights = np.eye(len(names))[names.index((fs.LEVEL, fs.NOZZLE, fs.INJECTOR)[k])]
        assert found.solved.data_sd(weights) == np.inf


def test_recovers_without_noise():
    """Own forward arrays, no noise, no priors on what is looked for: level, trend and nozzle over injectors to a thousandth."""
    sheet, truth = wren(), Truth(1.012, -0.014, 1.03, 0.99)
    base, hit = (pulled(sheet, truth, spray=k) for k in (False, True))
    begun = hit.time_s[hit.share > 0][0]  # a flow that begins is not told to a thousandth
    hit = replace(hit, settled=hit.settled & ((hit.time_s < begun) | (hit.time_s > begun + 1.0)))
    found = fit([base, hit], sheet, prior=False)
    level, nozzle = 1 + found.solved.steps[0], 1 + found.solved.steps[found.names.index(fs.NOZZLE)]
    injectors = 1 + found.solved.steps[found.names.index(fs.INJECTOR)]
    assert level / injectors == pytest.approx(truth.air / truth.injectors, abs=1e-3)
    assert found.solved.steps[found.names.index(fs.TREND)] == pytest.approx(truth.trend, abs=1e-3)
    assert nozzle / injectors == pytest.approx(truth.nozzle / truth.injectors, abs=1e-3)
    assert found.rms_after < 2e-4
    assert found.rms_before > 0.01


def test_nothing_told_leaves_what_was_known():
    """Law: without readings the priors stay as they are."""
    sheet = wren()
    seen = fit([clean(), clean(spray=True)], sheet)
    every = fs.unknowns(sheet, list(seen.windows))
    solved = fs.solve(sheet, [], every)
    assert np.abs(solved.steps).max() == 0.0
    assert np.sqrt(np.diag(solved.covariance)) == pytest.approx(solved.sd)


def test_another_pull_never_widens():
    """Law: whatever it reads, as far as the slopes stay (they are taken at the solution)."""
    sheet, rng = wren(), np.random.default_rng(3)
    truth = drawn(rng)
    pulls = [pulled(sheet, truth, spray=k > 0, rng=rng, most=m) for k, m in ((0, 1), (1, 0.5), (1, 0.75), (0, 1))]
    before = np.full(4, np.inf)
    for n in range(2, 5):
        now = fit(pulls[:n], sheet).covariance.diagonal()[:4]
        assert (now <= before * 1.002).all()
        before = now


def test_a_weigh_in_narrows_the_injectors():
    """The better the nozzle is known, the better lambda on nitrous tells the injectors; the cooling leaves little of it."""
    errors = []
    for error in (0.01, 0.05, 0.3):
        sheet, rng = wren(nitrous__discharge_error=error), np.random.default_rng(4)
        found = fit([pulled(sheet, Truth(), spray=k, rng=rng) for k in (False, True)], sheet)
        errors.append(parameter(found, "injector").error)
    assert errors[0] < errors[1] < errors[2]


def test_coverage():
    """Truths drawn from the priors: the intervals hold 90 to 99 of 100."""
    sheet, inside = wren(), {}
    for seed in range(SEEDS):
        rng = np.random.default_rng(seed)
        truth = drawn(rng)
        found = fit([pulled(sheet, truth, spray=k, rng=rng) for k in (False, True)], sheet)
        assert not found.refused, found.refused
        told = named(found)
        true = {AIR_OVER_INJECTORS: truth.air / truth.injectors, TREND_TOLD: truth.trend}
        for text, value in true.items():
            inside.setdefault(text, []).append(abs(told[text][0] - value) <= told[text][1])
        nozzle = parameter(found, "nozzle")
        inside.setdefault("nozzle", []).append(abs(nozzle.after - 0.71 * truth.nozzle) <= nozzle.error)
        k, i = found.names.index(fs.NOZZLE), found.names.index(fs.INJECTOR)
        sums = np.eye(len(found.names))[k] - np.eye(len(found.names))[i]
        off = sums @ found.solved.steps - (truth.nozzle - truth.injectors)
        inside.setdefault("nozzle over injectors", []).append(
            abs(off) <= SURE * np.sqrt(sums @ found.covariance @ sums)
        )
    shares = {text: float(np.mean(v)) for text, v in inside.items()}
    print(shares)
    assert all(0.9 <= share <= 0.99 for share in shares.values()), shares


def test_refuses_too_little():
    base = clean()
    found = fit([replace(base, settled=base.time_s > 4.0)], wren())
    assert "a fit needs 150 (1.5 s)" in found.refused
    assert "50 settled readings" in found.refused
    assert not found.sheet_changes
    assert "No pull at full throttle" in fit([], wren()).refused
    assert "No pull at full throttle" in fit([None], wren()).refused


def test_refuses_without_lambda_and_doubts():
    base = clean()
    assert "hold no lambda" in fit([replace(base, measured=np.full_like(base.measured, np.nan))], wren()).refused
    said = "The two lambda sensors differ by 0.05."
    assert fit([base], wren(), doubts=(said,)).refused == said
    with pytest.raises(InputError, match="BuildSheet"):
        fit([base], "wren")


def test_refuses_what_contradicts_itself():
    """One of three base pulls with 4 % more air: it is named."""
    pulls = [clean(seed=1), clean(seed=2, air=1.04), clean(seed=3)]
    found = fit(pulls, wren(), names=("Monday", "Tuesday", "Friday"))
    assert "contradict" in found.refused
    assert "Tuesday reads" in found.refused
    assert "leaner" in found.refused
    assert not fit([pulls[0], pulls[2]], wren()).refused


def test_refuses_a_misfire():
    """Half a second that reads lean with nothing in fuel or nitrous to make it so."""
    base = clean()
    lean = np.where((base.time_s > 2.5) & (base.time_s < 3.1), 0.09, 0.0)
    found = fit([replace(base, measured=base.measured + lean)], wren(), names=("the third pull",))
    assert "the third pull" in found.refused
    assert "leaner" in found.refused
    assert "misfire" in found.refused


def test_refuses_hardware_that_is_not_on_the_sheet():
    """Injectors of 374 in place of 440 cm3/min, and a nozzle that passes 1.7 times what the scale said: told what they would have to be."""
    found = fit([clean(injectors=0.85)], wren())
    assert "37" in found.refused
    assert "cm3/min and not 440" in found.refused
    assert "hardware" in found.refused
    assert all(p.after == p.before for p in found.parameters)
    found = fit([clean(), clean(spray=True, nozzle=1.7)], wren())
    assert "coefficient would have to be about 1." in found.refused
    assert "Weigh the nozzle in again" in found.refused
    found = fit([clean(trend=0.07)], wren())
    assert "end of the table" in found.refused


def test_refuses_a_trim_whose_fuel_nobody_knows():
    base = clean()
    trimmed = replace(base, trim_percent=np.full_like(base.time_s, 4.0))
    assert not fit([trimmed], wren()).refused
    assert "lambda correction acts" in fit([replace(trimmed, fuel_basis="as planned")], wren()).refused


def test_without_bottle_pressure_the_nozzle_is_known_less_well():
    pulls = [clean(), clean(spray=True)]
    with_it, without = fit(pulls, wren()), fit([pulls[0], replace(pulls[1], bottle_kpa=None)], wren())
    k = with_it.names.index(fs.NOZZLE)
    information = [np.linalg.inv(np.linalg.inv(f.covariance)[k : k + 1, k : k + 1]) for f in (with_it, without)]
    assert information[0].shape == (1, 1)
    assert without.solved.data_sd(np.eye(4)[2] - np.eye(4)[3]) > with_it.solved.data_sd(np.eye(4)[2] - np.eye(4)[3])
    assert any("bottle's pressure was not logged" in note for note in without.notes)


def test_updated_sheet_reads_nearer_to_the_log():
    """Put on the sheet, the fit predicts lambda nearer than the sheet did; only what moved is changed."""
    sheet, rng = wren(), np.random.default_rng(8)
    truth = Truth(1.025, -0.015, 1.03, 0.985)
    pulls = [pulled(sheet, truth, spray=k, rng=rng) for k in (False, True)]
    found = fit(pulls, sheet)
    assert set(found.sheet_changes) == {"engine.full_throttle.volumetric_efficiency_percent"}
    better = updated(sheet, found)
    again = fit(pulls, better)
    assert again.rms_before < 0.5 * found.rms_before
    value, error = named(again)[AIR_OVER_INJECTORS]
    assert abs(value - 1) < error
    assert not again.sheet_changes
    still = fit([clean(), clean(spray=True)], sheet)
    assert not still.sheet_changes
    assert updated(sheet, still) is sheet


def test_only_the_sum_that_logs_tell_is_told():
    found = fit([clean(), clean(spray=True)], wren())
    told = named(found)
    assert AIR_OVER_INJECTORS in told
    assert TREND_TOLD in told
    assert NOZZLE_OVER_INJECTORS not in told
    assert any(text.startswith(OXYGEN) for text in told)
    assert parameter(found, "trend").identifiable == "by these logs"
    assert parameter(found, "injector").identifiable == "only together"
    assert parameter(found, "nozzle").identifiable == "not"
    assert "weigh-in" in parameter(found, "nozzle").because
    fixed, together, known = found.in_words
    assert AIR_OVER_INJECTORS in fixed
    assert "±" in fixed
    assert "injector flow" in together
    assert "volumetric efficiency" in together
    assert known.startswith("Told by what was known before alone: nozzle")


def base_of(sheet: BuildSheet, seed: int):
    """A simulated base pull as a fit reads it, straight from the log's channels, and its truth."""
    simulated = simulate(SCENARIOS["base"], seed)
    log, model = simulated.log, MixtureModel.of(sheet)
    full = log.get("throttle_percent") > 95
    first, last = np.flatnonzero(full)[[0, -1]]
    part = slice(first, last - 10)
    rpm = log.get("rpm")[part]
    fuel = model.fuel_injected(rpm, open_ms=log.get("injector_ms")[part], fuel_kpa=log.get("fuel_kpa")[part])
    time, none = log.time_s[part], np.zeros(len(rpm))
    return Pulled(time, rpm, none, none, fuel, log.get("lambda_")[part], time > time[0] + 0.6), simulated.truth


def test_simulated_base_pulls():
    """Twenty cars of the forward simulation, which shares no code with the fit: level and trend within their errors as often as they claim."""
    sheet = wren()
    table = sheet.engine.full_throttle.rpm
    middle, half = (table[0] + table[-1]) / 2, (table[-1] - table[0]) / 2
    inside = []
    for seed in range(20):
        base, truth = base_of(sheet, seed)
        told = named(fit([base], sheet))
        air = float(truth.air(middle))
        for text, true in (
            (AIR_OVER_INJECTORS, air / truth.injector_scale),
            (TREND_TOLD, truth.air_slope * half / 1e3 / air),
        ):
            value, error = told[text]
            assert error < 0.02
            inside.append(abs(value - true) <= error)
    assert np.mean(inside) >= 0.9
