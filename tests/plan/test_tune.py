"""The tune: read off the map at the dose that really comes in, and exact on the tuner's own breakpoints."""

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError, plan_shot
from kernel_lib.engine.setup import Setup, spray_speeds
from kernel_lib.plan.own_tables import own_tables
from kernel_lib.plan.power import firing_of
from kernel_lib.plan.pulsing import Pulsing
from kernel_lib.plan.ramp import OVER_RPM, drawn, typed
from kernel_lib.plan.room import READ_SHORT, added_fuel_key, dose_map
from kernel_lib.plan.spark import Limits
from kernel_lib.plan.timing import Shares
from kernel_lib.plan.tune import strongest, tune_of, tune_rows

WREN, BADGER = (BuildSheet.demo(name) for name in ("wren_five", "badger_eight"))
CARS = {"wren": WREN, "badger": BADGER, "badger pulsed": BADGER.replace({"nitrous.progressive": True})}


@pytest.fixture(scope="module", params=CARS)
def car(request):
    return request.param


@pytest.fixture(scope="module")
def tune(car):
    return tune_of(CARS[car])


@pytest.fixture(scope="module")
def nothing():
    return tune_of(WREN.replace({"limits.power_hp": 60.0}))


def read_up(deg):
    """A retard read off the map: with what is added for reading, up to the next half degree."""
    return np.ceil(2 * (np.asarray(deg) + READ_SHORT) - 1e-6) / 2


# --- the table


def test_kind_and_blockers(car, tune):
    assert tune.pulsed == (car != "badger")
    assert bool(tune.blockers) == (car == "badger")
    assert all(text.endswith(".") for text in tune.blockers)
    assert (tune.table["share_percent"] > 0).all()


def test_fuel_is_that_of_a_direct_plan(car, tune):
    """Its ends with the valve off by its own error to either side, small flow with the small share."""
    sheet, rows = CARS[car], tune.table
    share = rows["share_percent"].to_numpy() / 100
    low, high = Pulsing.of(sheet).band(share) if tune.pulsed else (share, share)
    plan = plan_shot(sheet, rpm=rows["rpm"], share=Shares(low, share, high)).table
    key = added_fuel_key(sheet, "kg_h")
    for column in (key, f"{key}_low", f"{key}_high", "nitrous_kg_s", "nitrous_kg_s_low", "nitrous_kg_s_high"):
        assert rows[column].to_numpy() == pytest.approx(plan[column].to_numpy(), rel=2e-3), column


def test_retard_is_that_of_the_strongest_cycle(car, tune):
    sheet, rows = CARS[car], tune.table
    share = rows["share_percent"].to_numpy() / 100
    peak = rows["strongest_percent"].to_numpy() / 100
    assert peak == pytest.approx(strongest(sheet, tune.ramp, rows["rpm"], share))
    assert (peak >= share - 1e-12).all()
    if not tune.pulsed:
        assert peak == pytest.approx(share)
    need = tune.room.at("first_hit_deg", rows["rpm"], peak)
    retard = rows["retard_deg"].to_numpy()
    assert retard == pytest.approx(read_up(need))
    assert ((retard >= need + READ_SHORT - 1e-6) & (retard < need + READ_SHORT + 0.5)).all()
    assert (2 * retard % 1 == 0).all()
    own = Setup.of(sheet).timing_deg(rows["rpm"].to_numpy())
    assert rows["timing_deg_btdc"].to_numpy() == pytest.approx(own - retard)


def test_peak_pressure_keeps_the_owners_limit(car, tune):
    limit = Limits.of(CARS[car], firing_of(CARS[car]), tune.table["rpm"]).P_max / 1e5
    assert (tune.table["peak_pressure_bar_high"] <= limit * (1 + 1e-4)).all()


def test_power_adds_up(tune):
    rows, speed = tune.table, tune.table["rpm"] * 2 * np.pi / 60
    assert rows["power_hp"].to_numpy() == pytest.approx((rows["power_own_hp"] + rows["power_gain_hp"]).to_numpy())
    for name in ("", "_own"):
        watt = rows[f"power{name}_hp"] * 745.6999  # NIST SP 811
        assert rows[f"torque{name}_nm"].to_numpy() == pytest.approx((watt / speed).to_numpy(), rel=1e-6)


def test_bands_stand_in_order(tune):
    names = [n.removesuffix("_low") for n in tune.table if n.endswith("_low") and tune.table[n].notna().all()]
    assert len(names) > 10
    for name in names:
        low, best, high = (tune.table[f"{name}{end}"].to_numpy() for end in ("_low", "", "_high"))
        assert (low <= best + 1e-9).all(), name
        assert (best <= high + 1e-9).all(), name


