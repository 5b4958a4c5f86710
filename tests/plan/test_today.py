"""Today against the plan: laws, what forbids to spray, and what is refused."""

import dataclasses
import functools

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError, plan_shot
from kernel_lib.band import JET_COEFFICIENT
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.plan import fuel as pf
from kernel_lib.plan.fuel_system import jet_flow, wet_lambda
from kernel_lib.plan.today import GO, HOLD, NOTE, Now, compare, ethanol_share, other_fuel, planned, todays_sheet
from kernel_lib.plan.today_reasons import CHANGE
from kernel_lib.plan.today_rows import NOISE, lambda_unchanged
from kernel_lib.thermo import species as sp
from kernel_lib.thermo.vessel import vessel_state

WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")
WEIGHED = {
    "nitrous.discharge_coefficient": 0.62,
    "nitrous.discharge_error": 0.05,
    "nitrous.discharge_temperature_c": 29.0,
    "nitrous.discharge_bore_mm": 1.65,
}
READY = BADGER.replace(WEIGHED | {"nitrous.bottle_temperature_c": 32.0, "nitrous.pass_s": 5.0})
"""Badger with its nozzle weighed in and its bottle in the window: its own day is a go."""
UNWEIGHED = dict.fromkeys(WEIGHED)
CARS = pytest.mark.parametrize("sheet", [WREN, BADGER], ids=["wren", "badger"])


@functools.lru_cache(maxsize=None, typed=True)
def on(sheet, **changes):
    """Today's comparison with some of the day's numbers changed."""
    return compare(sheet, dataclasses.replace(Now.of(sheet), **changes))


def kinds(today, weight=HOLD):
    return [reason.kind for reason in today.reasons if reason.weight == weight]


class TestLaws:
    """What holds whatever the car."""

    @pytest.mark.parametrize("sheet", [WREN, READY], ids=["wren", "badger weighed"])
    def test_the_plans_own_day_changes_nothing(self, sheet):
        today = on(sheet)
        assert today.verdict == GO
        assert today.sheet == sheet
        assert {change.key for change in today.changes} >= {"lambda", "fuel", "flow", "power", "pressure", "passes"}
        for change in today.changes:
            assert (change.change.low, change.change.best, change.change.high) == pytest.approx((0, 0, 0), abs=1e-12)
            assert not change.beyond
        assert today.reasons == ()

    @CARS
    def test_rows_are_those_of_two_plans(self, sheet):
        """The likely numbers stand in the plan of today's own sheet."""
        today = on(sheet, bottle_temperature_c=15.0)
        plan, other = planned(sheet), planned(sheet.replace({"nitrous.bottle_temperature_c": 15.0}))
        for key, was, now in (
            ("flow", 1e3 * plan.flow.best, 1e3 * other.flow.best),
            ("power", plan.power.best, other.power.best),
        ):
            row = today.row(key)
            assert (row.plan.best, row.now.best) == pytest.approx((was, now))
            assert row.change.best == pytest.approx(100 * (now / was - 1), abs=1e-9)
        fuel = today.row("fuel")
        key = "fuel_speed_density_kg_h" if sheet is WREN else "fuel_mass_air_kg_h"
        k = int((plan.table["rpm"] - sheet.engine.peak_power_rpm).abs().argmin())
        assert fuel.plan.best == pytest.approx(plan.table[key].iloc[k])
        assert fuel.change.best == pytest.approx(
            100 * (other.table[key].iloc[k] / plan.table[key].iloc[k] - 1), abs=1e-6
        )

    @CARS
    def test_colder_bottle_passes_less_and_runs_rich(self, sheet):
        """Monotonic; and lambda by an oxygen count of our own, with no function of the plan in it."""
        flows, strays = [], []
        for T in (15.0, 20.0):
            today = on(sheet, bottle_temperature_c=T)
            row = today.row("lambda")
            flows.append(today.row("flow").now.best / 1e3)
            strays.append(row.change.best)
            assert today.verdict == "change"
            assert row.now.best == pytest.approx(_own_lambda(sheet, today.sheet, row.rpm, flows[-1]), rel=1e-4)
        assert np.all(np.diff(flows) > 0)
        assert np.all(np.diff(strays) > 0)
        assert strays[-1] < 0
        assert flows[-1] < planned(sheet).flow.best

    def test_thin_air_is_followed_by_the_controller(self):
        """A third of the way up a mountain: the flow stays, and lambda within its noise."""
        today = on(WREN, barometer_kpa=84.0, air_temperature_c=8.0)
        assert today.verdict == GO
        assert abs(today.row("flow").change.best) < 0.1
        assert kinds(today, NOTE) == ["other place"]
        assert today.sheet.engine.full_throttle_manifold_kpa == pytest.approx(97.8 * 84.0 / 99.6)

    @pytest.mark.parametrize(
        "sheet", [WREN, BADGER.replace({"nitrous.fuel_jet_diameter_mm": None})], ids=["wren", "badger without a jet"]
    )
    def test_with_the_same_fuel_and_air_it_is_lambda_at_flow(self, sheet):
        rpm = np.array([3000.0, 6000.0])
        expected = pf.lambda_at_flow(sheet, Setup.of(sheet), rpm, 0.04, 0.03)
        assert lambda_unchanged(sheet, sheet, rpm, 0.04, 0.03) == pytest.approx(expected, rel=1e-12)

    def test_a_fitted_jet_stays(self):
        """Whatever the plan meant to flow: the lambda of the pair."""
        rpm, setup = np.array([3000.0, 6000.0]), Setup.of(BADGER)
        pair = wet_lambda(BADGER, setup, rpm, 0.03, jet_flow(BADGER, setup, 0.85))
        for meant in (0.02, 0.04):
            assert lambda_unchanged(BADGER, BADGER, rpm, meant, 0.03) == pytest.approx(pair, rel=1e-12)

    def test_altitude_gives_way_to_todays_barometer(self):
        """Another barometer is another place: the plan's altitude is not held against it."""
        assert on(BADGER, barometer_kpa=90.0).sheet.site.altitude_m is None

    def test_without_a_nozzle_the_wanted_flow_is_the_plans(self):
        """A bore that passes it is found, and a cold bottle then shows."""
        sheet = WREN.replace(UNWEIGHED | {"nitrous.nozzle_diameter_mm": None})
        wanted = 1e3 * plan_shot(sheet).flow.best
        assert on(sheet).verdict == CHANGE
        assert kinds(on(sheet), CHANGE) == ["no nozzle"]
        assert kinds(on(sheet)) == []
        row = on(sheet, bottle_temperature_c=12.0).row("flow")
        assert row.plan.best == pytest.approx(wanted, rel=1e-3)
        assert row.change.best < -10

    def test_emptier_bottle_only_has_fewer_passes(self):
        today = on(WREN, bottle_fill_kg=3.0)
        assert today.verdict == GO
        assert kinds(today, NOTE) == ["passes"]
        assert 0 < today.row("passes").now.best < today.row("passes").plan.best


