"""The ladder from a first small step to the plan, and the rehearsal before it with the bottle shut."""

import math

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.plan.fuel_system import jet_flow
from kernel_lib.plan.ladder import STEPS_KNOWN, STEPS_UNKNOWN, ladder, unknown_parts
from kernel_lib.plan.power import shot_power
from kernel_lib.plan.pulsing import Pulsing
from kernel_lib.plan.ramp import drawn
from kernel_lib.plan.rehearsal import CAUGHT_S, FIRING_ROOM, rehearsal
from kernel_lib.plan.room import added_fuel_key, dose_map
from kernel_lib.plan.tune import tune_of

WREN, BADGER = (BuildSheet.demo(name) for name in ("wren_five", "badger_eight"))
CARS = {"wren": WREN, "badger": BADGER}
SENSOR, INJECTORS = 0.02, 0.03
"""Error of a wide-band in lambda and of the injectors' flow, as band.py states them."""


@pytest.fixture(scope="module", params=CARS)
def car(request):
    return request.param


@pytest.fixture(scope="module")
def tune(car):
    return tune_of(CARS[car])


@pytest.fixture(scope="module")
def wren():
    return tune_of(WREN)


# --- the ladder


def test_unknown_parts_make_the_first_step_smaller(car, tune):
    """The five has no ring end gap on its sheet; the eight knows everything that carries the load."""
    fractions = tuple(step.share for step in tune.ladder.steps)
    assert fractions == {"wren": STEPS_UNKNOWN, "badger": STEPS_KNOWN}[car]
    assert unknown_parts(CARS[car]) == {"wren": ["ring end gap"], "badger": []}[car]
    assert ("Nobody has written down ring end gap" in tune.ladder.reason) == (car == "wren")
    assert f"{100 * fractions[0]:.0f} % of the plan" in tune.ladder.reason
    assert STEPS_UNKNOWN[0] < STEPS_KNOWN[0]


@pytest.mark.parametrize(
    "part", ["piston", "rods", "head_gasket", "head_fasteners", "leak_down_percent", "ring_end_gap_mm"]
)
def test_each_part_that_carries_load_counts(part):
    sheet, d = BADGER.replace({f"parts.{part}": None}), tune_of(BADGER).dosed
    assert [s.share for s in ladder(sheet, dose_map(BADGER), d.rpm, d.share, None).steps] == list(STEPS_UNKNOWN)


def test_the_nozzle_is_weighed_in_first():
    assert "has not been weighed in" in tune_of(BADGER).ladder.reason
    assert "weighed in" not in tune_of(WREN).ladder.reason


def test_steps_rise_and_the_last_is_the_plan(car, tune):
    steps, d = tune.ladder.steps, tune.dosed
    assert [s.share for s in steps] == sorted(s.share for s in steps)
    assert [s.hp for s in steps] == sorted(s.hp for s in steps)
    last = steps[-1]
    assert last.share == 1
    assert last.flow == pytest.approx(d.flow)
    assert last.retard_deg == pytest.approx(d.retard_deg)
    row = tune.table.iloc[(tune.table["rpm"] - CARS[car].engine.peak_power_rpm).abs().argmin()]
    key = added_fuel_key(CARS[car], "kg_h")
    assert last.fuel_kg_h.best == pytest.approx(row[key])
    k = d.rpm.tolist().index(row["rpm"])
    assert last.hp == pytest.approx(shot_power(CARS[car], float(d.flow[k])))
    assert bool(last.obstacle) == bool(tune.blockers)


def test_steps_are_fractions_of_the_plan(tune, car):
    pulsing = Pulsing.of(CARS[car])
    for step in tune.ladder.steps:
        share = tune.dosed.share * step.share
        share = pulsing.floor(share) if tune.pulsed else share
        assert step.flow == pytest.approx(share * tune.room.full_flow)
        assert step.fuel_kg_h.low <= step.fuel_kg_h.best <= step.fuel_kg_h.high
        known = np.isfinite(step.retard_deg)
        assert (known == (share > 0)).all()
        assert (2 * step.retard_deg[known] % 1 == 0).all()


def test_each_step_takes_no_less_retard_than_the_one_before(tune):
    for before, after in zip(tune.ladder.steps, tune.ladder.steps[1:], strict=False):
        both = np.isfinite(before.retard_deg) & np.isfinite(after.retard_deg)
        assert (after.retard_deg[both] >= before.retard_deg[both]).all()


