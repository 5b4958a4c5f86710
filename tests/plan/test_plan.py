"""The plan: balances recomputed from the atoms, order of its bands, and what it refuses or warns of."""

import numpy as np
import pandas as pd
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st

from kernel_lib import BuildSheet, InputError, plan_shot
from kernel_lib.band import ADDED_HEAT_EFFICIENCY, DENSITY_EXPONENT, WALL_HEAT_SHARE, WORK_SHARE
from kernel_lib.engine.charge import closing_state, fresh_charge, mixture
from kernel_lib.engine.cycle import run_cycles
from kernel_lib.engine.setup import Setup
from kernel_lib.plan import fuel as pf
from kernel_lib.plan.fuel_system import injector_flow, jet_flow, jet_for, pulse_drift, wet_lambda
from kernel_lib.plan.plan import BANDED, plan_supply
from kernel_lib.plan.power import wanted_flow
from kernel_lib.plan.supply import flow_band
from kernel_lib.text import banded
from kernel_lib.thermo import fuels
from kernel_lib.thermo import species as sp
from kernel_lib.thermo.mixture import Mixture
from kernel_lib.thermo.wideband import shown_lambda, signal, true_lambda

WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")
WANTED = {
    "nitrous.nozzle_diameter_mm": None,
    "nitrous.discharge_coefficient": None,
    "nitrous.discharge_error": None,
    "nitrous.discharge_temperature_c": None,
    "nitrous.discharge_bore_mm": None,
}
"""No bore: the wanted horsepower sets the flow."""
WREN_HP, BADGER_HP = WREN.replace(WANTED), BADGER.replace(WANTED)
SOUND = WREN_HP.replace({"nitrous.spray_rpm_min": 4000.0})
"""The wanted 75 hp from a speed at which the timing can be had."""
SHEETS = {"wren": WREN, "badger": BADGER, "wren by hp": WREN_HP, "badger by hp": BADGER_HP}
M_N2O = 44.0128e-3
W_PER_HP = 745.6999  # NIST SP 811


@pytest.fixture(scope="module", params=SHEETS)
def case(request):
    sheet = SHEETS[request.param]
    return sheet, Setup.of(sheet), plan_shot(sheet)


@pytest.fixture(scope="module")
def wren():
    """Wren's wanted 75 hp."""
    return plan_shot(WREN_HP)


@pytest.fixture(scope="module")
def sound():
    """The same from a higher speed: nothing forbids it."""
    return plan_shot(SOUND)


def demand_per_kg(fuel):
    """Oxygen atoms that a kilogram of fuel asks for [mol/kg]: C takes 2, H 1/2, its own O counts back."""
    need = mass = 0.0
    for name, x in fuel.composition.items():
        atoms = sp.atoms(name)
        need += x * (2 * atoms.get("C", 0) + atoms.get("H", 0) / 2 - atoms.get("O", 0))
        mass += x * (12.011 * atoms.get("C", 0) + 1.008 * atoms.get("H", 0) + 15.999 * atoms.get("O", 0)) / 1000
    return need / mass


def oxidiser(setup, table):
    """Dry air and nitrous [mol per cycle and cylinder] from the table's dose and charge temperature alone."""
    nitrous = table["dose_mg"].to_numpy() * 1e-6 / M_N2O
    total = setup.air_moles(table["rpm"].to_numpy()) * np.sqrt(setup.T_air / table["charge_T_K"].to_numpy())
    return (1 - setup.air_water) * (total - nitrous), nitrous


def cycles(setup, table):
    return table["rpm"].to_numpy() / 120 * setup.cylinders


def at(plan, rpm, name):
    return float(plan.table.set_index("rpm").loc[rpm, name])


# The table.


def test_columns(case):
    _, _, plan = case
    needed = {
        *("rpm", "nitrous_kg_s", "dose_mg", "nitrous_fraction", "oxygen_share", "charge_T_K", "lambda", "gauge_afr"),
        *("fuel_speed_density_kg_h", "fuel_mass_air_kg_h"),
    }
    assert needed <= set(plan.table.columns)
    assert plan.table["rpm"].is_monotonic_increasing
    assert len(plan.governed_by) == len(plan.table) > 3
    assert not [c for c in plan.table if c.endswith(("_low_low", "_high_high"))]


def test_bands_are_ordered(case):
    """Low, likely and high in that order, and a band that is not a line; the blank columns are blank in all three."""
    sheet, _, plan = case
    for name in BANDED:
        low, best, high = (plan.table[f"{name}{tail}"] for tail in ("_low", "", "_high"))
        if name == "fuel_added_ms" and sheet.nitrous.system == "wet":
            assert low.isna().all()
            assert best.isna().all()
            assert high.isna().all()
            continue
        assert np.isfinite(plan.table[[f"{name}_low", name, f"{name}_high"]]).all(axis=None), name
        assert (low <= best).all(), name
        assert (best <= high).all(), name
        assert (low < high).all(), name


def test_columns_of_two_units_agree(case):
    """0.45359237 kg to the pound."""
    _, _, plan = case
    for name in ("fuel_speed_density", "fuel_mass_air"):
        for tail in ("_low", "", "_high"):
            kg, lb = plan.table[f"{name}_kg_h{tail}"], plan.table[f"{name}_lb_h{tail}"]
            assert lb.to_numpy() * 0.45359237 == pytest.approx(kg.to_numpy(), rel=1e-9)
    assert plan.table["nitrous_lb_s"].to_numpy() * 0.45359237 == pytest.approx(plan.table["nitrous_kg_s"].to_numpy())