def _jet_demand(sheet, setup):
    """Oxygen atoms [mol/s] that the fitted jet's fuel asks for: C A sqrt(2 rho dp), 400 kPa gauge into the manifold."""
    need = mass = 0.0
    for name, x in setup.fuel.composition.items():
        atoms = sp.atoms(name)
        need += x * (2 * atoms.get("C", 0) + atoms.get("H", 0) / 2 - atoms.get("O", 0))
        mass += x * (12.011 * atoms.get("C", 0) + 1.008 * atoms.get("H", 0) + 15.999 * atoms.get("O", 0)) / 1000
    area = np.pi / 4 * (sheet.nitrous.fuel_jet_diameter_mm / 1e3) ** 2
    across = 400e3 + 1e3 * sheet.value("site.barometer_kpa") - setup.P_manifold
    return JET_COEFFICIENT.best * area * np.sqrt(2 * setup.fuel.density * across) * need / mass


def _own_lambda(sheet, today, rpm, flow):
    """Oxygen of air and nitrous over the fuel's demand, atom by atom; the fuel of the plan's day, or the jet, stays."""
    then, now, meant = Setup.of(sheet), Setup.of(today), planned(sheet).flow.best
    cycles = rpm / 120 * sheet.engine.cylinders

    def air(setup, nitrous):
        return 2 * 0.2095 * float(np.squeeze(fresh_charge(setup, rpm, nitrous).dry_air))

    def atoms(setup, nitrous):
        return air(setup, nitrous) + nitrous / cycles / 0.0440128

    def own(setup, nitrous):
        seen = 0.0 if sheet.controller.metering == "speed-density" else nitrous
        return air(setup, seen) / sheet.engine.lambda_without_nitrous

    if sheet.nitrous.system == "wet":
        added = _jet_demand(sheet, then) / cycles
    else:
        added = atoms(then, meant) / sheet.engine.lambda_with_nitrous - own(then, meant)
    return atoms(now, flow) / (own(now, flow) + added)


