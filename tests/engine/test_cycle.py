"""The closed cycle: laws, limits, an integration of its own with Cantera in every step, a reactor network, bad input."""

import math
from functools import cache

import cantera as ct
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_cycle import Engine, burn_angles, integrate, mixture, reactor_network, share

from kernel_lib import BuildSheet
from kernel_lib.engine import burn, heat
from kernel_lib.engine.cycle import run_cycles, trace
from kernel_lib.engine.cylinder import Cylinder
from kernel_lib.errors import InputError
from kernel_lib.thermo import fuels
from kernel_lib.thermo.equilibrium import equilibrate
from kernel_lib.thermo.mixture import Mixture
from tests.reference import check, rows

GEOMETRY = Engine()  # by hand, for the reference integration
ENGINE = Cylinder(
    GEOMETRY.bore,
    GEOMETRY.stroke,
    GEOMETRY.rod,
    GEOMETRY.compression_ratio,
    GEOMETRY.intake_closing_deg,
    GEOMETRY.exhaust_opening_deg,
)
BASE = {
    "rpm": 4500.0,
    "P_ivc": 1.2e5,
    "T_ivc": 350.0,
    "fuel": fuels.get("gasoline"),
    "lambda": 0.87,
    "nitrous_fraction": 0.1,
    "residual_fraction": 0.05,
    "spark_deg_btdc": 24.0,
    "delay_deg": 7.0,
    "duration_10_90_deg": 25.0,
    "octane_ron": 98.0,
}
COLUMNS = {
    "P_max", "theta_P_max_deg", "imep", "imep_gross", "ca50_deg", "T_end_max", "T_burned_evo", "T_burned_max", "knock_integral",
    "energy_error", "heat_loss", "P_50", "T_50", "P_spark", "T_spark", "mass",
}  # fmt: skip


def case(**changed):
    return BASE | changed


def row(given_case, **how):
    return run_cycles(ENGINE, pd.DataFrame([given_case]), **how).table.iloc[0]


def table(cases, **how):
    return run_cycles(ENGINE, pd.DataFrame(cases), **how).table


def charges():
    """Few mixtures, that the tables of burned gas are built once; the rest is drawn freely, the burn inside the closed cycle."""
    return st.builds(
        lambda mix, rpm, P, T, ca50, delay, duration: case(
            **{"fuel": fuels.get(mix[0]), "lambda": mix[1], "nitrous_fraction": mix[2]},
            rpm=rpm,
            P_ivc=P,
            T_ivc=T,
            duration_10_90_deg=duration,
            delay_deg=delay,
            spark_deg_btdc=delay - (ca50 - 1.05 * duration),
        ),
        st.sampled_from(
            [("gasoline", 0.79, 0.0), ("gasoline", 1.0, 0.0), ("gasoline", 0.88, 0.3), ("propane", 1.35, 0.0)]
        ),
        st.floats(500.0, 9000.0),
        st.floats(4e4, 2.5e5),
        st.floats(260.0, 500.0),
        st.floats(-10.0, 30.0),
        st.floats(2.0, 15.0),
        st.floats(8.0, 45.0),
    )


# Formulas


@pytest.mark.parametrize("theta", [-180.0, -130.0, -90.0, -30.0, 0.0, 10.0, 75.0, 130.0, 180.0])
def test_cylinder_by_pythagoras(theta):
    assert float(ENGINE.volume(theta)) == pytest.approx(float(GEOMETRY.volume(theta)), rel=1e-12)
    assert float(ENGINE.area(theta)) == pytest.approx(float(GEOMETRY.area(theta)), rel=1e-12)


def test_cylinder_of_every_description():
    sheet = BuildSheet.demo(BuildSheet.demo_names()[0])
    own = Cylinder.of(sheet)
    assert own == Cylinder.of(sheet.engine) == Cylinder.of(own)
    assert own.bore == pytest.approx(sheet.engine.bore_mm / 1e3)
    assert ENGINE.closing == -130.0
    assert ENGINE.opening == 130.0
    assert float(ENGINE.volume(180)) / float(ENGINE.volume(0)) == pytest.approx(10.0, rel=1e-12)
    assert float(ENGINE.piston_speed(6000)) == pytest.approx(2 * 0.0876 * 100)
    with pytest.raises(InputError) as caught:
        Cylinder.of("an engine")
    assert caught.value.field == "engine"


