"""Oxygen of a charge, what a gauge makes of it, how hot it burns and what is left over: laws and numbers by hand."""

import re

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError
from kernel_lib.engine.charge import fresh_charge, spark_state
from kernel_lib.engine.setup import Setup
from kernel_lib.plan.delivery import mixing
from kernel_lib.plan.fuel import fuel_for, fuel_supplied, lambda_with
from kernel_lib.plan.plan import full_flow, plan_supply
from kernel_lib.teach import charge as tc
from kernel_lib.teach import leftover as tl
from kernel_lib.thermo.equilibrium import equilibrate
from kernel_lib.thermo.mixture import Mixture
from kernel_lib.thermo.wideband import true_lambda

WREN, BADGER = BuildSheet.demo("wren_five"), BuildSheet.demo("badger_eight")
CARS = pytest.mark.parametrize("sheet", [WREN, BADGER], ids=["wren", "badger"])


def changed(sheet, *edits):
    """Return a sheet with lines replaced."""
    text = sheet.to_toml()
    for pattern, line in edits:
        text, count = re.subn(pattern, line, text, flags=re.MULTILINE)
        assert count, pattern
    return BuildSheet.from_bytes(text.encode())


BARE = changed(WREN, (r"^(nozzle_diameter|discharge_).*\n", ""))


class TestOxygen:
    """What the shot brings."""

    def test_counts_by_hand(self):
        """From atomic masses: O 15.999, N 14.007; dry air of this project."""
        counts = tc.oxygen_counts(WREN)
        assert counts.mass_nitrous == pytest.approx(15.999 / 44.013, rel=1e-4)
        assert counts.mass_air == pytest.approx(
            0.2095 * 31.998 / (0.2095 * 31.998 + 0.7812 * 28.014 + 0.0093 * 39.948), rel=1e-4
        )
        assert (counts.mole_air, counts.mole_nitrous) == pytest.approx((0.2095, 1 / 3))
        assert counts.volume_ratio == pytest.approx(0.5 / 0.2095)

    @CARS
    def test_without_cooling_it_is_arithmetic(self, sheet):
        """Walls that give all the heat leave the air as warm as it was: every mole of nitrous takes the place of one of air."""
        engine, setup, rpm = sheet.engine, Setup.of(sheet), 4500.0
        table = engine.full_throttle
        efficiency = np.interp(rpm, table.rpm, table.volumetric_efficiency_percent) / 100
        swept = np.pi / 4 * (engine.bore_mm / 1e3) ** 2 * engine.stroke_mm / 1e3
        air = efficiency * setup.P_manifold * swept / (8.314463 * setup.T_air)
        flow = min(choice[0] for choice in tc.choices(sheet))
        dose = flow * 120 / (rpm * engine.cylinders) / 0.044013
        gain = tc.oxygen_gain(sheet, [rpm])
        oxygen = 2 * 0.2095 * (1 - setup.air_water)
        assert gain.more.low[0] == pytest.approx((dose - oxygen * dose) / (oxygen * air), rel=2e-3)

    @CARS
    def test_cooling_and_flow_spread_it(self, sheet):
        """The likely value lies between its ends; more flow, more oxygen; no flow, none."""
        rpm = tc.lesson_speeds(sheet)
        full, half, none = (tc.oxygen_gain(sheet, rpm, part).more for part in (1.0, 0.5, 0.0))
        assert (full.low < full.best).all()
        assert (full.best < full.high).all()
        assert (half.best < full.best).all()
        assert np.allclose([none.low, none.high], 0.0, atol=1e-9)

    @CARS
    def test_dose_goes_as_one_over_speed(self, sheet):
        """Exactly."""
        low, _, high = tc.lesson_speeds(sheet)
        dose = tc.oxygen_gain(sheet, [low, high]).dose
        assert dose.best[0] * low == pytest.approx(dose.best[1] * high)
        assert dose.low[0] < dose.best[0] < dose.high[0]
        assert dose.low[0] / dose.best[0] == pytest.approx(dose.low[1] / dose.best[1])

    @CARS
    def test_equal_part_brings_as_much(self, sheet):
        """The share at the low end is worth the full shot at the top; at one speed it is all of it."""
        low, _, high = tc.lesson_speeds(sheet)
        part = tc.equal_part(sheet, low, high)
        assert tc.oxygen_gain(sheet, [low], part).more.best[0] == pytest.approx(
            tc.oxygen_gain(sheet, [high]).more.best[0], rel=1e-3
        )
        assert tc.equal_part(sheet, low, low) == pytest.approx(1.0)

    @CARS
    def test_share_is_the_plan_s(self, sheet):
        """Likely value and ends of the oxygen share agree with the plan's columns."""
        table = plan_supply(sheet).table
        share = tc.oxygen_gain(sheet, table["rpm"].to_numpy()).share
        for name, values in (
            ("oxygen_share_low", share.low),
            ("oxygen_share", share.best),
            ("oxygen_share_high", share.high),
        ):
            assert np.allclose(values, table[name], rtol=1e-9)

    def test_worth_is_what_was_wanted_without_a_nozzle(self):
        """Horsepower governs then; with a nozzle the flow has its own worth, with its band."""
        assert tc.shot_worth(BARE).best == 75
        worth = tc.shot_worth(WREN)
        assert worth.low < worth.best < worth.high

    def test_refuses(self):
        """More than twice the shot is no part of it."""
        with pytest.raises(InputError, match="part"):
            tc.oxygen_gain(WREN, [4000.0], 3.0)