class TestFuel:
    """Another fuel in the tank."""

    def test_shares_are_those_of_the_named_fuels(self):
        """What is called E10 and E85 here is what the fuel table mixes."""
        for name, share in (("E10", 10.0), ("E85", 85.0), ("gasoline", 0.0), ("ethanol", 100.0)):
            sheet = WREN.replace({"fuel.name": name})
            assert ethanol_share(sheet) == share
            assert not other_fuel(sheet, dataclasses.replace(Now.of(sheet), ethanol_percent=share))
        assert ethanol_share(BADGER) == 78.0
        assert ethanol_share(WREN.replace({"fuel.name": "methanol"})) is None

    def test_named_anew_it_is_the_same_fuel(self):
        assert on(WREN, fuel_name="gasoline").verdict == GO
        assert on(READY, ethanol_percent=78.0).verdict == GO

    def test_measured_density_belongs_to_the_plans_fuel(self):
        sheet = WREN.replace({"fuel.density_kg_m3": 760.0})
        now = dataclasses.replace(Now.of(sheet), fuel_name="E10")
        assert todays_sheet(sheet, now).fuel.density_kg_m3 is None
        assert todays_sheet(sheet, dataclasses.replace(now, fuel_name="gasoline")) is sheet

    def test_more_ethanol_is_leaner_by_the_stoichiometric_ratio(self):
        """All fuel by the same openings: lambda goes inversely with mass flow times air-fuel ratio."""
        today = on(BADGER, ethanol_percent=84.0)
        now, was = today.sheet.make_fuel(), BADGER.make_fuel()
        row = today.row("lambda")
        expected = was.afr_stoich / now.afr_stoich * np.sqrt(was.density / now.density)
        assert expected > 1.01
        assert row.now.best / row.plan.best == pytest.approx(expected, rel=1e-6)
        assert today.verdict == "change"
        assert kinds(today, NOTE)[0] == "octane not checked"

    def test_wet_names_the_shops_nearest_jet(self):
        """First those that are not leaner than the target, the nearest before all; a colder bottle wants a smaller one."""
        warm, cold = on(BADGER), on(BADGER, bottle_temperature_c=15.0)
        assert {bore for bore, _ in warm.jets} <= set(BADGER.fuel_system.jets_mm)
        target = BADGER.engine.lambda_with_nitrous
        rich, lean = ([v for _, v in warm.jets if (v > target) is leaner] for leaner in (False, True))
        assert [v for _, v in warm.jets] == sorted(rich, reverse=True) + sorted(lean)
        assert rich
        assert lean
        assert cold.jets[0][0] < warm.jets[0][0]
        assert cold.row("jet").now.best < warm.row("jet").now.best
        assert on(WREN).jets == ()

    def test_the_first_jet_is_never_leaner_than_the_target(self):
        """Even where a leaner one is nearer; where all are leaner the least lean comes first."""
        target = BADGER.engine.lambda_with_nitrous
        some = on(BADGER.replace({"fuel_system.jets_mm": [0.75, 0.8, 0.9]}))
        by_bore = dict(some.jets)
        assert by_bore[0.9] < target < by_bore[0.8] < by_bore[0.75]
        assert by_bore[0.8] - target < target - by_bore[0.9]
        assert [bore for bore, _ in some.jets] == [0.9, 0.8, 0.75]
        none = on(BADGER.replace({"fuel_system.jets_mm": [0.6, 0.7]}))
        assert [bore for bore, _ in none.jets] == [0.7, 0.6]
        assert all(value > target for _, value in none.jets)


class TestNotMeasured:
    """What the plan itself leaves open keeps the day from a go."""

    @pytest.mark.parametrize("base", [WREN, READY], ids=["wren", "badger"])
    @pytest.mark.parametrize("T", [20.0, 32.0])
    def test_never_go_for_a_nozzle_nobody_weighed(self, base, T):
        """Never weighed, weighed with another bore, or none: each is said; weighed and in its window it is a go."""
        own = base.nitrous.nozzle_diameter_mm
        assert on(base).verdict == GO
        for changes, kind in (
            (UNWEIGHED, "not weighed"),
            ({"nitrous.discharge_bore_mm": 0.97 * own}, "not weighed"),
            (UNWEIGHED | {"nitrous.nozzle_diameter_mm": None}, "no nozzle"),
        ):
            today = on(base.replace(changes), bottle_temperature_c=T)
            assert today.verdict in (CHANGE, HOLD)
            assert kind in kinds(today, CHANGE)

    def test_a_jet_leaner_than_the_target(self):
        """0.7 mm where about 0.8 mm is wanted."""
        today = on(READY.replace({"nitrous.fuel_jet_diameter_mm": 0.7}))
        (reason,) = [r for r in today.reasons if r.kind == "jet leaner"]
        assert today.verdict == CHANGE
        assert reason.numbers["lambda"] > reason.numbers["target"] + NOISE["lambda"].size
        assert reason.numbers["bore_mm"] == 0.7

    def test_a_pass_that_ends_below_the_window(self):
        """Long enough, the first pass of a bottle in its window leaves it; a short one does not."""
        long = on(READY.replace({"nitrous.pass_s": 20.0}))
        (reason,) = [r for r in long.reasons if r.kind == "ends below"]
        assert long.verdict == CHANGE
        assert reason.numbers["end_kpa"] < READY.nitrous.window_low_kpa < reason.numbers["pressure_kpa"].best