@pytest.mark.parametrize(
    "reference", rows("engine_formulas", quantity="wiebe_y"), ids=lambda r: f"{r['burned_share']:g}"
)
def test_wiebe_before_it_is_normalised(reference):
    (end,) = rows("engine_formulas", quantity="wiebe_end")
    check(-math.expm1(-burn.SHAPE_A), end)
    y = float(burn.when_burned(reference["burned_share"] / -math.expm1(-5.0)))
    check(y, reference)


def test_wiebe_width():
    """Of the plain function 10 to 90 % take 0.49603 of the whole; ending exactly at 1 widens them by what was left over."""
    (width,) = rows("engine_formulas", quantity="wiebe_10_90")
    plain = [float(burn.when_burned(x / -math.expm1(-5.0))) for x in (0.1, 0.9)]
    check(plain[1] - plain[0], width)
    assert pytest.approx(float(burn.when_burned(0.9)) - float(burn.when_burned(0.1)), rel=1e-12) == burn.RAPID
    assert burn.RAPID < plain[1] - plain[0]


@given(y=st.floats(0.0, 1.0), more=st.floats(0.0, 0.5))
def test_burned_share(y, more):
    assert float(burn.burned_share(y)) == pytest.approx(float(share(y)), abs=1e-15)
    assert float(burn.burned_share(y + more)) >= float(burn.burned_share(y))
    assert float(burn.burned_share(1.0 + more)) == 1.0
    assert float(burn.burned_share(-more)) == 0.0
    assert float(burn.when_burned(burn.burned_share(y))) == pytest.approx(y, abs=2e-6)


def test_woschni():
    (h,) = rows("engine_formulas", quantity="woschni")
    check(float(heat.woschni(h["bore_m"], h["p_kPa"] * 1e3, h["T_K"], h["w_m_s"])), h)
    check(heat.C1, rows("engine_formulas", quantity="woschni_c1")[0])
    check(heat.C2, rows("engine_formulas", quantity="woschni_c2")[0])


def test_friction():
    (f,) = rows("engine_formulas", quantity="friction")
    pressure = heat.friction_pressure(f["p_max_bar"] * 1e5, f["piston_speed_m_s"], f["constant_bar"])
    check(float(pressure) / 1e5, f)


# Laws


def test_answer_has_its_columns_and_rows():
    cases = pd.DataFrame([case(), case(rpm=2000.0), case(rpm=3000.0)], index=["b", "a", 7])
    out = run_cycles(ENGINE, cases).table
    assert set(out.columns) >= COLUMNS
    assert list(out.index) == ["b", "a", 7]
    assert np.isfinite(out[sorted(COLUMNS)].to_numpy(float)).all()


@given(drawn=charges(), heat_=st.booleans())
@settings(deadline=None, max_examples=120)
def test_energy_closes(drawn, heat_):
    assert row(drawn, heat=heat_).energy_error <= 1e-4


@given(drawn=charges())
@settings(deadline=None, max_examples=40)
def test_mass_is_the_ideal_gas_of_the_closing(drawn):
    mass = drawn["P_ivc"] * GEOMETRY.volume(-130.0) * mixture(drawn).molar_mass / (8.31446261815324 * drawn["T_ivc"])
    assert row(drawn).mass == pytest.approx(float(mass), rel=1e-9)