def test_where_nothing_flows_the_row_is_the_engines_own():
    """Nothing flows where the ramp asks for less than the smallest pulse, and that is told."""
    ramp, pulsing = drawn(WREN, 0.0, 0.6), Pulsing.of(WREN)
    tune = tune_of(WREN, ramp)
    flows = ramp.over_rpm(tune.table["rpm"]) >= pulsing.least
    assert 1 < (~flows).sum() < len(flows)
    still, rest = tune.table[~flows], tune.table[flows]
    assert (still["share_percent"] == 0).all()
    assert (still["power_own_hp"] > 0).all()
    blank = ["retard_deg", "power_gain_hp", "nitrous_kg_s", "peak_pressure_bar_high", "valve_duty_percent"]
    assert still[blank].isna().all(axis=None)
    assert rest[blank].notna().all(axis=None)
    little = still["rpm"][ramp.over_rpm(still["rpm"]) > 0]
    said = [text for text in tune.blockers if "less than the" in text]
    assert len(said) == 1
    assert said[0].startswith(f"At {little.min():.0f} to {little.max():.0f} rpm the ramp asks for less than the ")


def test_a_share_too_large_to_be_pulsed_is_an_open_valve():
    pulsing = Pulsing.of(WREN)
    share = 0.5 * (pulsing.most + 1)
    row = tune_of(WREN, typed(OVER_RPM, [2500, 6000], [100 * share, 100 * share])).table
    assert row["share_percent"].to_numpy() == pytest.approx(100.0)
    assert row["valve_duty_percent"].to_numpy() == pytest.approx(100.0)


def test_a_ramp_past_the_window_is_told():
    tune = tune_of(WREN, typed(OVER_RPM, [6500, 7000], [40, 60]))
    assert any(
        text.startswith("The ramp begins at 6500 rpm, past the window of 2500 to 6000") for text in tune.blockers
    )


def test_more_dose_takes_no_less_retard_and_fuel():
    room = dose_map(WREN)
    ramp = drawn(WREN, 0.5, 0.5)
    shares = (0.15, 0.3, 0.45, 0.6)
    rows = [tune_rows(WREN, room, ramp, room.rpm, np.full(len(room.rpm), s)) for s in shares]
    for column in ("retard_deg", "fuel_speed_density_kg_h", "nitrous_kg_s", "rule_deg"):
        values = np.array([r[column] for r in rows])
        assert (np.diff(values, axis=0) >= 0).all(), column


def test_valve_duty_passes_the_share_back():
    tune, pulsing = tune_of(WREN), Pulsing.of(WREN)
    duty = tune.table["valve_duty_percent"].to_numpy() / 100
    assert pulsing.share(duty) == pytest.approx(tune.table["share_percent"].to_numpy() / 100)


# --- limits that allow nothing


def test_nothing_fits_and_the_tune_still_comes(nothing):
    assert nothing.blockers[0].startswith("No nitrous fits under these limits at any rpm, because of ")
    assert (nothing.table["share_percent"] == 0).all()
    assert nothing.table["power_own_hp"].notna().all()
    assert len(nothing.dosed.rpm) == 0
    assert nothing.guards() == nothing.proposals == []
    assert nothing.ladder.steps == []


@pytest.mark.parametrize("kind", ["full hit", "over rpm", "stages"])
def test_nothing_fits_is_the_first_blocker_of_any_ramp(kind):
    changes = {"limits.power_hp": 60.0, "ramp.kind": kind}
    if kind != "full hit":
        changes |= {"ramp.rpm": [3000.0, 5000.0], "ramp.share_percent": [40.0, 80.0]}
    said = tune_of(WREN.replace(changes)).blockers
    assert said[0].startswith("No nitrous fits under these limits at any rpm, because of ")


def test_rehearsal_where_nothing_flows(nothing):
    assert nothing.rehearsal.fuel_share == 0
    assert nothing.rehearsal.table.empty
    assert nothing.rehearsal.sentences == ["Nothing flows at any speed: there is nothing to rehearse."]


def test_ramp_beyond_the_limits_is_blocked():
    tune = tune_of(WREN, typed(OVER_RPM, [2500, 6000], [80, 80]))
    assert any(text.startswith("From 2500 to ") and "peak pressure" in text for text in tune.blockers)


def test_slow_pulses_pass_the_lean_stop():
    slow = WREN.replace({"nitrous.pulse_hz": 2.0})
    said = tune_of(slow, drawn(slow, 0.4, 0.4)).blockers
    assert any("Between pulses at 2 Hz the leanest cycle" in text for text in said)
    assert not any("Between pulses" in text for text in tune_of(WREN).blockers)