class TestOverfilled:
    """More in the bottle than it is rated for."""

    @pytest.mark.parametrize("T", [5.0, 15.0, 32.0, 35.9, 36.3, 60.0])
    @pytest.mark.parametrize(("sheet", "fill"), [(WREN, 5.0), (READY, 7.5)], ids=["wren", "badger"])
    def test_holds_and_is_never_to_be_warmed(self, sheet, fill, T):
        """Cold, in its window or above critical: the stop is told and no temperature is named."""
        today = on(sheet, bottle_fill_kg=fill, bottle_temperature_c=T)
        assert today.verdict == HOLD
        assert [r.text for r in today.reasons if "more than its rated" in r.text and r.weight == HOLD]
        assert all(r.numbers.get("target_c") is None for r in today.reasons)
        assert not {r.kind for r in today.reasons} & {"below window", "below window as planned", "ends below"}
        assert ("critical" in kinds(today)) == (T > 36)


class TestHold:
    """Each reason that forbids to spray."""

    @pytest.mark.parametrize(
        ("sheet", "changes", "kind"),
        [
            (WREN, {"bottle_temperature_c": 60.0}, "critical"),
            (WREN, {"bottle_temperature_c": 34.0}, "above window"),
            (WREN, {"bottle_fill_kg": 1.2}, "too little"),
            (WREN, {"bottle_fill_kg": 1.0}, "blocker"),
            (WREN, {"bottle_fill_kg": 5.0}, "blocker"),
            (BADGER, {"barometer_kpa": 74.0}, "blocker"),
            (WREN, {"fuel_name": "E85"}, "too lean"),
            (WREN, {"fuel_name": "n-heptane"}, "octane lower"),
            (WREN, {"octane_ron": 91.0}, "octane lower"),
            (WREN, {"fuel_name": "n-octane"}, "octane unknown"),
            (BADGER, {"ethanol_percent": 60.0}, "ethanol lower"),
        ],
    )
    def test_it_holds(self, sheet, changes, kind):
        today = on(sheet, **changes)
        assert today.verdict == HOLD
        assert kind in kinds(today)
        assert today.reasons[0].weight == HOLD

    def test_liquid_full_is_said(self):
        """With what a kelvin adds: the pressure half a kelvin higher, by the vessel; nothing where there is vapour."""
        (reason,) = [r for r in on(WREN, bottle_temperature_c=34.0).reasons if r.kind == "above window"]
        P = [vessel_state(307.15 + d, 4.54, 4.54 / 680).P / 1e3 for d in (0.0, 0.5)]
        assert reason.numbers["per_kelvin_kpa"] == pytest.approx(2 * (P[1] - P[0]), rel=1e-6)
        assert reason.numbers["per_kelvin_kpa"] > 200
        (reason,) = [
            r for r in on(WREN, bottle_temperature_c=35.5, bottle_fill_kg=2.5).reasons if r.kind == "above window"
        ]
        assert reason.numbers["per_kelvin_kpa"] is None

    def test_a_day_that_cannot_be_computed(self):
        """No room for air at some corner: no error, but hold."""
        sheet = BADGER.replace({"nitrous.spray_rpm_min": 2100.0})
        today = on(sheet, barometer_kpa=62.0, air_temperature_c=50.0)
        assert (today.verdict, kinds(today)) == (HOLD, ["not computed"])
        assert today.changes == ()

    def test_what_the_plan_itself_forbids_still_holds(self):
        """And is told as old."""
        sheet = WREN.replace({"fuel_system.injector_flow_cc_min": 250.0})
        assert planned(sheet).blockers
        today = on(sheet)
        assert today.verdict == HOLD
        assert {reason.numbers["new"] for reason in today.reasons if reason.kind == "blocker"} == {False}

    def test_stated_octane_settles_it(self):
        assert "ethanol lower" not in kinds(on(BADGER, ethanol_percent=66.0, octane_ron=104.0))

    def test_window(self):
        """Below: change and the way back to the plan; as low in the plan: a note."""
        today = on(WREN, bottle_temperature_c=20.0)
        assert kinds(today, "change")[0] == "below window"
        assert today.reasons[0].numbers["target_c"] == WREN.nitrous.bottle_temperature_c
        assert kinds(on(BADGER), NOTE) == ["below window as planned"]
        assert on(BADGER, bottle_temperature_c=20.0).reasons[0].numbers["target_is"] == "window"