@given(drawn=charges())
@settings(deadline=None, max_examples=30)
def test_the_trace_holds_the_cycle(drawn):
    """Burn monotone from 0 to exactly 1, volumes of the crank, work and peak those of the table."""
    t, out = trace(ENGINE, drawn), row(drawn)
    start, end = burn_angles(drawn)
    x, theta, P, V = (t[name].to_numpy() for name in ("burned_share", "theta_deg", "P", "volume"))
    assert (theta[0], theta[-1]) == (-130.0, 130.0)
    assert (np.diff(theta) > 0).all()
    assert (np.diff(x) >= 0).all()
    assert (x[theta < start] == 0).all()
    assert (x[theta > end + 1e-9] == 1).all()
    assert pytest.approx(GEOMETRY.volume(theta), rel=1e-9) == V
    assert P.max() <= out.P_max * (1 + 1e-9)
    assert P.max() >= out.P_max * (1 - 3e-3)
    assert np.trapezoid(P, V) / GEOMETRY.swept == pytest.approx(out.imep, rel=5e-3, abs=2e3)
    burning = x > 0.01
    assert (t["T_burned"][burning] > t["T_unburned"][burning]).all()
    assert (np.diff(t["knock_integral"]) >= 0).all()
    assert t["knock_integral"].iloc[-1] == pytest.approx(out.knock_integral, rel=1e-6)
    # the two zones fill the cylinder wherever it is still frozen
    before = theta <= start
    ideal = out.mass * 8.31446261815324 / mixture(drawn).molar_mass * t["T_unburned"][before] / P[before]
    assert ideal.to_numpy() == pytest.approx(V[before], rel=1e-6)


@pytest.mark.parametrize("fuel", ["gasoline", "E85"])
def test_motored_without_heat_is_cantera_s_isentrope(fuel):
    """Frozen charge, constant entropy: pressure and temperature over the crank angle."""
    burned_none = case(fuel=fuels.get(fuel))
    t = trace(ENGINE, burned_none, heat=False, burns=False)
    mix = mixture(burned_none)
    wanted = {s.name: s for s in ct.Species.list_from_file("nasa_gas.yaml")}
    gas = ct.Solution(thermo="ideal-gas", species=[wanted[name] for name in mix.X])
    gas.TPX = burned_none["T_ivc"], burned_none["P_ivc"], dict(mix.X)
    s, v = gas.entropy_mass, gas.volume_mass
    for k in range(0, len(t), 25):
        gas.SV = s, v * GEOMETRY.volume(t["theta_deg"][k]) / GEOMETRY.volume(-130.0)
        assert t["P"][k] == pytest.approx(gas.P, rel=2e-5)
        assert t["T_unburned"][k] == pytest.approx(gas.T, rel=2e-5)
    assert (t["burned_share"] == 0).all()


def test_motored_cycle_comes_back():
    """Without heat and burn: the valve angles lie symmetrical, so pressure returns and no work is left."""
    out = row(case(), heat=False, burns=False)
    assert out.P_max == pytest.approx(trace(ENGINE, case(), heat=False, burns=False)["P"].max(), rel=1e-4)
    assert abs(out.theta_P_max_deg) < 1e-3
    assert abs(out.imep) < 20.0  # Pa
    assert out.heat_loss == 0.0
    assert row(case(), burns=False).imep < 0


@pytest.mark.parametrize(
    "changed", [{}, {"rpm": 1200.0}, {"spark_deg_btdc": 45.0}, {"duration_10_90_deg": 8.0}, {"nitrous_fraction": 0.5}]
)
def test_half_the_step_changes_nothing(changed):
    coarse, fine = row(case(**changed)), row(case(**changed), step_deg=0.25)
    assert fine.P_max == pytest.approx(coarse.P_max, rel=2e-4)
    assert fine.imep == pytest.approx(coarse.imep, rel=1e-4)
    assert fine.T_end_max == pytest.approx(coarse.T_end_max, abs=0.2)
    assert fine.T_burned_evo == pytest.approx(coarse.T_burned_evo, abs=1.0)
    assert fine.knock_integral == pytest.approx(coarse.knock_integral, rel=5e-3)