class TestGauge:
    """What the gauge shows."""

    @CARS
    def test_agrees_with_the_root_found_singly(self, sheet):
        """Table and interpolation against `true_lambda`, at the likely charge."""
        table, setup, shown = tc.gauge_table(sheet), Setup.of(sheet), sheet.engine.lambda_with_nitrous
        charge = fresh_charge(setup, table.rpm, full_flow(sheet))
        for k in (0, -1):
            x, water = float(charge.nitrous_fraction[k]), float(charge.water_fraction[k])
            assert table.lambda_at(shown).best[k] == pytest.approx(
                true_lambda(setup.fuel, shown, x, water_fraction=water), abs=2e-4
            )

    @CARS
    def test_is_the_plan_s_other_way_round(self, sheet):
        """The gauge at the true target, likely and both ends."""
        table, plan, scale = tc.gauge_table(sheet), plan_supply(sheet).table, sheet.controller.gauge_scale
        shown = table.shown_at(sheet.engine.lambda_with_nitrous)
        for name, values in (("", shown.best), ("_low", shown.low), ("_high", shown.high)):
            assert np.allclose(scale * values, plan[f"gauge_afr_sensor{name}"], atol=0.02)

    @CARS
    def test_rich_reads_richer_lean_reads_leaner(self, sheet):
        """At lambda 1 both signals vanish and the gauge is right; the error grows with the dose."""
        table = tc.gauge_table(sheet)
        rich, one, lean = (table.lambda_at(v).best - v for v in (0.85, 1.0, 1.1))
        assert (rich > 0).all()
        assert (lean < 0).all()
        assert np.allclose(one, 0.0, atol=5e-4)
        assert rich[0] > rich[-1]

    def test_refuses(self):
        """Beyond the table nothing is guessed."""
        for call in (tc.gauge_table(WREN).lambda_at, tc.gauge_table(WREN).shown_at):
            with pytest.raises(InputError):
                call(0.5)