def test_flow_is_constant_and_dose_falls(case):
    _, setup, plan = case
    assert plan.table["nitrous_kg_s"].nunique() == 1
    dose = plan.table["dose_mg"].to_numpy() * 1e-6 * cycles(setup, plan.table)
    assert dose == pytest.approx(plan.table["nitrous_kg_s"].to_numpy(), rel=1e-9)


def test_fraction_and_oxygen_share(case):
    """(x_O2 + x/2)/(1 + x/2), and the moles behind x from dose and temperature alone; 1e-5 for the molar mass."""
    _, setup, plan = case
    air, nitrous = oxidiser(setup, plan.table)
    x = nitrous / (nitrous + air)
    assert plan.table["nitrous_fraction"].to_numpy() == pytest.approx(x, rel=1e-4)
    share = (0.2095 * (1 - x) + x / 2) / (1 + x / 2)
    assert plan.table["oxygen_share"].to_numpy() == pytest.approx(share, rel=1e-4)
    assert (np.diff(plan.table["oxygen_share"]) < 0).sum() >= len(x) - 2


def test_gauge_is_lambda_in_disguise(case):
    sheet, _, plan = case
    assert (plan.table["lambda"] == sheet.engine.lambda_with_nitrous).all()
    assert plan.table["gauge_afr"].to_numpy() == pytest.approx(14.7 * sheet.engine.lambda_with_nitrous)
    other = plan_shot(sheet.replace({"controller.gauge_scale": 9.0})).table
    assert other["gauge_afr"].to_numpy() == pytest.approx(9.0 * sheet.engine.lambda_with_nitrous)


# Fuel.


@pytest.mark.parametrize("metering", ["speed-density", "mass-air"])
def test_lambda_closes(case, metering):
    """What the controller gives by itself and what the plan adds burn with all oxygen at the target lambda.

    1e-4 holds the molar masses, which are written here to five digits."""
    sheet, setup, plan = case
    table = plan.table
    air, nitrous = oxidiser(setup, table)
    plain = (1 - setup.air_water) * setup.air_moles(table["rpm"].to_numpy())
    need = demand_per_kg(setup.fuel)
    metered = plain if metering == "speed-density" else air
    supplied = 2 * 0.2095 * metered / (sheet.engine.lambda_without_nitrous * need)
    added = table[f"fuel_{metering.replace('-', '_')}_kg_h"].to_numpy() / 3600 / cycles(setup, table)
    lambda_ = (2 * 0.2095 * air + nitrous) / ((supplied + added) * need)
    assert lambda_ == pytest.approx(sheet.engine.lambda_with_nitrous, rel=1e-4)

    if sheet.controller.metering == metering:
        assert table["fuel_added_percent"].to_numpy() == pytest.approx(100 * added / supplied, rel=1e-3)
        ratio = table["nitrous_kg_s"].to_numpy() / cycles(setup, table) / (supplied + added)
        assert table["nitrous_to_all_fuel"].to_numpy() == pytest.approx(ratio, rel=1e-3)
        alone = table["nitrous_kg_s"].to_numpy() / cycles(setup, table) / added
        assert table["nitrous_to_added_fuel"].to_numpy() == pytest.approx(alone, rel=1e-3)


def test_meterings_differ_by_the_air_pushed_aside(case):
    """Mass-air leaves out the fuel of the missing air, speed-density gives it all the same."""
    sheet, setup, plan = case
    air, _ = oxidiser(setup, plan.table)
    missing = (1 - setup.air_water) * setup.air_moles(plan.table["rpm"].to_numpy()) - air
    fuel = 2 * 0.2095 * missing / (sheet.engine.lambda_without_nitrous * demand_per_kg(setup.fuel))
    apart = plan.table["fuel_mass_air_kg_h"] - plan.table["fuel_speed_density_kg_h"]
    assert apart.to_numpy() / 3600 / cycles(setup, plan.table) == pytest.approx(fuel, rel=1e-3)
    assert (apart > 0).all()


def test_sensor_in_the_cooled_stream_adds_fuel_itself(wren):
    """It takes the charge for denser by T_air/T, so that much more of the base fuel comes unasked."""
    cooled = plan_shot(WREN_HP.replace({"controller.intake_sensor": "in cooled stream"}))
    setup = Setup.of(WREN)
    base = (1 - setup.air_water) * setup.air_moles(wren.table["rpm"].to_numpy())
    base = 2 * 0.2095 * base / (WREN.engine.lambda_without_nitrous * demand_per_kg(setup.fuel))
    itself = base * (setup.T_air / wren.table["charge_T_K"].to_numpy() - 1)
    less = wren.table["fuel_speed_density_kg_h"] - cooled.table["fuel_speed_density_kg_h"]
    assert less.to_numpy() / 3600 / cycles(setup, wren.table) == pytest.approx(itself, rel=1e-3)
    assert (less > 0).all()
    assert cooled.table["fuel_mass_air_kg_h"].to_numpy() == pytest.approx(wren.table["fuel_mass_air_kg_h"].to_numpy())
    assert any("cooled stream" in note for note in cooled.notes)
    assert not any("cooled stream" in note for note in wren.notes)


def test_alcohol_needs_more(wren):
    """E85 asks for about 9.8 kg of air a kilogram, gasoline for 14.6 (AFR, from memory): 1.4 to 1.6 times the fuel.

    The two nitrous flows differ by a few percent of their own; the ratio to nitrous takes that out."""
    e85 = plan_shot(WREN_HP.replace({"fuel.name": "E85"}))
    assert (e85.table["fuel_speed_density_kg_h"] > 1.3 * wren.table["fuel_speed_density_kg_h"]).all()
    ratio = wren.table["nitrous_to_all_fuel"] / e85.table["nitrous_to_all_fuel"]
    assert ((ratio > 1.4) & (ratio < 1.6)).all()