def test_a_valve_that_is_not_pulsed_takes_a_smaller_nozzle():
    """The flow goes with the bore squared: three quarters of it through 0.87 of the bore."""
    half, more, whole = tune_of(BADGER).ladder.steps
    fitted = BADGER.nitrous.nozzle_diameter_mm
    assert (whole.bore_mm.low, whole.bore_mm.best, whole.bore_mm.high) == (fitted, fitted, fitted)
    assert half.bore_mm.best < more.bore_mm.best < fitted
    assert more.bore_mm.best / half.bore_mm.best == pytest.approx(math.sqrt(0.75 / 0.5), rel=0.02)
    assert half.bore_mm.low <= half.bore_mm.best <= half.bore_mm.high
    assert more.bore_mm.best == pytest.approx(BADGER.nitrous.nozzle_diameter_mm * math.sqrt(0.75), rel=0.03)


def test_a_pulsed_valve_keeps_its_nozzle(wren):
    assert all(step.bore_mm is None for step in wren.ladder.steps)


def test_fuel_jets_of_the_steps():
    """A jet passes what its bore squared does: fuel of a step over that of the whole; the whole takes the jet that passes the plan's fuel."""
    steps, setup = tune_of(BADGER).ladder.steps, Setup.of(BADGER)
    whole = steps[-1]
    for step in steps:
        assert 0 < step.jet_mm.low <= step.jet_mm.best <= step.jet_mm.high
        part = step.fuel_kg_h.best / whole.fuel_kg_h.best
        assert step.jet_mm.best / whole.jet_mm.best == pytest.approx(math.sqrt(part), rel=1e-6)
        passed = 3600 * float(jet_flow(BADGER, setup, step.jet_mm.best))
        assert passed == pytest.approx(step.fuel_kg_h.best, rel=1e-6)
    assert [s.jet_mm.best for s in steps] == sorted(s.jet_mm.best for s in steps)


def test_a_pulsed_jet_passes_the_fuel_of_the_whole_flow():
    """Pulsed with the nitrous, so every step keeps nearly the same jet: larger than a share of the flow alone would take."""
    sheet = BADGER.replace({"nitrous.progressive": True})
    tune = tune_of(sheet)
    for step in tune.ladder.steps:
        k = int(np.abs(np.where(step.flow > 0, step.rpm, np.inf) - sheet.engine.peak_power_rpm).argmin())
        passed = 3600 * float(jet_flow(sheet, Setup.of(sheet), step.jet_mm.best))
        assert passed * step.flow[k] / tune.room.full_flow == pytest.approx(step.fuel_kg_h.best, rel=1e-6)


def test_a_dry_car_has_no_jets(wren):
    assert all(step.jet_mm is None for step in wren.ladder.steps)


def test_retard_in_words(tune):
    for step in tune.ladder.steps:
        known = step.retard_deg[np.isfinite(step.retard_deg)]
        ends = [float(v) for v in step.retard.split(" to ")]
        assert ends == sorted({known.min(), known.max()})


def test_a_broken_limit_stands_at_the_step():
    """All of the flow at 3000 rpm is more than the eight allows, half of it is not."""
    tune = tune_of(BADGER)
    half, more, whole = tune.ladder.steps
    allowed = float(tune.room.most[0])
    assert 0.5 < allowed < 0.75
    assert half.obstacle == ""
    for step in (more, whole):
        assert step.obstacle == f"breaks a limit at 3000 rpm, where {100 * allowed:.0f} % of the full flow is allowed"


def test_a_step_too_small_to_be_pulsed_does_not_spray():
    small = tune_of(WREN, drawn(WREN, 0.15, 0.9))
    first = small.ladder.steps[0]
    assert first.flow[0] == 0
    assert np.isnan(first.retard_deg[0])
    assert first.flow[-1] > 0


def test_gates_and_logs(tune, car):
    steps = tune.ladder.steps
    for step in steps:
        assert {"lambda", "timing", "bottle pressure", "fuel pressure"} <= set(step.log)
        assert ("injector duty" in step.log) == (car == "wren")
        assert f"all {CARS[car].engine.cylinders} plugs" in step.plugs
        assert any("knock" in gate for gate in step.gate)
    assert all("the next step" in s.gate[-1] for s in steps[:-1])
    assert "the next step" not in steps[-1].gate[-1]


# --- the rehearsal