@pytest.mark.parametrize(
    ("fuel", "lambda_", "nitrous"),
    [("iso-octane", 0.87, 0.1), ("gasoline", 1.0, 0.0), ("propane", 1.3, 0.0), ("E85", 0.8, 0.5)],
)
def test_burned_at_once_without_heat_is_a_closed_vessel(fuel, lambda_, nitrous):
    """At top dead centre, in 0.05 degree: Cantera's UV equilibrium of the compressed charge."""
    at_once = case(
        **{"fuel": fuels.get(fuel), "lambda": lambda_, "nitrous_fraction": nitrous},
        spark_deg_btdc=0.025,
        delay_deg=0.0,
        duration_10_90_deg=0.025,
    )
    t = trace(ENGINE, at_once, heat=False)
    before = t[t["burned_share"] == 0].iloc[-1]
    after = t[t["burned_share"] == 1].iloc[0]
    vessel = equilibrate(mixture(at_once), before["T_unburned"], before["P"], "UV")
    assert after["T_burned"] == pytest.approx(vessel.T, abs=1.0)
    assert after["P"] == pytest.approx(vessel.P, rel=1e-3)
    assert row(at_once, heat=False).P_max == pytest.approx(vessel.P, rel=1e-3)


@given(drawn=charges())
@settings(deadline=None, max_examples=40)
def test_what_walls_take_is_lost(drawn):
    with_walls, without = row(drawn), row(drawn, heat=False)
    assert without.heat_loss == 0.0
    assert without.imep > with_walls.imep
    assert without.T_burned_evo > with_walls.T_burned_evo
    assert with_walls.heat_loss > 0


def test_slow_engines_lose_more_and_cold_charges_less():
    out = table([case(rpm=n) for n in (1000.0, 2000.0, 4000.0, 8000.0)])
    assert (np.diff(out["heat_loss"]) < 0).all()
    assert (np.diff(out["imep"]) > 0).all()
    assert (np.diff(out["knock_integral"]) < 0).all()
    out = table([case(T_ivc=T) for T in (300.0, 340.0, 380.0, 420.0)])
    assert (np.diff(out["knock_integral"]) > 0).all()
    assert (np.diff(out["T_end_max"]) > 0).all()
    assert (np.diff(out["mass"]) < 0).all()


def test_later_spark_lower_peak_hotter_exhaust():
    out = table([case(spark_deg_btdc=s) for s in (40.0, 32.0, 24.0, 16.0, 8.0)])
    assert (np.diff(out["P_max"]) < 0).all()
    assert (np.diff(out["T_burned_evo"]) > 0).all()
    assert (np.diff(out["knock_integral"]) < 0).all()
    assert np.diff(out["ca50_deg"]) == pytest.approx(8.0)
    assert 0 < out["imep"].argmax() < 4


@pytest.mark.parametrize(
    "rpm",
    [
        2000.0,
        pytest.param(
            4500.0,
            marks=pytest.mark.xfail(
                strict=True,
                reason="4.5 degrees: with the Woschni heat as published the best timing runs ahead as rpm rises; "
                "half as much heat again brings it to 6.3",
            ),
        ),
    ],
)
def test_the_best_timing_burns_half_about_eight_degrees_after_the_top(rpm):
    """Handbooks: 8 to 10 degrees after TDC, give or take 2, at no stated speed [Heywood]."""
    out = sweep(rpm)
    assert 6.0 <= out["imep_gross"].idxmax() <= 12.0


@pytest.mark.parametrize("rpm", [1500.0, 3000.0, 4500.0, 6000.0])
def test_the_best_timing_is_flat(rpm):
    """Half burned 8 degrees after the top costs less than 1 % of the best, at any speed."""
    out = sweep(rpm)["imep_gross"]
    assert out.loc[8.0] > 0.99 * out.max()


def sweep(rpm):
    """The cycle over timing; its index is where half has burned."""
    halves = np.arange(0.0, 20.0, 0.5)
    width = BASE["duration_10_90_deg"] * burn.Y50 / burn.RAPID
    cases = [case(rpm=rpm, nitrous_fraction=0.0, spark_deg_btdc=7.0 - (h - width)) for h in halves]
    out = run_cycles(ENGINE, pd.DataFrame(cases, index=halves)).table
    assert out["ca50_deg"].to_numpy() == pytest.approx(halves, abs=1e-9)
    return out