@pytest.mark.parametrize(
    "bore",
    [
        2.4,
        4.0,
    ],
)
def test_a_nozzle_too_large_is_told_as_the_nozzle(bore):
    """Beyond what leaves room for air the plan is refused, and the field is the nozzle."""
    with pytest.raises(InputError) as caught:
        tune_of(BADGER.replace({"nitrous.nozzle_diameter_mm": bore}))
    assert caught.value.field == "nitrous.nozzle_diameter_mm"
    assert caught.value.value == bore


# --- stages


STAGED = BADGER.replace({"ramp.kind": "stages", "ramp.rpm": [3300.0, 4825.0], "ramp.share_percent": [40.0, 90.0]})


def test_stages_have_rows_where_they_open_and_just_before():
    tune = tune_of(STAGED)
    table = tune.table.set_index("rpm")
    regular = set(spray_speeds(STAGED))
    assert set(table.index) == regular | {3290.0, 3300.0, 4815.0, 4825.0}
    assert table["share_percent"][[3290.0, 3300.0, 4815.0, 4825.0]].tolist() == pytest.approx([0.0, 40.0, 40.0, 90.0])
    assert table["retard_deg"][4825.0] > table["retard_deg"][4815.0]
    assert (np.diff(tune.table["rpm"]) > 0).all()


def test_stage_note_names_speed_and_retard():
    tune = tune_of(STAGED)
    out = tune.table.set_index("rpm")["retard_deg"]
    assert tune.stage_note.startswith(
        f"Stages open at 3300 rpm ({out[3300.0]:g} degrees out) and 4825 rpm ({out[4825.0]:g} degrees out):"
    )
    assert "one 10 rpm before" in tune.stage_note
    assert tune_of(BADGER).stage_note == tune_of(WREN).stage_note == ""


# --- on the tuner's own breakpoints

NODES = (0.2, 0.5, 0.8)


@pytest.fixture(scope="module")
def pulsed():
    return tune_of(WREN)


def test_own_tables_are_exact_at_the_maps_points(pulsed):
    """Duties that pass a share of the map, at its speeds: what a direct plan says there."""
    room, pulsing = pulsed.room, Pulsing.of(WREN)
    own = own_tables(pulsed, room.rpm, 100 * pulsing.duty(np.array(NODES)))
    for k, share in enumerate(NODES):
        plan = plan_shot(WREN, rpm=room.rpm, share=Shares(share, share, share)).table
        reach = plan["reachable"].to_numpy()
        assert own.fuel_kg_h[reach, k] == pytest.approx(plan["fuel_speed_density_kg_h"].to_numpy()[reach], rel=1e-9)
        assert own.fuel_percent[reach, k] == pytest.approx(plan["fuel_added_percent"].to_numpy()[reach], rel=1e-9)
        assert own.fuel_ms[reach, k] == pytest.approx(plan["fuel_added_ms"].to_numpy()[reach], rel=1e-9)
        peak = pulsing.strongest(room.rpm, np.full(len(room.rpm), share))
        assert own.retard_deg[:, k] == pytest.approx(read_up(room.at("first_hit_deg", room.rpm, peak)))
        assert own.allowed[:, k].tolist() == (peak <= room.most_at(room.rpm) + 1e-6).tolist()


def test_own_tables_of_a_full_hit_are_the_direct_plan():
    tune = tune_of(BADGER)
    rpm = tune.room.rpm
    own, plan = own_tables(tune, rpm), plan_shot(BADGER).table
    at = np.isin(rpm, plan["rpm"])
    reach = plan["reachable"].to_numpy()
    assert own.fuel_kg_h[at, 0] == pytest.approx(plan["fuel_mass_air_kg_h"].to_numpy(), rel=1e-9)
    assert own.retard_deg[at, 0][reach] == pytest.approx(read_up(plan["first_hit_deg"].to_numpy()[reach]))
    assert own.duty_percent.tolist() == [100.0]
    assert own.duty_at.tolist() == [100.0] * len(rpm)


def test_own_duty_is_that_of_the_ramp(pulsed):
    own = own_tables(pulsed, pulsed.table["rpm"], [50.0])
    assert own.duty_at == pytest.approx(pulsed.table["valve_duty_percent"].to_numpy())


EDGES = [1000, 2499, 2500, 4000, 6000, 6001, 8000]


def test_own_tables_are_held_outside_the_window(pulsed):
    """Fuel and retard of the window's end; nothing flows there, so no limit is broken."""
    own = own_tables(pulsed, EDGES, [0, 5, 30, 100])
    assert own.inside.tolist() == [False, False, True, True, True, False, False]
    for values in (own.fuel_kg_h, own.fuel_percent, own.fuel_ms, own.retard_deg):
        assert (values[:2] == values[2]).all()
        assert (values[5:] == values[4]).all()
        assert (values[:, 2:] > 0).all()
    assert (own.duty_at[~own.inside] == 0).all()
    assert (own.duty_at[own.inside] > 0).all()
    assert own.allowed[~own.inside].all()
    assert not own_tables(pulsed, EDGES, [100]).allowed[2, 0]  # all of it at the window's first speed