def test_lambda_from_the_fuel_masses(wren):
    """Air over (stoichiometric ratio times fuel): the same air, the fuel of the engine's own target and the part switched on."""
    setup, r = Setup.of(WREN), wren.rehearsal
    rpm, rows = r.table["rpm"].to_numpy(), wren.table
    air = (
        fresh_charge(setup, rpm, 0.0).dry_air * 28.965e-3 * setup.cycles_per_second(rpm)
    )  # kg/s, mean molar mass of dry air
    own = air / (setup.fuel.afr_stoich * WREN.engine.lambda_without_nitrous)
    added = rows["fuel_speed_density_kg_h"].to_numpy() / 3600
    expected = air / (setup.fuel.afr_stoich * (own + r.fuel_share * added))
    assert r.table["lambda_"].to_numpy() == pytest.approx(expected, rel=1e-3)
    assert r.table["gauge_afr"].to_numpy() == pytest.approx(expected * 14.7, rel=1e-3)


def test_never_richer_than_what_fires(car, tune):
    sheet, r = CARS[car], tune.rehearsal
    floor = sheet.limits.misfire_rich_lambda + FIRING_ROOM
    assert FIRING_ROOM == 0.02
    assert r.table["lambda_"].min() >= floor
    if 0 < r.fuel_share < 1:  # the largest of its steps
        without = sheet.engine.lambda_without_nitrous
        more = without / (1 + (without / r.table["lambda_"] - 1) * (r.fuel_share + 0.05) / r.fuel_share)
        assert more.min() < floor


@pytest.mark.parametrize("misfire", [0.5, 0.65, 0.75, 0.8])
def test_never_richer_whatever_still_fires(wren, misfire):
    sheet, rows = WREN.replace({"limits.misfire_rich_lambda": misfire}), wren.table
    r = rehearsal(sheet, rows["rpm"], rows["fuel_speed_density_kg_h"] / 3600, rows["retard_deg"])
    assert r.table["lambda_"].min() >= misfire + 0.02
    assert (r.fuel_share == 1) == (misfire <= 0.65)


def test_pass_marks_hold_the_likely_value_and_both_errors(tune):
    table = tune.rehearsal.table
    assert (table["lambda_low"] <= table["lambda_"] - SENSOR + 1e-12).all()
    assert (table["lambda_"] + SENSOR - 1e-12 <= table["lambda_high"]).all()
    for end in ("", "_low", "_high"):
        lam = table[f"lambda{end or '_'}"]
        assert table[f"gauge_afr{end}"].to_numpy() == pytest.approx(14.7 * lam.to_numpy())


def test_pass_marks_by_hand(wren):
    """Injectors off by 3 % on the added part, and the sensor by 0.02."""
    r, without = wren.rehearsal, WREN.engine.lambda_without_nitrous
    part = without / r.table["lambda_"] - 1
    assert r.table["lambda_low"].to_numpy() == pytest.approx(
        (without / (1 + part * (1 + INJECTORS)) - SENSOR).to_numpy()
    )
    assert r.table["lambda_high"].to_numpy() == pytest.approx(
        (without / (1 + part * (1 - INJECTORS)) + SENSOR).to_numpy()
    )


def test_timing_light_shows_the_known_good_less_the_retard(car, tune):
    table, rows = tune.rehearsal.table, tune.table
    own = np.interp(rows["rpm"], CARS[car].engine.full_throttle.rpm, CARS[car].engine.full_throttle.timing_deg_btdc)
    assert table["own_timing_deg_btdc"].to_numpy() == pytest.approx(own)
    assert table["timing_deg_btdc"].to_numpy() == pytest.approx(own - rows["retard_deg"].to_numpy())
    assert table["timing_deg_btdc"].to_numpy() == pytest.approx(rows["timing_deg_btdc"].to_numpy())


def test_a_jet_that_drowns_the_engine_is_not_rehearsed_at_full_throttle():
    r = tune_of(BADGER).rehearsal
    assert r.fuel_share == 0
    assert any("do not rehearse the fuel at full throttle" in text for text in r.sentences)
    setup = Setup.of(BADGER)
    per_second = float(jet_flow(BADGER, setup, 0.85)) / setup.fuel.density  # m3/s
    assert r.caught_ml == pytest.approx(per_second * 1e6 * CAUGHT_S)
    assert any(f"about {r.caught_ml:.0f} mL" in text for text in r.sentences)


def test_no_added_fuel_changes_nothing():
    r = rehearsal(WREN, [3000.0, 5000.0], 0.0, 0.0)
    assert r.fuel_share == 1
    assert r.table["lambda_"].to_numpy() == pytest.approx(WREN.engine.lambda_without_nitrous)
    assert r.table["timing_deg_btdc"].to_numpy() == pytest.approx(r.table["own_timing_deg_btdc"].to_numpy())


def test_the_bottle_is_shut_first(tune):
    sentences = tune.rehearsal.sentences
    assert sentences[0].startswith("Shut the bottle")
    assert all(text.endswith(".") and "nan" not in text for text in sentences)