def test_the_trade_rule():
    """30 lb/h of fuel for a dry 100 hp (common practice, no source) lies within the plan's band, at any speed of the window.

    The rule has one number for all engines. The plan's likely value moves around it with the base lambda (0.88 here, richer
    with nitrous) and with the air pushed aside, whose fuel a speed-density controller gives all the same."""
    plan = plan_shot(WREN_HP.replace({"nitrous.shot_hp": 100.0}))
    assert (plan.table["rule_fuel_lb_h"] == 30.0).all()
    assert (plan.table["fuel_speed_density_lb_h_low"] < 30.0).all()
    assert (plan.table["fuel_speed_density_lb_h_high"] > 30.0).all()
    assert at(plan_shot(WREN_HP), 5500.0, "rule_fuel_lb_h") == 22.5


def test_pure_nitrous_burns_its_share():
    """At equal lambda, and with all else taken away, nitrous asks for O/(lambda x demand): 9.6 kg a kg at lambda 1.

    9.633 for iso-octane, by hand from atoms: 25 N2O of 44.013 g to one C8H18 of 114.231 g."""
    assert 1 / M_N2O / demand_per_kg(fuels.get("iso-octane")) == pytest.approx(1 / M_N2O / (25 / 0.114231), rel=1e-4)
    assert pytest.approx(9.633, abs=1e-3) == 25 * M_N2O / 0.114231
    setup = Setup.of(WREN.replace({"fuel.name": "iso-octane"}))
    bare, sprayed = (fresh_charge(setup, 5000.0, flow, wall_share=1.0, exponent=0.0) for flow in (0.0, 0.03))
    extra = pf.fuel_for(setup, sprayed, 1.0) - pf.fuel_for(setup, bare, 1.0) * sprayed.dry_air / bare.dry_air
    assert setup.dose(0.03, 5000.0) / extra == pytest.approx(9.633, rel=2e-4)


# Power.


def heat_rate(setup, charge, rpm, lambda_):
    """Heat [W], from the masses of what stands in the charge."""
    mix = mixture(setup, charge, lambda_)
    fuel = (2 * 0.2095 * float(charge.dry_air) + float(charge.nitrous)) / (lambda_ * demand_per_kg(setup.fuel))
    air = float(charge.dry_air) * (0.2095 * 31.998 + 0.7812 * 28.014 + 0.0093 * 39.95) / 1000
    mass = fuel + air + float(charge.nitrous) * M_N2O + float(charge.water) * 18.015e-3
    return mix.heat_released * mass * rpm / 120 * setup.cylinders


def fired(sheet, flow, lambda_):
    """Brake power [W] of the whole engine at its speed of peak power, from `run_cycles` with burn angles of our own.

    Wiebe with a = 5, m = 2: x is reached at y = (-ln(1 - x (1 - e^-5)) / 5)^(1/3); the timing puts 50 % burned 9 deg after TDC, the delay is a
    quarter of the 10-90 % duration. Both demo cars are on best torque. Friction by Chen & Flynn, 0.137 + 0.005 p + 0.162 S_p [bar]."""
    setup, rpm, engine = Setup.of(sheet), sheet.engine.peak_power_rpm, sheet.engine
    y10, y50, y90 = (-np.log(1 - np.array([0.1, 0.5, 0.9]) * (1 - np.exp(-5))) / 5) ** (1 / 3)
    timing = float(np.interp(rpm, engine.full_throttle.rpm, engine.full_throttle.timing_deg_btdc))
    duration = (timing + 9.0) / (y50 / (y90 - y10) + 0.25)
    charge = fresh_charge(setup, np.array([rpm]), flow)
    state = closing_state(setup, charge, lambda_)
    case = {
        "rpm": rpm,
        "P_ivc": state.P,
        "T_ivc": state.T,
        "fuel": setup.fuel,
        "lambda": lambda_,
        "nitrous_fraction": charge.nitrous_fraction,
        "water_fraction": charge.water_fraction,
        "residual_fraction": setup.residual,
        "octane_ron": setup.octane_ron,
        "spark_deg_btdc": timing,
        "delay_deg": 0.25 * duration,
        "duration_10_90_deg": duration,
    }
    out = run_cycles(setup, pd.DataFrame(case)).table.iloc[0]
    assert out["ca50_deg"] == pytest.approx(9.0, abs=0.05)
    stroke, bore = engine.stroke_mm / 1e3, engine.bore_mm / 1e3
    friction = 1e5 * (0.137 + 0.005 * out["P_max"] / 1e5 + 0.162 * 2 * stroke * rpm / 60)
    swept = np.pi / 4 * bore**2 * stroke * engine.cylinders
    return (WORK_SHARE.best * out["imep_gross"] - friction) * swept * rpm / 120


def test_power_closes(case):
    """What the flow adds to a cycle run by itself is the shot, at the speed of peak power.

    0.5 %: the plan runs coarser steps, takes its own power between the points of the full-throttle table, and the flow's between ten flows."""
    sheet, _, plan = case
    engine, flow = sheet.engine, float(plan.table["nitrous_kg_s"].iloc[0])
    gain = fired(sheet, flow, engine.lambda_with_nitrous) - fired(sheet, 0.0, engine.lambda_without_nitrous)
    assert gain / W_PER_HP == pytest.approx(plan.power.best, rel=5e-3)