class TestBadInput:
    """Refused with field, value, unit, range and why."""

    @pytest.mark.parametrize(
        ("changes", "field", "unit"),
        [
            ({"barometer_kpa": 29.4}, "barometer_kpa", "kPa absolute"),
            ({"barometer_kpa": float("nan")}, "barometer_kpa", "kPa absolute"),
            ({"air_temperature_c": 90.0}, "air_temperature_c", "°C"),
            ({"relative_humidity_percent": -1.0}, "relative_humidity_percent", "%"),
            ({"bottle_temperature_c": 85.0}, "bottle_temperature_c", "°C"),
            ({"bottle_temperature_c": "warm"}, "bottle_temperature_c", "°C"),
            ({"bottle_fill_kg": -0.1}, "bottle_fill_kg", "kg"),
            ({"bottle_fill_kg": True}, "bottle_fill_kg", "kg"),
            ({"octane_ron": 10.0}, "octane_ron", "RON"),
            ({"ethanol_percent": 101.0}, "ethanol_percent", "% by volume"),
            ({"ethanol_percent": 50.0, "fuel_name": "E85"}, "ethanol_percent", "%"),
            ({"fuel_name": "diesel"}, "fuel_name", ""),
            ({"fuel_name": 85}, "fuel_name", ""),
        ],
    )
    def test_refused(self, changes, field, unit):
        with pytest.raises(InputError) as caught:
            on(WREN, **changes)
        assert (caught.value.field, caught.value.unit) == (field, unit)
        assert caught.value.allowed
        assert caught.value.reason.endswith(".")

    def test_manifold_out_of_its_range(self):
        """It scales with the barometer, and the sentence names what was typed."""
        sheet = WREN.replace({"engine.full_throttle_manifold_kpa": 55.0})
        with pytest.raises(InputError, match="scales with it"):
            on(sheet, barometer_kpa=70.0)

    def test_not_a_day(self):
        for args in ((WREN, {"barometer_kpa": 99.0}), ("wren", Now.of(WREN))):
            with pytest.raises(InputError):
                compare(*args)


def test_every_noise_has_its_reason():
    """And an unlike fuel can be put in the tank."""
    assert all(noise.size > 0 and noise.because for noise in NOISE.values())
    assert on(WREN, fuel_name="methanol", octane_ron=100.0).sheet.fuel.name == "methanol"


def test_far_too_full_a_bottle_is_only_a_stop():
    """No second sentence says to fill it, and no row sells it."""
    found = compare(WREN, dataclasses.replace(Now.of(WREN), bottle_fill_kg=9.0))
    assert found.verdict == "hold"
    assert {reason.kind for reason in found.reasons} == {"blocker"}
    assert any("more than its rated" in reason.text for reason in found.reasons)
    assert found.changes == ()


def test_no_recipe_for_a_bottle_outside_its_window():
    cold = compare(WREN, dataclasses.replace(Now.of(WREN), bottle_temperature_c=10.0))
    assert {"fuel", "flow"}.isdisjoint({reason.kind for reason in cold.reasons})
    assert "below window" in {reason.kind for reason in cold.reasons}


def test_a_kept_ramp_that_the_planner_forbids_holds_the_day():
    """All at once on the five breaks a limit at its low speeds; a ramp that keeps them holds nothing up."""
    held = on(WREN.replace({"ramp.kind": "full hit"}))
    assert held.verdict == HOLD
    assert any("is allowed by exhaust heat" in reason.text for reason in held.reasons)
    small = {"ramp.kind": "over rpm", "ramp.rpm": [2500.0, 6000.0], "ramp.share_percent": [25.0, 40.0]}
    assert on(WREN.replace(small)).verdict == GO