@given(drawn=charges(), octane=st.floats(60.0, 125.0))
@settings(deadline=None, max_examples=20)
def test_octane_enters_by_its_power_alone(drawn, octane):
    one, other = row(drawn), row(drawn | {"octane_ron": octane})
    assert other.knock_integral / one.knock_integral == pytest.approx((octane / 98.0) ** -3.402, rel=1e-9)
    assert other.P_max == one.P_max


def test_every_row_stands_for_itself():
    """Alone or among many, by name or by Fuel, with or without a column of no water: the same numbers."""
    cases = [case(rpm=500.0 + 60 * k, nitrous_fraction=(0.0, 0.1, 0.3)[k % 3]) for k in range(130)]
    out = table(cases)
    for k in (0, 1, 64, 65, 129):
        alone = row(cases[k])
        assert alone.to_numpy() == pytest.approx(out.iloc[k].to_numpy(), rel=1e-13)
    named = row(case(fuel="gasoline", water_fraction=0.0))
    assert named.to_numpy() == pytest.approx(row(case()).to_numpy(), rel=1e-13)
    shuffled = table(cases[::-1])
    assert shuffled.to_numpy()[::-1] == pytest.approx(out.to_numpy(), rel=1e-13)


@pytest.mark.parametrize("scale", [0.5, 1.5])
def test_without_heat_pressure_scales(scale):
    """Frozen and burned gas are ideal; only dissociation knows the pressure: less of it makes the peak a little more than the scale."""
    one, other = row(case(), heat=False), row(case(P_ivc=scale * 1.2e5), heat=False)
    gain = other.P_max / one.P_max / scale
    assert 0.985 < gain < 1.015
    assert bool(gain > 1) is (scale > 1)
    assert other.mass == pytest.approx(scale * one.mass, rel=1e-12)


def test_ends_of_the_strokes():
    """Gross less closed part: intake pressure from the bottom to closing, half a cosine from opening to the bottom."""
    out, t = row(case()), trace(ENGINE, case())
    theta = np.linspace(130.0, 180.0, 5001)
    p_open = t["P"].iloc[-1]
    fall = 1.2e5 + (p_open - 1.2e5) * 0.5 * (1 + np.cos(np.pi * (theta - 130.0) / 50.0))
    ends = 1.2e5 * (GEOMETRY.volume(-130.0) - GEOMETRY.volume(-180.0)) + np.trapezoid(fall, GEOMETRY.volume(theta))
    assert out.imep_gross - out.imep == pytest.approx(ends / GEOMETRY.swept, rel=2e-3)


# The same equations integrated without tables

REFERENCE = {
    "rich": case(**{"lambda": 0.7}, rpm=3000.0, nitrous_fraction=0.0, spark_deg_btdc=20.0, delay_deg=6.0, duration_10_90_deg=22.0),
    "lean": case(
        **{"lambda": 1.3}, fuel=fuels.get("propane"), rpm=2500.0, nitrous_fraction=0.03, spark_deg_btdc=28.0, delay_deg=9.0,
        duration_10_90_deg=28.0,
    ),
    "high nitrous": case(
        **{"lambda": 0.9}, fuel=fuels.get("iso-octane"), rpm=6000.0, nitrous_fraction=0.5, P_ivc=1e5, T_ivc=320.0,
        spark_deg_btdc=15.0, delay_deg=8.0, duration_10_90_deg=30.0,
    ),
    "ethanol blend": case(
        **{"lambda": 0.8}, fuel=fuels.get("E85"), rpm=5000.0, nitrous_fraction=0.2, water_fraction=0.02, residual_fraction=0.08,
        spark_deg_btdc=18.0,
    ),
    "low rpm": case(
        **{"lambda": 0.885}, rpm=1200.0, nitrous_fraction=0.25, T_ivc=330.0, spark_deg_btdc=8.0, delay_deg=5.0,
        duration_10_90_deg=18.0,
    ),
    "early, part load": case(
        **{"lambda": 1.0}, rpm=1500.0, nitrous_fraction=0.0, P_ivc=5e4, spark_deg_btdc=50.0, delay_deg=5.0,
        duration_10_90_deg=18.0,
    ),
    "late": case(rpm=6500.0, nitrous_fraction=0.12, spark_deg_btdc=-5.0, delay_deg=8.0, duration_10_90_deg=40.0),
}  # fmt: skip
RELATIVE = {"P_max": 5e-4, "imep": 2e-4, "knock_integral": 5e-3, "heat_loss": 1e-3, "P_50": 5e-4, "mass": 1e-9}
ABSOLUTE = {
    "T_end_max": 0.2,
    "T_burned_evo": 1.0,
    "T_burned_max": 1.0,
    "T_50": 0.2,
    "theta_P_max_deg": 0.05,
    "ca50_deg": 1e-6,
}