def test_no_fuel_where_the_valve_does_not_open(pulsed):
    """Duty 0, and 5 %, told to open for less than its opening time; retard there is that of the smallest pulse."""
    own, pulsing = own_tables(pulsed, EDGES, [0, 5, 30, 100]), Pulsing.of(WREN)
    for values in (own.fuel_kg_h, own.fuel_percent, own.fuel_ms):
        assert (values[:, :2] == 0).all()
    least = 100 * float(pulsing.duty(pulsing.least))
    assert 5 < least < 30
    smallest = own_tables(pulsed, EDGES, [least]).retard_deg
    assert (own.retard_deg[:, :2] == smallest).all()
    assert own.allowed[:, :2].all()


def test_no_limit_is_broken_where_nothing_flows(pulsed):
    assert own_tables(pulsed, [1000, 4000, 8000], [0, 100]).allowed[[0, 2]].all()


@pytest.mark.parametrize("start", [2750.0, 2500.0, 2990.0])
def test_a_controller_that_draws_lines_has_timing_and_fuel_in_full_at_the_windows_ends(start):
    """Beside either end a line comes from a row outside; it may miss no more than lines inside the window do."""
    tune = tune_of(BADGER)
    own = own_tables(tune, np.arange(start, 7300.0, 500.0))
    first, last = tune.room.rpm[[0, -1]]
    key = added_fuel_key(BADGER, "kg_h")
    for rpm, outside in ((first, own.rpm[own.rpm <= first].max()), (last, own.rpm[own.rpm >= last].min())):
        need, fuel = tune.room.at("first_hit_deg", rpm, 1.0), tune.room.at(key, rpm, 1.0)
        assert outside in own.rpm[~own.inside] or outside == rpm
        k = own.rpm.tolist().index(outside)
        assert own.fuel_kg_h[k, 0] == pytest.approx(float(fuel))
        assert not np.isfinite(need) or own.retard_deg[k, 0] >= need


def test_a_controller_that_draws_lines_never_takes_too_little_retard():
    tune = tune_of(BADGER)
    own = own_tables(tune, np.arange(2750.0, 6800.0, 500.0))
    rpm = np.arange(3000.0, 6700.0, 50.0)
    need = tune.room.at("first_hit_deg", rpm, np.ones(len(rpm)))
    known = np.isfinite(need)
    assert (np.interp(rpm, own.rpm, own.retard_deg[:, 0])[known] >= need[known] - 0.5).all()


@pytest.mark.parametrize(
    ("rpm", "duty", "field", "value", "unit"),
    [
        ([3000, 3000], [50], "tables.rpm", 3000.0, "rpm"),
        ([4000, 3000], [50], "tables.rpm", 3000.0, "rpm"),
        ([400, 3000], [50], "tables.rpm", 400.0, "rpm"),
        ([3000, 13000], [50], "tables.rpm", 13000.0, "rpm"),
        ([3000, np.inf], [50], "tables.rpm", np.inf, "rpm"),
        ([3000], [50, 40], "tables.duty_percent", 40.0, "%"),
        ([3000], [-1], "tables.duty_percent", -1.0, "%"),
        ([3000], [50, 101], "tables.duty_percent", 101.0, "%"),
        (np.linspace(1000, 8000, 41), [50], "tables.rpm", 41, "values"),
        ([], [50], "tables.rpm", 0, "values"),
        ([3000], [], "tables.duty_percent", 0, "values"),
    ],
)
def test_bad_breakpoints_are_refused(pulsed, rpm, duty, field, value, unit):
    with pytest.raises(InputError) as caught:
        own_tables(pulsed, rpm, duty)
    exc = caught.value
    assert (exc.field, exc.value, exc.unit) == (field, value, unit)
    assert any(c.isdigit() for c in exc.allowed)
    assert exc.reason.endswith(".")


def test_nan_is_refused_as_a_breakpoint(pulsed):
    with pytest.raises(InputError, match=r"tables.rpm is nan rpm; allowed: 500 to 12000 rpm"):
        own_tables(pulsed, [3000, np.nan], [50])


@pytest.mark.parametrize("bad", [["fast"], [[3000, 4000]], [3000, None, "x"], "fast", {"a": 1}])
def test_words_are_refused_as_breakpoints(pulsed, bad):
    for field, args in (("tables.rpm", (bad, [50])), ("tables.duty_percent", ([3000], bad))):
        with pytest.raises(InputError) as caught:
            own_tables(pulsed, *args)
        assert (caught.value.field, caught.value.allowed) == (field, "a row of numbers")