def test_own_power_is_near_the_stated_one():
    """The cycle gives both invented engines the power on their sheets within 5 %, so that the sheets do not contradict themselves."""
    for sheet in (WREN, BADGER):
        own = fired(sheet, 0.0, sheet.engine.lambda_without_nitrous) / W_PER_HP
        assert own == pytest.approx(sheet.engine.peak_power_hp, rel=0.05)


def test_the_cycle_turns_added_heat_into_work_as_engines_do(case):
    """The implied share of the added heat lies in the band that measured full-load points give, and the balance with its likely value asks for
    the same flow within 10 %."""
    sheet, setup, plan = case
    engine = sheet.engine
    rpm, wanted = engine.peak_power_rpm, sheet.nitrous.shot_hp * W_PER_HP
    without = heat_rate(setup, fresh_charge(setup, rpm, 0.0), rpm, engine.lambda_without_nitrous)
    heat = {"wall_share": WALL_HEAT_SHARE.best, "exponent": DENSITY_EXPONENT.best}
    sprayed = fresh_charge(setup, rpm, plan.wanted_flow, **heat)
    share = wanted / (heat_rate(setup, sprayed, rpm, engine.lambda_with_nitrous) - without)
    assert ADDED_HEAT_EFFICIENCY.low - 0.005 < share < ADDED_HEAT_EFFICIENCY.high + 0.005
    lambdas = engine.lambda_without_nitrous, engine.lambda_with_nitrous
    balance = pf.nitrous_for_power(setup, wanted, rpm, *lambdas, efficiency=ADDED_HEAT_EFFICIENCY.best, **heat)
    assert plan.wanted_flow == pytest.approx(balance, rel=0.10)


def test_what_governs(case):
    """A bore: the bottle's flow, and what it adds has a band. No bore: the wanted power, which is a line."""
    sheet, _, plan = case
    assert plan.table["nitrous_kg_s"].to_numpy() == pytest.approx(plan.flow.best, rel=1e-9)
    assert plan.table["nitrous_kg_s_low"].to_numpy() == pytest.approx(plan.flow.low, rel=1e-9)
    assert plan.table["nitrous_kg_s_high"].to_numpy() == pytest.approx(plan.flow.high, rel=1e-9)
    if sheet.nitrous.nozzle_diameter_mm is None:
        assert set(plan.governed_by) == {"wanted horsepower"}
        assert plan.power.low == plan.power.best == plan.power.high == sheet.nitrous.shot_hp
        assert plan.flow.best == pytest.approx(plan.wanted_flow, rel=1e-9)
    else:
        assert set(plan.governed_by) == {"nozzle and bottle"}
        band = flow_band(sheet)
        assert (plan.flow.low, plan.flow.best, plan.flow.high) == (band.low, band.best, band.high)
        assert plan.power.low < plan.power.best < plan.power.high
        assert plan.assumptions[0].startswith("nitrous flow: ")
        assert f"is worth about {banded(plan.power.low, plan.power.best, plan.power.high)} hp" in " ".join(plan.notes)
    assert plan.wanted_flow == wanted_flow(sheet)
    assert plan.bore.low < plan.bore.best < plan.bore.high
    assert f"{banded(plan.bore.low, plan.bore.best, plan.bore.high)} mm" in " ".join(plan.notes)


def test_wanted_power_and_power_of_the_nozzle_turn_each_other_round(case):
    """The power that the plan gives a flow, wanted in a sheet without a bore, asks for that flow again."""
    sheet, _, plan = case
    again = plan_shot(sheet.replace(WANTED | {"nitrous.shot_hp": float(plan.power.best)}))
    assert again.flow.best == pytest.approx(plan.flow.best, rel=1e-4)


def test_a_weigh_in_narrows_the_plan():
    loose = plan_shot(WREN.replace({k: None for k in WANTED if "discharge" in k}))
    tight = plan_shot(WREN)
    assert loose.flow.high / loose.flow.low > 1.5
    assert tight.flow.high / tight.flow.low < 1.25
    assert said(loose.notes, "Nobody has weighed this nozzle in") == 1
    assert said(loose.notes, "Measure the flow first") == 1
    assert said(tight.notes, "Nobody has weighed") == 0
    assert said(tight.notes, "Hold it there by what was weighed in") == 1


def test_more_shot_does_not_change_what_a_nozzle_passes():
    plain, more = plan_shot(WREN), plan_shot(WREN.replace({"nitrous.shot_hp": 100.0}))
    assert more.flow == plain.flow
    assert more.power == plain.power
    assert more.wanted_flow > 1.2 * plain.wanted_flow
    assert more.bore.best > 1.1 * plain.bore.best


def test_more_shot_more_nitrous():
    flows = [
        plan_shot(WREN_HP.replace({"nitrous.shot_hp": hp})).table["nitrous_kg_s"].iloc[0] for hp in (25.0, 50.0, 100.0)
    ]
    assert flows == sorted(flows)
    assert flows[0] > 0


def test_better_efficiency_needs_less():
    def flow(efficiency):
        return pf.nitrous_for_power(
            Setup.of(WREN), 50e3, 5500.0, 0.88, 0.864, efficiency=efficiency, wall_share=0.5, exponent=0.5
        )

    assert flow(0.42) < flow(0.38) < flow(0.34)