@cache
def own(name, step=0.1):
    return integrate(GEOMETRY, REFERENCE[name], step=step)


@pytest.mark.parametrize("name", REFERENCE)
def test_kernel_against_the_table_free_integration(name):
    out, mine = row(REFERENCE[name]), own(name)
    for key, tolerance in RELATIVE.items():
        assert out[key] == pytest.approx(mine[key], rel=tolerance), key
    for key, tolerance in ABSOLUTE.items():
        assert out[key] == pytest.approx(mine[key], abs=tolerance), key


@pytest.mark.parametrize("name", REFERENCE)
def test_the_integration_itself_has_converged(name):
    """At 0.1 degree it differs from 0.2 degree by less than a tenth of what is asked of the kernel; its energy closes."""
    fine, coarse = own(name), own(name, 0.2)
    assert fine["energy_error"] < 5e-6
    for key, tolerance in RELATIVE.items():
        assert coarse[key] == pytest.approx(fine[key], rel=0.1 * tolerance), key
    for key in ("T_end_max", "T_burned_evo", "T_50"):
        assert coarse[key] == pytest.approx(fine[key], abs=0.1 * ABSOLUTE[key]), key


def test_the_integration_itself_ends_in_a_closed_vessel():
    at_once = case(spark_deg_btdc=0.025, delay_deg=0.0, duration_10_90_deg=0.025)
    mine = integrate(GEOMETRY, at_once, heat=False)["trace"]
    i, j = (int(np.argmin(abs(mine["theta_deg"] - angle))) for angle in burn_angles(at_once))
    vessel = equilibrate(mixture(at_once), mine["T_unburned"][i], mine["P"][i], "UV")
    assert mine["T_burned"][j] == pytest.approx(vessel.T, abs=0.1)
    assert mine["P"][j] == pytest.approx(vessel.P, rel=1e-4)


def test_motored_against_the_integration():
    out, mine = row(case(), burns=False), integrate(GEOMETRY, case(), burns=False)
    assert out.P_max == pytest.approx(mine["P_max"], rel=5e-5)
    assert out.imep == pytest.approx(mine["imep"], rel=2e-3)
    assert out.heat_loss == pytest.approx(mine["heat_loss"], rel=1e-3)
    assert out.theta_P_max_deg == pytest.approx(mine["theta_P_max_deg"], abs=0.02)


# Against a network of reactors with finite-rate chemistry

CANTERA = tuple(int(part) for part in ct.__version__.split(".")[:2])
needs_reactors = pytest.mark.skipif(CANTERA < (3, 2), reason="reactors are written for Cantera 3.2")