class TestFlame:
    """How hot it burns."""

    @CARS
    def test_hottest_on_the_rich_side_and_richer_the_hotter(self, sheet):
        """Dissociation moves the peak to the rich side, further at higher temperature: closed vessel beyond open flame, nitrous beyond none."""
        f = tl.flames(sheet, tc.lesson_speeds(sheet)[1])
        closed, open_flame = f.hottest
        assert closed < open_flame < tl._peak(f.lambda_, f.without) < 1.0
        assert (f.closed > f.with_nitrous).all()

    def test_line_is_the_equilibrium(self):
        """Another call, solved by itself, at a mixture away from the peak."""
        rpm = 4500.0
        f, setup = tl.flames(WREN, rpm), Setup.of(WREN)
        bare = fresh_charge(setup, rpm, 0.0)
        state = spark_state(setup, bare, WREN.engine.lambda_with_nitrous, float(setup.timing_deg(rpm)))
        mix = Mixture(setup.fuel, 0.8, 0.0, water_fraction=setup.air_water, residual_fraction=setup.residual)
        assert f.at("without", 0.8) == pytest.approx(equilibrate(mix, state.T, state.P, "HP").T, abs=0.3)

    def test_exhaust_peaks_near_one(self):
        """The gas that leaves is hottest near lambda 1, where the flame is already past its peak."""
        f = tl.flames(WREN, tc.lesson_speeds(WREN)[1])
        assert f.hottest[1] < f.lambda_[f.opening.argmax()] <= 1.0
        assert (
            f.at("opening", 1.0) - f.at("opening", 0.864)
            > 50
            > abs(f.at("with_nitrous", 1.0) - f.at("with_nitrous", 0.864))
        )

    def test_fuel_cools_by_hand(self):
        """Heat of the fuel that is more, over the heat capacity of air, 1.005 kJ/(kg K)."""
        fuel = Setup.of(BADGER).fuel
        more = (1 / 0.85 - 1.0) / fuel.afr_stoich
        assert tl.fuel_cooling(BADGER, 0.85, 1.0) == pytest.approx(more * fuel.vaporisation_enthalpy / 1005, rel=2e-3)
        assert tl.fuel_cooling(BADGER, 0.85, 1.0) > 2 * tl.fuel_cooling(WREN, 0.85, 1.0)


class TestLeftover:
    """What is left over, and late fuel."""

    @CARS
    def test_left_over_on_one_side_each(self, sheet):
        """Nothing at lambda 1; rich no oxygen, lean no CO and H2; less nitrogen leaves more in each volume."""
        left = tl.leftovers(sheet, tc.lesson_speeds(sheet)[0])
        rich, lean = left.lambda_ < 1, left.lambda_ > 1
        assert np.allclose(left.oxygen[rich], 0.0, atol=1e-9)
        assert np.allclose(left.wanting[lean], 0.0, atol=1e-9)
        assert (left.oxygen[lean] > left.oxygen_air[lean]).all()
        one = left.lambda_ == 1
        assert left.oxygen[one] + left.wanting[one] == pytest.approx(0.0, abs=1e-6)

    @CARS
    def test_margin_in_fuel_and_time(self, sheet):
        """At the time found, the content that has come in and the own fuel make the lean stop."""
        rpm, stop, engine, control = (
            tc.lesson_speeds(sheet)[0],
            sheet.limits.lean_stop_lambda,
            sheet.engine,
            sheet.controller,
        )
        m, setup, flow = tl.margin(sheet, rpm), Setup.of(sheet), full_flow(sheet)
        assert m.fuel == pytest.approx(1 - engine.lambda_with_nitrous / stop)
        assert m.cycle_s == pytest.approx(120 / rpm)
        assert 0 < m.time_s.low < m.time_s.best < m.time_s.high
        content = 1 - np.exp(-m.time_s.best / float(mixing(sheet, setup, rpm, flow)))
        charge = fresh_charge(setup, rpm, content * flow)
        own = fuel_supplied(setup, charge, rpm, engine.lambda_without_nitrous, control.metering, control.intake_sensor)
        assert float(lambda_with(setup, charge, own)) == pytest.approx(stop, abs=2e-3)

    def test_at_the_ports_there_is_no_time(self):
        """No manifold in between, no lag."""
        ports = changed(
            BADGER,
            ("^delivery.*", 'delivery = "port"'),
            ("^nozzles.*", "nozzles = 8"),
            ("^nozzle_diameter_mm.*", "nozzle_diameter_mm = 0.6"),
        )
        assert tl.margin(ports, 3000.0).time_s.best == 0.0

    def test_a_tiny_shot_never_gets_there(self):
        """Infinite, not a large number."""
        tiny = changed(BARE, ("^shot_hp.*", "shot_hp = 5"))
        assert tl.margin(tiny, 5500.0).time_s.best == np.inf

    @CARS
    def test_later_is_leaner_and_early_enough_is_harmless(self, sheet):
        """Never richer than before the hit; with half a second of lead no leaner than the leaner of base and target."""
        rpm, engine = tc.lesson_speeds(sheet)[0], sheet.engine
        runs = [tl.late_fuel(sheet, rpm, late) for late in (-0.5, 0.0, 0.05, 0.1, 0.2)]
        leanest = [run.leanest.best for run in runs]
        assert (np.diff(leanest) >= -1e-9).all()
        assert leanest[0] == pytest.approx(max(engine.lambda_without_nitrous, engine.lambda_with_nitrous), abs=2e-3)
        assert runs[0].past_s == 0.0 < runs[-1].past_s
        for run in runs:
            assert run.leanest.low <= run.leanest.best <= run.leanest.high
            assert run.lambda_.best.max() <= run.leanest.best + 1e-3

    def test_refuses(self):
        """A second late is another fault."""
        with pytest.raises(InputError, match="late"):
            tl.late_fuel(WREN, 3000.0, 1.0)