@pytest.mark.parametrize(("bsfc", "bmep", "lambda_", "friction"), [(248.0, 10.3, 0.99, 1.5), (309.0, 8.3, 0.89, 2.8)])
def test_efficiency_band_holds_measured_points(bsfc, bmep, lambda_, friction):
    """Full load of a 2.0 L engine at 2000 and 5500 rpm [Linkoping University TSFS09 engine map].

    Friction and pumping of 1.5 bar at the low speed and 2.8 at the high one (from memory) are paid already when nitrous
    comes, so added heat works at brake efficiency x (BMEP + friction)/BMEP. 0.005 is half the band's last digit."""
    mix = Mixture(fuels.get("gasoline"), lambda_)
    heat = mix.heat_released / mix.fuel_mass_fraction
    brake = 3.6e9 / bsfc / heat
    assert 0.30 < brake < ADDED_HEAT_EFFICIENCY.low + 0.005
    added = brake * (bmep + friction) / bmep
    assert ADDED_HEAT_EFFICIENCY.low - 0.005 < added < ADDED_HEAT_EFFICIENCY.high + 0.005


# The wide-band sensor.


@pytest.mark.parametrize("x", [0.13, 0.2])
def test_gauge_is_biased_by_hand(x):
    """A gauge 12.7 (of 14.7) is truly about 12.9: by hand, less nitrogen dilutes CO and H2, so the sensor reads rich.

    The hand value has three digits and says about: 0.1."""
    assert 14.7 * true_lambda(fuels.get("gasoline"), 12.7 / 14.7, x) == pytest.approx(12.9, abs=0.1)
    assert true_lambda(fuels.get("gasoline"), 12.7 / 14.7, x) > 12.7 / 14.7


@given(lambda_=st.floats(0.75, 1.3), x=st.floats(0.0, 0.4), weight=st.floats(1.0, 3.7), water=st.floats(0.0, 0.04))
@settings(deadline=None, max_examples=40)
def test_shown_and_true_turn_each_other_round(lambda_, x, weight, water):
    """Both roots are found to 1e-6; near lambda 1 neither slope is flatter than half the other."""
    fuel = fuels.get("gasoline")
    shown = shown_lambda(Mixture(fuel, lambda_, x, water_fraction=water), weight)
    assert true_lambda(fuel, shown, x, weight, water) == pytest.approx(lambda_, abs=1e-5)


@given(lambda_=st.floats(0.6, 2.0), weight=st.floats(1.0, 3.7))
@settings(deadline=None, max_examples=25)
def test_without_nitrous_the_gauge_is_right(lambda_, weight):
    fuel = fuels.get("E85")
    assert shown_lambda(Mixture(fuel, lambda_), weight) == pytest.approx(lambda_, abs=1e-9)
    assert true_lambda(fuel, lambda_, 0.0, weight) == pytest.approx(lambda_, abs=2e-6)


def test_bias_grows_with_nitrous_and_turns_at_lambda_one():
    fuel = fuels.get("gasoline")
    rich = [shown_lambda(Mixture(fuel, 0.86, x)) for x in (0.0, 0.1, 0.2, 0.3)]
    lean = [shown_lambda(Mixture(fuel, 1.1, x)) for x in (0.0, 0.1, 0.2, 0.3)]
    assert rich == sorted(rich, reverse=True)
    assert lean == sorted(lean)
    assert shown_lambda(Mixture(fuel, 1.0, 0.2)) == pytest.approx(1.0, abs=1e-5)


def test_signal_counts_oxygen_asked_for():
    """Lean: the O2 of the exhaust. Rich: half of CO and of weighted H2, negative."""
    lean, rich = Mixture(fuels.get("toluene"), 1.2), Mixture(fuels.get("toluene"), 0.9)
    assert signal(lean) == pytest.approx(lean.exhaust["O2"])
    weighted = rich.exhaust["CO"] + 3.0 * rich.exhaust["H2"]
    assert signal(rich, 3.0) == pytest.approx(-weighted / 2)
    for bad in (0.1, 9.0, float("nan"), "strong"):
        with pytest.raises(InputError) as caught:
            signal(rich, bad)
        assert caught.value.field == "hydrogen_weight"


def test_off_the_scale_is_said():
    with pytest.raises(InputError, match="off its scale"):
        shown_lambda(Mixture(fuels.get("gasoline"), 0.52, 0.6))
    for bad in (0.4, 2.1, float("nan"), None):
        with pytest.raises(InputError) as caught:
            true_lambda(fuels.get("gasoline"), bad, 0.1)
        assert caught.value.field == "shown"


def test_the_table_shows_the_biased_gauge(case):
    """Aiming at the shown number instead of the plain one would lean the charge: it always stands below."""
    _, setup, plan = case
    assert (plan.table["gauge_afr_sensor_high"] < plan.table["gauge_afr"]).all()
    x, shown = plan.table["nitrous_fraction"].iloc[0], plan.table["gauge_afr_sensor"].iloc[0] / 14.7
    true = true_lambda(setup.fuel, shown, float(x), water_fraction=setup.air_water)
    # Water counts per mole of air here and per mole of all oxidiser there: 0.3 % of the exhaust at most.
    assert true == pytest.approx(plan.table["lambda"].iloc[0], abs=2e-3)


# Injectors.


def test_injectors_by_hand(wren):
    """440 cm3/min at 300 kPa of 684 kg/m3; the rail holds 300 kPa above the manifold, so only density moves the flow."""
    setup = Setup.of(WREN)
    flow = 440e-6 / 60 * np.sqrt(684.0 * setup.fuel.density)
    assert injector_flow(WREN, setup) == pytest.approx(flow, rel=1e-9)
    air = (1 - setup.air_water) * float(setup.air_moles(5500.0))
    supplied = 2 * 0.2095 * air / (0.88 * demand_per_kg(setup.fuel))
    added = at(wren, 5500.0, "fuel_speed_density_kg_h") / 3600 / (5500 / 120 * 5)
    assert at(wren, 5500.0, "fuel_added_ms") == pytest.approx(1e3 * added / flow, rel=1e-3)
    open_ms = 1e3 * (supplied + added) / flow + 0.9
    assert at(wren, 5500.0, "injector_duty_percent") == pytest.approx(100 * open_ms / (120e3 / 5500), rel=1e-3)