def network(lambda_, nitrous, heat_, faster):
    """Kernel and network: peak and work, relative; burned gas at the peak and at the end [K]."""
    fired = case(**{"lambda": lambda_, "fuel": fuels.get("propane"), "nitrous_fraction": nitrous})
    net, out = reactor_network(GEOMETRY, fired, heat=heat_, faster=faster), row(fired, heat=heat_)
    t = trace(ENGINE, fired, heat=heat_)
    at_peak = float(np.interp(out.theta_P_max_deg, t["theta_deg"], t["T_burned"]))
    theirs = float(np.interp(out.theta_P_max_deg, net["trace"]["theta_deg"], net["trace"]["T_burned"]))
    end = out.T_burned_evo - net["T_burned_evo"]
    return out.P_max / net["P_max"] - 1, out.imep / net["imep"] - 1, at_peak - theirs, end


LEAN = pytest.mark.xfail(
    strict=True,
    reason="finite rates: lean gas makes its NO too late (peak 0.44 % and 11 K above equilibrium at lambda 1.2)",
)
AT_ONE = pytest.mark.xfail(
    strict=True,
    reason="finite rates: at lambda 1 the last CO does not burn in the expansion (0.7 % less work, 26 K cooler gas)",
)


@needs_reactors
@pytest.mark.parametrize(
    ("lambda_", "nitrous", "heat_"),
    [
        (0.87, 0.1, True),
        (0.87, 0.1, False),
        (0.8, 0.3, True),
        pytest.param(1.0, 0.0, True, marks=AT_ONE),
        pytest.param(1.2, 0.0, True, marks=LEAN),
    ],
)
def test_kernel_against_a_reactor_network(lambda_, nitrous, heat_):
    """0.3 % of the peak, 0.6 % of the work, 10 K of the burned gas: what is left is the burned gas not quite at equilibrium."""
    P, work, at_peak, end = network(lambda_, nitrous, heat_, faster=1.0)
    assert abs(P) < 3e-3
    assert abs(work) < 6e-3
    assert abs(at_peak) < 10.0
    assert abs(end) < 10.0


@needs_reactors
@pytest.mark.parametrize(
    ("lambda_", "nitrous", "heat_"), [(0.87, 0.1, True), (0.87, 0.1, False), (1.0, 0.0, True), (1.2, 0.0, True)]
)
def test_a_network_a_thousand_times_as_fast_is_the_kernel(lambda_, nitrous, heat_):
    """Every rate of GRI-Mech 3.0 times 1000: the difference goes, so it was finite-rate chemistry. Another set of NASA polynomials."""
    P, work, at_peak, end = network(lambda_, nitrous, heat_, faster=1e3)
    assert abs(P) < 1e-3
    assert abs(work) < 3e-3
    assert abs(at_peak) < 2.0
    assert abs(end) < 10.0


# Bad input


@pytest.mark.parametrize(
    ("name", "value", "unit"),
    [
        ("rpm", 250.0, "rpm"),
        ("rpm", 16000.0, "rpm"),
        ("P_ivc", 1.9e4, "Pa"),
        ("P_ivc", 4.1e5, "Pa"),
        ("T_ivc", 181.0, "K"),
        ("T_ivc", 601.0, "K"),
        ("lambda", 0.49, ""),
        ("lambda", 5.1, ""),
        ("nitrous_fraction", -0.01, ""),
        ("nitrous_fraction", 1.01, ""),
        ("residual_fraction", -0.01, ""),
        ("residual_fraction", 0.31, ""),
        ("water_fraction", -0.01, ""),
        ("water_fraction", 0.31, ""),
        ("spark_deg_btdc", -61.0, "deg"),
        ("spark_deg_btdc", 81.0, "deg"),
        ("delay_deg", -0.1, "deg"),
        ("delay_deg", 95.0, "deg"),
        ("duration_10_90_deg", 0.001, "deg"),
        ("duration_10_90_deg", 160.0, "deg"),
        ("octane_ron", 39.0, "RON"),
        ("octane_ron", 131.0, "RON"),
        ("rpm", float("nan"), "rpm"),
        ("P_ivc", float("inf"), "Pa"),
        ("lambda", float("nan"), ""),
        ("octane_ron", float("nan"), "RON"),
    ],
)
def test_out_of_range(name, value, unit):
    """Named, with its value and unit, also where only one row of many is wrong."""
    for cases in ([case(**{name: value})], [case(), case(**{"water_fraction": 0.0, name: value}), case()]):
        for one in cases:
            one.setdefault("water_fraction", 0.0)
        with pytest.raises(InputError) as caught:
            table(cases)
        assert caught.value.field == name
        assert caught.value.unit.startswith(unit)
        assert f"{name} is {value:.6g}" in str(caught.value)
        assert unit in str(caught.value)