def test_speeds_lie_in_the_window():
    """Ends and the one nearest to peak power."""
    for sheet in (WREN, BADGER):
        low, peak, high = tc.lesson_speeds(sheet)
        assert sheet.nitrous.spray_rpm_min <= low <= peak <= high <= sheet.nitrous.spray_rpm_max
        assert abs(peak - sheet.engine.peak_power_rpm) <= 250


class TestActingOnANumber:
    """What a prediction does to the mixture when it is acted on."""

    @CARS
    def test_fuel_for_a_counted_gain(self, sheet):
        """Against the charge itself: fuel for the air, raised by what was counted, burned in what is there."""
        setup, rpm, target = Setup.of(sheet), 5000.0, sheet.engine.lambda_with_nitrous
        bare, charge = fresh_charge(setup, rpm, 0.0), fresh_charge(setup, rpm, full_flow(sheet))
        more = float(charge.oxygen_atoms / bare.oxygen_atoms - 1)
        for said in (0.0, more, 0.5):
            fuel = (1 + said) * float(fuel_for(setup, bare, target))
            got = tc.lambda_if_counted(sheet, more, said)
            assert got == pytest.approx(float(lambda_with(setup, charge, fuel)), rel=2e-3)
        assert tc.lambda_if_counted(sheet, more, more) == pytest.approx(target)

    @CARS
    def test_a_believed_mixture(self, sheet):
        """Believing the truth lands on the target, believing it leaner lands richer, by the same ratio."""
        target = sheet.engine.lambda_with_nitrous
        assert tc.lambda_if_believed(sheet, 0.88, 0.88) == pytest.approx(target)
        assert tc.lambda_if_believed(sheet, 0.88, 0.968) == pytest.approx(target / 1.1)

    def test_sides(self):
        """From lean to rich between the limits of the badger: stop 0.932, target 0.85, rich stop 0.74, misfire 0.70."""
        found = [tc.mixture_side(BADGER, v) for v in (1.2, 0.94, 0.93, 0.9, 0.852, 0.8, 0.742, 0.72, 0.69)]
        assert found == [
            "lean stop", "lean stop", "at lean stop", "lean", "target", "rich", "at rich stop", "rich stop", "misfire"
        ]  # fmt: skip
        past = changed(BADGER, ("^lambda_with_nitrous.*", "lambda_with_nitrous = 0.96"))
        assert tc.mixture_side(past, 0.96) == "target past"

    def test_exhaust_is_hottest_near_lambda_one(self):
        """Leaner than the flame's own peak: less CO and H2 left to burn, then air that only thins."""
        f = tl.flames(BADGER, 6500.0)
        assert f.hottest[1] < f.hottest_exhaust < 1.03
        assert f.at("opening", f.hottest_exhaust) >= f.opening.max() - 1.0