def test_rail_against_the_atmosphere():
    """At full throttle the rail then stands a little higher across the injector: (rail + vacuum)/rated under a root."""
    other = WREN.replace({"fuel_system.rail_reference": "atmosphere"})
    ratio = injector_flow(other, Setup.of(other)) / injector_flow(WREN, Setup.of(WREN))
    assert ratio == pytest.approx(np.sqrt((300 + 99.6 - 97.8) / 300), rel=1e-9)


def test_wet_jet_leaves_the_injectors_alone():
    """Badger: wet, mass-air; the injectors give what the meter sees, and no time is added."""
    more = plan_shot(BADGER_HP.replace({"nitrous.shot_hp": 200.0})).table
    less = plan_shot(BADGER_HP).table
    assert (more["injector_duty_percent"] < less["injector_duty_percent"]).all()
    assert more["fuel_added_ms"].isna().all()
    dry = plan_shot(BADGER_HP.replace({"nitrous.system": "dry"})).table
    assert (dry["injector_duty_percent"] > less["injector_duty_percent"]).all()


# What forbids and what to know.


def said(sentences, words):
    assert all(s.endswith(".") for s in sentences)
    return sum(words in s for s in sentences)


BLOCKERS = [
    ({"fuel_system.injector_flow_cc_min": 250.0}, "Injector duty may reach"),
    ({"nitrous.spray_rpm_max": 6450.0}, "reaches beyond the full-throttle table"),
    ({"nitrous.spray_rpm_min": 1200.0, "nitrous.shot_hp": 30.0}, "reaches beyond the full-throttle table"),
    ({"limits.power_hp": 246.0}, "pass the owner's limit of 246 hp"),
    ({"engine.lambda_with_nitrous": 0.933}, "past the trade's shut-off"),
    ({"engine.lambda_with_nitrous": 0.881}, "leaner than without"),
    ({"nitrous.spray_rpm_min": 1500.0}, "more nitrous than air"),
    ({"parts.leak_down_percent": 20.0}, "mend the engine first"),
    ({"nitrous.bottle_fill_kg": 5.0}, "more than its rated"),
]


def test_a_sound_plan_has_no_blocker():
    assert plan_shot(SOUND).blockers == []
    assert plan_shot(SOUND.replace({"limits.power_hp": 248.0})).blockers == []
    lean = SOUND.replace({"engine.lambda_without_nitrous": 0.94, "engine.lambda_with_nitrous": 0.931})
    assert plan_shot(lean).blockers == []


@pytest.mark.parametrize(("changes", "words"), BLOCKERS)
def test_blocker(changes, words):
    """One sentence; beside it only that some speed is not reachable, which no plan without timing says."""
    sheet = SOUND.replace(changes)
    plan = plan_shot(sheet)
    assert said(plan.blockers, words) == 1
    assert plan_supply(sheet).blockers == plan.blockers[:1]
    assert said(plan.blockers, "Not reachable at") == len(plan.blockers) - 1
    assert len(plan.blockers) == 1 + (not plan.table["reachable"].all())
    assert len(plan.table) > 3


def test_unreachable_speeds_are_a_blocker():
    """They are named, with the most that may flow there; the same shot from a higher speed is free of it."""
    plan = plan_shot(WREN_HP)
    short = plan.table["rpm"][~plan.table["reachable"]]
    assert list(short) == [rpm for rpm in plan.table["rpm"] if rpm <= short.max()] != []
    (blocker,) = plan.blockers
    assert blocker.startswith("Not reachable at ")
    for rpm in short:
        assert f"{rpm:.0f}" in blocker.split(" rpm", 1)[0]
    most = plan.timing.table.set_index("rpm")["most_hp"]
    assert f"about {most[short.iloc[0]]:.0f} hp (" in blocker
    assert f"at {short.iloc[0]:.0f} rpm" in blocker
    assert "Begin the window at a higher speed, or take less there." in blocker
    assert plan_supply(WREN_HP).blockers == []


def test_duty_blocker_counts_the_worst_of_the_band(sound):
    """A limit between the likely and the worst value forbids; one above the worst does not."""
    worst, likely = sound.table["injector_duty_percent_high"].max(), sound.table["injector_duty_percent"].max()
    between = plan_shot(SOUND.replace({"limits.injector_duty_percent": (worst + likely) / 2}))
    assert said(between.blockers, "Injector duty") == 1
    assert plan_shot(SOUND.replace({"limits.injector_duty_percent": worst + 0.1})).blockers == []


def test_pump_blocker_counts_the_worst_of_the_band(sound):
    """All fuel over the pump's flow, worst row and worst end; by hand 190 L/h of this fuel."""
    table, limit = sound.table, 85.0
    pump = 190.0 * Setup.of(WREN).fuel.density / 1000
    assert table["pump_percent"].to_numpy() == pytest.approx(100 * table["fuel_total_kg_h"].to_numpy() / pump)
    worst = table["pump_percent_high"].max()
    assert table["pump_percent"].max() < worst < limit
    for over, found in ((1.01, 1), (0.99, 0)):
        small = plan_shot(SOUND.replace({"fuel_system.pump_flow_l_h": 190.0 * worst / limit / over}))
        assert said(small.blockers, "The pump may have to give") == found
        assert len(small.blockers) == found