@pytest.mark.parametrize("name", list(BASE))
def test_missing_column(name):
    with pytest.raises(InputError) as caught:
        run_cycles(ENGINE, pd.DataFrame([case()]).drop(columns=name))
    assert caught.value.field == "cases"
    assert name in str(caught.value)
    assert "missing" in str(caught.value)


@pytest.mark.parametrize(
    "cases", [pd.DataFrame(), pd.DataFrame([case()]).iloc[:0], [case()], None], ids=["empty", "no rows", "list", "None"]
)
def test_no_cases(cases):
    with pytest.raises(InputError) as caught:
        run_cycles(ENGINE, cases)
    assert caught.value.field == "cases"


def test_text_for_a_number():
    with pytest.raises(InputError) as caught:
        row(case(rpm="fast"))
    assert caught.value.field == "rpm"
    assert "fast" in str(caught.value)
    assert "number" in str(caught.value)


@pytest.mark.parametrize("fuel", ["kerosene", None, 3])
def test_unknown_fuel(fuel):
    with pytest.raises(InputError) as caught:
        row(case(fuel=fuel))
    assert caught.value.field == "fuel"
    assert repr(fuel).strip("'") in str(caught.value)
    with pytest.raises(InputError):
        table([case(), case(fuel=fuel)])


def test_a_burn_that_outlasts_the_closed_cycle():
    with pytest.raises(InputError) as caught:
        row(case(spark_deg_btdc=0.0, delay_deg=20.0, duration_10_90_deg=70.0))
    assert caught.value.field == "duration_10_90_deg"
    assert caught.value.unit == "deg"
    assert "70 deg" in str(caught.value)
    assert "130" in str(caught.value)  # where the valve opens


def test_a_burn_that_begins_before_the_valve_shuts():
    early = Cylinder(0.0992, 0.0876, 0.1505, 10.0, 102.0, 50.0)
    with pytest.raises(InputError) as caught:
        run_cycles(early, pd.DataFrame([case(spark_deg_btdc=80.0, delay_deg=0.0)]))
    assert caught.value.field == "spark_deg_btdc"
    assert "80" in str(caught.value)
    assert "deg" in str(caught.value)


@pytest.mark.parametrize("step", [0.0, -0.5, 5.0, float("nan"), "fine"])
def test_step(step):
    with pytest.raises(InputError) as caught:
        row(case(), step_deg=step)
    assert caught.value.field == "step_deg"


def test_no_engine():
    with pytest.raises(InputError) as caught:
        run_cycles(None, pd.DataFrame([case()]))
    assert caught.value.field == "engine"


@pytest.mark.parametrize("field", ["rpm", "lambda"])
def test_trace_refuses_the_same(field):
    with pytest.raises(InputError) as caught:
        trace(ENGINE, case(**{field: -1.0}))
    assert caught.value.field == field
    assert f"{field} is -1" in str(caught.value)


def test_mixture_of_the_case_is_the_public_one():
    """Water counts in the fresh oxidiser, as in `Mixture`: the mass of a wet charge says so."""
    wet = case(water_fraction=0.03, nitrous_fraction=0.3)
    mix = Mixture(wet["fuel"], wet["lambda"], 0.3, water_fraction=0.03, residual_fraction=0.05)
    mass = 1.2e5 * GEOMETRY.volume(-130.0) * mix.molar_mass / (8.31446261815324 * 350.0)
    assert row(wet).mass == pytest.approx(float(mass), rel=1e-7)