def test_pump_nobody_knows_is_blank_and_said(wren):
    """A rail above the pressure at which the pump was measured: no number, a sentence."""
    assert said(wren.notes, "pump's flow is stated at") == 0
    plan = plan_shot(WREN_HP.replace({"fuel_system.rail_pressure_kpa": 400.0}))
    for tail in ("_low", "", "_high"):
        assert plan.table[f"pump_percent{tail}"].isna().all()
    assert said(plan.notes, "stated at 300 kPa and the rail holds 400 kPa") == 1
    assert said(plan.blockers, "pump") == 0


def test_power_of_the_nozzle_at_its_high_end_is_said():
    """A limit between the likely and the high power is a note, one below the likely power forbids."""
    power = plan_shot(WREN).power
    for extra, blocked, noted in (
        ((power.best + power.high) / 2, 0, 1),
        (power.best - 1, 1, 0),
        (power.high + 1, 0, 0),
    ):
        plan = plan_shot(WREN.replace({"limits.power_hp": 172.0 + extra}))
        assert said(plan.blockers, "pass the owner's limit") == blocked
        assert said(plan.notes, "At the high end of what is unknown the shot may be") == noted


def test_fuel_jet_is_judged(case):
    """Wet: the jet that the shot asks for, and what the fitted one gives; too small a jet forbids."""
    sheet, setup, plan = case
    if sheet.nitrous.system == "dry":
        assert said(plan.notes, "fuel jet") == 0
        return
    rpm, flow = 6500.0, plan.flow.best
    ends = [jet_for(sheet, setup, at(plan, rpm, f"fuel_mass_air_kg_h{end}") / 3600) for end in ("_low", "", "_high")]
    jet = ends[1]
    span = banded(ends[0].low, jet.best, ends[2].high)
    assert said(plan.notes, f"asks for a fuel jet of about {span} mm ({jet.best / 25.4:.3f} in)") == 1
    for bore in (jet.best, 0.7 * jet.best):
        fitted = plan_shot(sheet.replace({"nitrous.fuel_jet_diameter_mm": float(bore)}))
        lambda_ = float(wet_lambda(sheet, setup, rpm, flow, jet_flow(sheet, setup, bore)))
        assert said(fitted.notes, f"The {bore:.3g} mm jet on the sheet gives about lambda {lambda_:.2f}") == 1
        assert said(fitted.blockers, "past the trade's shut-off at 0.932") == (bore < jet.best)
    assert lambda_ > 13.7 / 14.7  # common practice, no source
    none = plan_shot(sheet.replace({"nitrous.fuel_jet_diameter_mm": None}))
    assert said(none.notes, "jet on the sheet") == 0
    assert said(none.blockers, "fuel jet") == 0


PULSED = {"nitrous.progressive": True, "nitrous.pulse_hz": 10.0, "nitrous.fuel_valve_lag_ms": 20.0}


def test_a_pulsed_pair_is_judged_with_the_jet_that_is_fitted():
    """A 0.7 mm jet gives lambda 0.90 with both valves open and 0.938 pulsed, past 0.932."""
    sheet = BADGER.replace(PULSED | {"nitrous.nitrous_valve_lag_ms": 0.0, "nitrous.fuel_jet_diameter_mm": 0.7})
    setup, plan = Setup.of(sheet), plan_shot(sheet)
    duty = np.linspace(0.2, 1.0, 17)
    lambda_ = pulse_drift(sheet, setup, 6500.0, plan.flow.best, float(jet_flow(sheet, setup, 0.7)), duty)["likely"]
    if lambda_[-1] >= pf.TOO_LEAN_LAMBDA or lambda_.max() <= pf.TOO_LEAN_LAMBDA:
        pytest.fail("the case is not the one meant")
    assert said(plan.blockers, "Pulsed, the wet pair drifts to about lambda") == 1


def test_a_pulsed_pair_that_drifts_too_lean_is_a_blocker():
    """Of 100 ms the fuel valve loses 20 a pulse and the nitrous valve gains 15; both alike, or not pulsed, or dry: nothing."""
    words = "Pulsed, the wet pair drifts to about lambda"
    late = BADGER.replace(PULSED | {"nitrous.nitrous_valve_lag_ms": -15.0})
    assert said(plan_shot(late).blockers, words) == 1
    for sound in (
        late.replace({"nitrous.nitrous_valve_lag_ms": 20.0}),
        late.replace({"nitrous.progressive": False}),
        late.replace({"nitrous.system": "dry"}),
    ):
        assert said(plan_shot(sound).blockers, words) == 0


@pytest.mark.parametrize("nozzle", [1.3, None])
def test_a_line_too_thin_for_the_wanted_shot_is_said(nozzle):
    """No bore is named then, and the plan is there all the same."""
    plan = plan_shot(BADGER.replace({"nitrous.nozzle_diameter_mm": nozzle, "nitrous.line_bore_mm": 2.0}))
    assert plan.bore is None
    assert said(plan.notes, "more than this line of 2 mm is sure to feed") == 1
    assert said(plan_shot(BADGER).notes, "is sure to feed") == 0


def test_notes(wren):
    assert said(wren.notes, "not what a nozzle passes") == 1
    assert said(wren.notes, "trade's window") == 0
    assert said(wren.notes, "Timing for a first hit at") == 1
    assert said(plan_supply(WREN_HP).notes, "Timing for a first hit at") == 0
    clutched = plan_shot(WREN_HP.replace({"parts.clutch_torque_nm": 500.0}))
    assert said(wren.notes, "not yet checked") == 0
    (unchecked,) = [n for n in clutched.notes if "not yet checked" in n]
    assert "clutch" in unchecked
    bored = plan_shot(WREN)
    assert said(bored.notes, "not what a nozzle passes") == 0
    assert said(bored.notes, "The nozzle, 1 x 1.3 mm (0.051 in), passes about") == 1
    for lambda_, side in ((0.83, "richer"), (0.90, "leaner")):
        notes = plan_shot(WREN.replace({"engine.lambda_with_nitrous": lambda_})).notes
        assert said(notes, f"is {side} than the trade's window of 0.850 to 0.884") == 1
    for edge in (0.85, 0.884):
        assert said(plan_shot(WREN.replace({"engine.lambda_with_nitrous": edge})).notes, "trade's window") == 0


def test_ranges_are_stated(wren):
    """Three ranges of the charge and its gauge, three more of its timing."""
    assert len(wren.assumptions) == 6
    assert len(plan_supply(WREN_HP).assumptions) == 4
    assert said(wren.assumptions, "0.5 (0 to 1)") == 2
    assert said(wren.assumptions, "hydrogen weight") == 1
    assert said(wren.assumptions, "flame speed ratio: 1 (0.8 to 1.2)") == 1
    assert said(wren.assumptions, "knock integral with nitrous: 1 (0.9 to 1.1)") == 1
    work = f"{WORK_SHARE.best:g} ({WORK_SHARE.low:g} to {WORK_SHARE.high:g})"
    assert said(wren.assumptions, f"share of the cycle's work: {work}") == 1


def test_freezing_is_noted_where_a_corner_freezes():
    """Wren's low end stands at 182.33 K at 2500 rpm for a wanted 90 hp; from a higher speed on the note is gone."""
    wren = plan_shot(WREN_HP.replace({"nitrous.shot_hp": 90.0}))
    frozen = wren.table["rpm"][wren.table["charge_T_K_low"] < 182.34]
    assert said(wren.notes, f"Up to {frozen.max():.0f} rpm, with no heat from the walls") == 1
    late = WREN_HP.replace({"nitrous.spray_rpm_min": 4500.0, "nitrous.shot_hp": 90.0})
    assert said(plan_shot(late).notes, "nitrous freezes") == 0


def test_what_takes_heat_to_evaporate(wren):
    """Added fuel against nitrous [kW]: from liquid at 32 C to vapour at 26 C, by CoolProp's enthalpies."""
    fuel = wren.table["fuel_mass_air_kg_h"].iloc[-1] / 3600 * fuels.get("gasoline").vaporisation_enthalpy / 1e3
    vapour, liquid = (PropsSI("H", *at_, "NitrousOxide") for at_ in (("T", 299.15, "P", 97.8e3), ("T", 305.15, "Q", 0)))
    nitrous = wren.table["nitrous_kg_s"].iloc[-1] * (vapour - liquid) / 1e3
    assert said(wren.notes, f"asks up to {fuel:.1f} kW to evaporate, the nitrous about {nitrous:.0f} kW") == 1


def test_leaning_out_alone_is_no_shot():
    """From 0.75 to 0.95 the air alone gives more than 5 hp: no nitrous flow is the answer."""
    sheet = {"engine.lambda_without_nitrous": 0.75, "engine.lambda_with_nitrous": 0.95, "nitrous.shot_hp": 5.0}
    with pytest.raises(InputError) as caught:
        plan_shot(WREN_HP.replace(sheet))
    assert caught.value.field == "engine.lambda_with_nitrous"


@pytest.mark.parametrize(
    ("field", "change"),
    [
        ("metering", {"metering": "guess"}),
        ("sensor", {"sensor": "nowhere"}),
        ("lambda_without", {"lambda_without": 0.0}),
    ],
)
def test_bad_metering(field, change):
    setup = Setup.of(WREN)
    args = {"lambda_without": 0.88, "metering": "mass-air", "sensor": "before nitrous"} | change
    with pytest.raises(InputError) as caught:
        pf.fuel_supplied(setup, fresh_charge(setup, 4000.0, 0.02), 4000.0, **args)
    assert caught.value.field == field


@pytest.mark.parametrize("sheet", [None, "wren_five", {}, WREN.engine])
def test_no_sheet_no_plan(sheet):
    with pytest.raises(InputError) as caught:
        plan_shot(sheet)
    assert caught.value.field == "sheet"


def test_a_shot_that_cannot_be_had():
    small = {"engine.cylinders": 1, "engine.bore_mm": 60.0, "nitrous.shot_hp": 300.0}
    with pytest.raises(InputError) as caught:
        plan_shot(WREN_HP.replace(small))
    assert caught.value.field in ("nitrous.shot_hp", "nitrous_flow")


@pytest.mark.parametrize("bore", [2.4, 3.5])
def test_a_bore_too_large_for_the_engine_is_named(bore):
    with pytest.raises(InputError) as caught:
        plan_shot(WREN.replace({"nitrous.nozzle_diameter_mm": bore}))
    assert caught.value.field == "nitrous.nozzle_diameter_mm"
    assert "a smaller bore" in caught.value.allowed


@pytest.mark.parametrize(("field", "change"), [("shot_W", {"shot_W": -1.0}), ("efficiency", {"efficiency": 0.7})])
def test_bad_power(field, change):
    args = {"shot_W": 50e3, "efficiency": 0.38} | change
    with pytest.raises(InputError) as caught:
        pf.nitrous_for_power(
            Setup.of(WREN),
            args["shot_W"],
            5500.0,
            0.88,
            0.864,
            efficiency=args["efficiency"],
            wall_share=0.5,
            exponent=0.5,
        )
    assert caught.value.field == field
