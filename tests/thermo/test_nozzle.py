"""What a nozzle passes: published curves, a measured series, an isentrope searched with CoolProp, and laws.

The published curves are model curves too: they prove that SPI, HEM and NHNE here are the ones of the literature. Only the
static-fire series is a measurement. The search below shares nothing with the kernel but the equation of state.
"""

import CoolProp.CoolProp as cp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference import check, rows, tolerance
from scipy.optimize import brentq, minimize_scalar

from kernel_lib.errors import InputError
from kernel_lib.thermo import nitrous

N2O = "NitrousOxide"
GAS_CONSTANT = 8.314462618 / 0.0440128  # J/(kg K)
HOLE = 1e-6  # m2

temperatures = st.floats(225.0, 308.5)
shares = st.floats(0.0, 1.0)
models = st.sampled_from(nitrous.MODELS)


def saturation_pressure(T):
    return cp.PropsSI("P", "T", T, "Q", 0, N2O)


def isentrope(P, h0, s0):
    """Flow per area at a pressure of the isentrope, by CoolProp's own flash [kg/(m2 s)]."""
    drop = h0 - cp.PropsSI("H", "P", P, "S", s0, N2O)
    return cp.PropsSI("D", "P", P, "S", s0, N2O) * np.sqrt(2 * max(drop, 0.0))


def largest(h0, s0, low, high):
    """Pressure and flow where the isentrope passes most, by bounded search."""
    found = minimize_scalar(
        lambda P: -isentrope(P, h0, s0), bounds=(low, high), method="bounded", options={"xatol": 1e-7 * high}
    )
    return found.x, -found.fun


def liquid(T, P_up=None):
    """Enthalpy and entropy of saturated or pressed liquid."""
    where = ("T", T, "Q", 0) if P_up is None else ("T|liquid", T, "P", P_up)
    return tuple(cp.PropsSI(key, *where, N2O) for key in ("H", "S"))


# Published curves


def labelled(row):
    marks = []
    if row["model"] == "HEM" and row["dP_MPa"] < 0.18:
        marks = [pytest.mark.xfail(strict=True, reason="read off where the curve is steepest: 15 % off")]
    return pytest.param(row, marks=marks, id=f"{row['model']}-{row['T_K']:g}K-{row['dP_MPa']:g}MPa")


@pytest.mark.parametrize("row", [labelled(r) for r in rows("nozzle_flow", quantity="flow")])
def test_published_curve(row):
    T = row["T_K"]
    P_down = saturation_pressure(T) - row["dP_MPa"] * 1e6
    area = np.pi / 4 * (row["bore_mm"] * 1e-3) ** 2
    check(float(nitrous.nozzle_flow(area, row["coefficient"], T, P_down, model=row["model"])), row)


def static_fire(row, model):
    """Model over measurement, at the row's coefficient, fixed before looking."""
    T = brentq(lambda T: saturation_pressure(T) - row["P_up_MPa"] * 1e6, 250.0, 309.0)
    P_down = (row["P_up_MPa"] - row["dP_MPa"]) * 1e6
    return float(nitrous.nozzle_flow(row["area_cm2"] * 1e-4, row["coefficient"], T, P_down, model=model)) / row["value"]


FIRES = rows("nozzle_flow", quantity="measured_flow")
FIRE_IDS = [f"{r['P_up_MPa']:g}MPa" for r in FIRES]


@pytest.mark.parametrize(
    ("row", "ratios"), list(zip(FIRES, ((2.10, 0.823, 1.338), (2.126, 0.894, 1.432)), strict=True)), ids=FIRE_IDS
)
def test_where_the_models_fall_in_the_measured_series(row, ratios):
    """A statement, kept from drifting: HEM 11 to 18 % below what was measured, NHNE 34 to 43 % and SPI 110 % above."""
    for model, ratio in zip(("SPI", "HEM", "NHNE"), ratios, strict=True):
        assert static_fire(row, model) == pytest.approx(ratio, rel=5e-3)


@pytest.mark.parametrize(
    "row",
    [
        pytest.param(
            FIRES[0],
            id=FIRE_IDS[0],
            marks=pytest.mark.xfail(strict=True, reason="HEM at 0.65 is 17.7 % low: this window asks 0.79"),
        ),
        pytest.param(FIRES[1], id=FIRE_IDS[1]),
    ],
)
def test_the_default_meets_the_measured_series(row):
    assert abs(static_fire(row, nitrous.DEFAULT) - 1) <= tolerance(row) / row["value"]


@pytest.mark.parametrize("row", FIRES, ids=FIRE_IDS)
def test_the_default_is_the_nearest_to_the_measured_series(row):
    off = {model: abs(static_fire(row, model) - 1) for model in nitrous.MODELS}
    assert min(off, key=off.get) == nitrous.DEFAULT


# Homogeneous equilibrium against a search of its own


def test_critical_mass_flux():
    (flux,) = rows("nozzle_flow", quantity="critical_mass_flux")
    (pressure,) = rows("nozzle_flow", quantity="critical_pressure")
    T, P_sat = flux["T_K"], saturation_pressure(flux["T_K"])
    P, own = largest(*liquid(T), 0.5 * P_sat, 0.99 * P_sat)
    check(float(nitrous.mass_flux(T, 1e5, model="HEM")), flux)
    check(P * 1e-6, pressure)
    assert float(nitrous.mass_flux(T, 1e5, model="HEM")) == pytest.approx(own, rel=5e-5)


@pytest.mark.parametrize("T", [215.0, 240.0, 260.0, 285.0, 295.0, 303.0, 307.0, 309.0])
def test_boiling_flow_is_the_isentropes(T):
    """Choked at its maximum; above the choking pressure the isentrope's at the pressure behind."""
    P_sat, (h0, s0) = saturation_pressure(T), liquid(T)
    P_choked, most = largest(h0, s0, 0.4 * P_sat, 0.9999 * P_sat)
    for P in (1e5, 0.5 * P_choked, 0.98 * P_choked):
        assert float(nitrous.mass_flux(T, P, model="HEM")) == pytest.approx(most, rel=2e-4)
    for share in (0.1, 0.5, 0.9):
        P = P_choked + share * (P_sat - P_choked)
        assert float(nitrous.mass_flux(T, P, model="HEM")) == pytest.approx(isentrope(P, h0, s0), rel=1e-4)


@pytest.mark.parametrize(("T", "P_up"), [(275.0, 6e6), (290.0, 8e6), (300.0, 7e6), (300.0, 12e6), (308.0, 9e6)])
def test_boiling_flow_of_pressed_liquid_is_the_isentropes(T, P_up):
    h0, s0 = liquid(T, P_up)
    begins = saturation_pressure(brentq(lambda t: cp.PropsSI("S", "T", t, "Q", 0, N2O) - s0, 220.0, 309.0))
    _, most = largest(h0, s0, 0.3 * begins, begins)
    most = max(most, isentrope(begins * (1 - 1e-6), h0, s0))
    assert float(nitrous.mass_flux(T, 1e5, model="HEM", P_up=P_up)) == pytest.approx(most, rel=2e-3)


@given(T=temperatures, share=shares)
@settings(deadline=None, max_examples=40)
def test_nhne_of_saturated_liquid_is_the_mean(T, share):
    """Dyer's kappa is 1: half Bernoulli, half the isentrope at the pressure behind, not held at its maximum."""
    P_sat = saturation_pressure(T)
    P = 1e5 + share * 0.999 * (P_sat - 1e5)
    bernoulli = np.sqrt(2 * cp.PropsSI("D", "T", T, "Q", 0, N2O) * (P_sat - P))
    own = (bernoulli + isentrope(P, *liquid(T))) / 2
    assert float(nitrous.mass_flux(T, P, model="NHNE")) == pytest.approx(own, rel=2e-4)


@given(T=st.floats(240.0, 305.0), above=st.floats(0.05, 2.0), share=st.floats(0.05, 0.95))
@settings(deadline=None, max_examples=30)
def test_nhne_of_pressed_liquid_weighs_by_kappa(T, above, share):
    """NHNE between its two parents: (k SPI + HEM at the pressure behind)/(1 + k), k = sqrt((P1 - P2)/(Psat - P2))."""
    P_sat = saturation_pressure(T)
    P_up, P = P_sat + above * 1e6, 2e5 + share * 0.6 * (P_sat - 2e5)
    k = np.sqrt((P_up - P) / (P_sat - P))
    density = cp.PropsSI("D", "T|liquid", T, "P", P_up, N2O)
    own = (k * np.sqrt(2 * density * (P_up - P)) + isentrope(P, *liquid(T, P_up))) / (1 + k)
    assert float(nitrous.mass_flux(T, P, model="NHNE", P_up=P_up)) == pytest.approx(own, rel=5e-4)


# Laws and limits


@given(T=temperatures, P_share=shares, model=models, times=st.integers(1, 60))
@settings(deadline=None, max_examples=40)
def test_flow_grows_with_area_and_coefficient_exactly(T, P_share, model, times):
    P = 1e5 + P_share * (saturation_pressure(T) * 0.999 - 1e5)
    one = float(nitrous.nozzle_flow(HOLE, 0.5, T, P, model=model))
    assert float(nitrous.nozzle_flow(times * HOLE, 0.5, T, P, model=model)) == pytest.approx(times * one, rel=1e-14)
    assert float(nitrous.nozzle_flow(HOLE, 0.5 / times, T, P, model=model)) == pytest.approx(one / times, rel=1e-14)
    assert float(nitrous.nozzle_flow(2 * HOLE, 0.5, T, P, model=model)) == 2 * one
    assert float(nitrous.nozzle_flow(0.0, 0.5, T, P, model=model)) == 0.0


@pytest.mark.parametrize("model", nitrous.MODELS)
@pytest.mark.parametrize(("T", "P"), [(273.0, None), (308.0, None), (290.0, 9e6), (250.0, 20e6)])
def test_no_difference_no_flow(model, T, P):
    """Exactly zero, and no NaN a whisker below."""
    behind = float(nitrous.saturation(T).P) if P is None else P
    assert float(nitrous.nozzle_flow(HOLE, 0.7, T, behind, model=model, P_up=P)) == 0.0
    near = float(nitrous.nozzle_flow(HOLE, 0.7, T, behind * (1 - 1e-6), model=model, P_up=P))
    assert 0.0 < near < 0.02 * float(nitrous.nozzle_flow(HOLE, 0.7, T, 1e5, model="SPI", P_up=P))


@given(T=temperatures, model=st.sampled_from(("SPI", "HEM")), one=shares, other=shares)
@settings(deadline=None, max_examples=60)
def test_less_pressure_behind_never_passes_less(T, model, one, other):
    """NHNE is left out: unchoked by design, its published curve turns down at the end (51.29 to 51.10 g/s at 273 K)."""
    P_sat = saturation_pressure(T)
    more, less = (float(nitrous.mass_flux(T, s * P_sat, model=model)) for s in sorted((one, other)))
    assert more >= less * (1 - 1e-4)  # the maximum is read off 64 points


@given(T=temperatures, share=st.floats(0.0, 0.95))
@settings(deadline=None, max_examples=40)
def test_models_in_order(T, share):
    """Boiling on the way, the same liquid passes less: HEM below NHNE where not choked, NHNE below SPI."""
    P_sat = saturation_pressure(T)
    spi, nhne, hem = (float(nitrous.mass_flux(T, share * P_sat, model=m)) for m in ("SPI", "NHNE", "HEM"))
    assert spi > nhne
    assert spi > hem


@given(T=temperatures, model=models, share=st.floats(0.05, 0.95))
@settings(deadline=None, max_examples=40)
def test_continuous_from_saturated_to_pressed_liquid(T, model, share):
    """Pressed by 1e-5 of its pressure the liquid passes what it passes saturated."""
    P_sat = float(nitrous.saturation(T).P)
    saturated = float(nitrous.mass_flux(T, share * P_sat, model=model))
    pressed = float(nitrous.mass_flux(T, share * P_sat, model=model, P_up=P_sat * (1 + 1e-5)))
    assert pressed == pytest.approx(saturated, rel=1e-3)


@pytest.mark.parametrize("T", [225.0, 273.0, 295.0, 308.0])
@pytest.mark.parametrize("model", nitrous.MODELS)
def test_continuous_across_choking(T, model):
    """In 2000 steps of pressure, away from zero difference, no step of flow is larger than a few of its neighbours'."""
    P = np.linspace(0.97, 0.05, 2000) * saturation_pressure(T)
    flux = nitrous.mass_flux(T, P, model=model)
    assert np.abs(np.diff(flux)).max() < 0.012 * flux.max()
    assert np.abs(np.diff(flux, n=2)).max() < 1e-3 * flux.max()


@pytest.mark.parametrize("model", nitrous.MODELS)
def test_arrays_are_their_elements(model):
    T, P = np.array([[270.0], [295.0]]), np.array([1e5, 1e6, 2e6])
    P_up = np.array([[6e6], [8e6]])
    for up in (None, P_up):
        whole = nitrous.mass_flux(T, P, model=model, P_up=up)
        assert whole.shape == (2, 3)
        for i in range(2):
            for j in range(3):
                one = nitrous.mass_flux(T[i, 0], P[j], model=model, P_up=None if up is None else P_up[i, 0])
                assert whole[i, j] == pytest.approx(float(one), rel=1e-12)


@pytest.mark.parametrize(("T", "P_up"), [(290.0, 8e6), (290.0, 12e6), (300.0, 12e6), (305.0, 20e6)])
def test_pressed_liquid_passes_no_less_just_below_boiling(T, P_up):
    """Continuity and monotony of HEM where bubbles begin, to 0.2 %."""
    s0 = liquid(T, P_up)[1]
    begins = saturation_pressure(brentq(lambda t: cp.PropsSI("S", "T", t, "Q", 0, N2O) - s0, 220.0, 309.4))
    before, after = nitrous.mass_flux(T, np.array([1.0005, 0.9995]) * begins, model="HEM", P_up=P_up)
    assert after == pytest.approx(before, rel=2e-3)


@given(T=st.floats(182.6, 309.5), above=st.floats(1e-5, 4.0), share=st.floats(0.0, 0.999), model=models)
@settings(deadline=None, max_examples=60)
def test_always_a_number(T, above, share, model):
    P_up = min(float(nitrous.saturation(T).P) * (1 + above), 40e6)
    for up in (None, P_up):
        P_down = share * (up or float(nitrous.saturation(T).P))
        found = float(nitrous.nozzle_flow(HOLE, 0.7, T, P_down, model=model, P_up=up))
        assert np.isfinite(found)
        assert found > 0


# Vapour, and the dense gas above the critical point


def ideal_choked(T, P):
    """Flow per area of an ideal gas with the heat capacity nitrous has at vanishing pressure."""
    k = 1 / (1 - GAS_CONSTANT / cp.PropsSI("Cp0mass", "T", T, "P", 1e3, N2O))
    return P * np.sqrt(k / (GAS_CONSTANT * T)) * (2 / (k + 1)) ** ((k + 1) / (2 * (k - 1)))


@pytest.mark.parametrize(
    ("T", "P", "off"),
    [
        (300.0, 2e4, 0.005),
        (300.0, 5e4, 0.005),
        (300.0, 1e5, 0.005),
        (300.0, 2e5, 0.01),
        (350.0, 2e5, 0.006),
        (280.0, 4e5, 0.015),
    ],
)
def test_thin_vapour_is_an_ideal_gas(T, P, off):
    """Within what the real gas is denser at that pressure, and what its heat capacity falls while it cools (0.4 %)."""
    assert nitrous.vapour_flow(HOLE, 1.0, T, 0.0, P_up=P) / HOLE == pytest.approx(ideal_choked(T, P), rel=off)


KINKED = [(310.0, 10e6), (320.0, 20e6)]


@pytest.mark.parametrize(
    ("T", "P_up"),
    [(290.0, None), (308.0, None), (300.0, 3e6), (309.6, 7.5e6), (320.0, 9e6), (353.0, 20e6), (345.0, 20e6), *KINKED],
)
def test_vapour_and_dense_gas_choke_like_the_isentrope(T, P_up):
    P, h0, s0 = stagnant(T, P_up)
    grid = np.linspace(0.2, 0.995, 120) * P
    k = int(np.argmax([isentrope(p, h0, s0) for p in grid]))
    most = max(largest(h0, s0, grid[k - 1], grid[k + 1])[1], isentrope(grid[k], h0, s0))
    assert nitrous.vapour_flow(HOLE, 0.8, T, 1e5, P_up=P_up) / HOLE == pytest.approx(0.8 * most, rel=3e-3)


@pytest.mark.parametrize(
    ("T", "P_up"), [(290.0, None), (308.0, None), (300.0, 3e6), (310.0, 10e6), (320.0, 9e6), (345.0, 20e6)]
)
def test_vapour_and_dense_gas_follow_the_isentrope(T, P_up):
    P, h0, s0 = stagnant(T, P_up)
    for behind in (0.99 * P, 0.97 * P):
        own = isentrope(behind, h0, s0)
        assert nitrous.vapour_flow(HOLE, 0.8, T, behind, P_up=P_up) / HOLE == pytest.approx(0.8 * own, rel=1e-3)


def stagnant(T, P_up):
    """Pressure, enthalpy and entropy of the gas before the nozzle."""
    where = ("T", T, "Q", 1) if P_up is None else ("T", T, "P", P_up)
    return tuple(cp.PropsSI(key, *where, N2O) for key in ("P", "H", "S"))


def test_vapour_of_a_bottle_passes_less_than_its_liquid():
    assert nitrous.vapour_flow(HOLE, 0.7, 295.0, 1e5) < float(nitrous.nozzle_flow(HOLE, 0.7, 295.0, 1e5))
    assert nitrous.vapour_flow(HOLE, 0.7, 295.0, float(nitrous.saturation(295.0).P)) == 0.0
    assert nitrous.vapour_flow(2 * HOLE, 0.7, 295.0, 1e5) == 2 * nitrous.vapour_flow(HOLE, 0.7, 295.0, 1e5)


# What a line before the nozzle takes


def throttled(T, P_down, loss, model):
    """Share left, searched with CoolProp: boiled at constant enthalpy in the line, then along the isentrope from there."""
    P, h0 = saturation_pressure(T), cp.PropsSI("H", "T", T, "Q", 0, N2O)
    P_in = P - loss
    s_in = cp.PropsSI("S", "P", P_in, "H", h0, N2O)
    density = cp.PropsSI("D", "T", T, "Q", 0, N2O)
    bernoulli = [np.sqrt(2 * density * (p - P_down)) for p in (P, P_in)]
    if model == "SPI":
        return bernoulli[1] / bernoulli[0]
    stagnations = ((P, *liquid(T)), (P_in, h0, s_in))
    if model == "NHNE":
        parts = [b + isentrope(P_down, h, s) for b, (_, h, s) in zip(bernoulli, stagnations, strict=True)]
    else:
        parts = [largest(h, s, max(P_down, 0.3 * p), 0.99999 * p)[1] for p, h, s in stagnations]
    return parts[1] / parts[0]


@given(T=temperatures, behind=st.floats(0.0, 0.9), share=st.floats(0.0, 0.999))
@settings(deadline=None, max_examples=30)
def test_what_a_line_leaves_of_liquid_that_does_not_boil(T, behind, share):
    """SPI: the root of the pressure that is left."""
    over = float(nitrous.saturation(T).P) * (1 - behind)
    P_down = float(nitrous.saturation(T).P) - over
    found = nitrous.throttled_share(T, P_down, share * over, model="SPI")
    assert found == pytest.approx(np.sqrt(1 - share), rel=1e-6)


@pytest.mark.parametrize(
    ("T", "P_down", "loss"),
    [
        (240.0, 1e5, 3e5),
        (273.15, 1e5, 1e6),
        (295.0, 1e5, 2e5),
        (295.0, 1e5, 2e6),
        (303.65, 99.6e3, 6e5),
        (307.0, 1e5, 3e6),
    ],
)
@pytest.mark.parametrize("model", nitrous.MODELS)
def test_what_a_line_leaves_is_the_isentropes(T, P_down, loss, model):
    """2e-3: the kernel's maximum is read off 64 points."""
    assert nitrous.throttled_share(T, P_down, loss, model=model) == pytest.approx(
        throttled(T, P_down, loss, model), rel=2e-3
    )


def test_what_a_line_leaves_of_a_flow_that_does_not_choke():
    """Little pressure over the nozzle: the flow ends at the pressure behind, line or none."""
    P_down = 0.95 * saturation_pressure(290.0)
    loss = 0.02 * saturation_pressure(290.0)
    found = nitrous.throttled_share(290.0, P_down, loss)
    assert found == pytest.approx(throttled(290.0, P_down, loss, "HEM"), rel=2e-3)
    assert nitrous.throttled_share(290.0, P_down, loss) == nitrous.throttled_share(290.0, P_down, loss, model="HEM")


@given(T=temperatures, model=models, one=st.floats(0.0, 0.999), more=st.floats(0.01, 0.5), P_down=st.floats(0.0, 5e5))
@settings(deadline=None, max_examples=40)
def test_the_more_a_line_takes_the_less_is_left(T, model, one, more, P_down):
    """One without a loss, falling, and none where all of it is lost; boiling costs more than the pressure alone."""
    over = float(nitrous.saturation(T).P) - P_down
    low, high = one * over / (1 + more), one * over
    assert nitrous.throttled_share(T, P_down, 0.0, model=model) == 1.0
    less, least = (nitrous.throttled_share(T, P_down, v, model=model) for v in (low, high))
    assert 0 <= least <= less <= 1 + 1e-4
    if high - low > 1e-3 * over:
        assert least < less
    if model == "HEM":
        assert least <= np.sqrt(1 - one) + 1e-3


def test_nothing_is_lost_of_no_flow():
    """No difference of pressure, no flow, and no share of it to lose."""
    P = float(nitrous.saturation(290.0).P)
    for model in nitrous.MODELS:
        assert nitrous.throttled_share(290.0, P, 0.0, model=model) == 1.0
        assert nitrous.throttled_share(290.0, 1e5, P - 1e5, model=model) == pytest.approx(0.0, abs=0.02)


# Bad input


def flow(area=HOLE, coefficient=0.7, T=295.0, P_down=1e5, **more):
    return nitrous.nozzle_flow(area, coefficient, T, P_down, **more)


def vapour(area=HOLE, coefficient=0.7, T=295.0, P_down=1e5, **more):
    return nitrous.vapour_flow(area, coefficient, T, P_down, **more)


BAD = (float("nan"), float("inf"), None, True)
CASES = [
    *(("T", "K", lambda v=v: flow(T=v)) for v in (*BAD, 309.52, 309.53, 320.0, 182.0, -5.0, [290.0, 310.0], [])),
    ("T", "K", lambda: flow(T="warm")),
    *(("area", "m2", lambda v=v: flow(area=v)) for v in (*BAD, -1e-6, 0.1, "small")),
    *(("discharge_coefficient", "", lambda v=v: flow(coefficient=v)) for v in (*BAD, -0.1, 5.0, "good")),
    *(("P_down", "Pa", lambda v=v: flow(P_down=v)) for v in (*BAD, -1.0, 1e9, "low")),
    *(("P_up", "Pa", lambda v=v: flow(P_up=v)) for v in (float("nan"), True, 0.0, 3e6, 5e6, 1e9, "high")),
    *(("P_up", "Pa", lambda v=v: flow(P_down=v)) for v in (5.7e6, 20e6)),
    ("P_up", "Pa", lambda: flow(P_down=9e6, P_up=8e6)),
    *(("model", "", lambda v=v: flow(model=v)) for v in ("hem", "", None, 3)),
    *(("T", "K", lambda v=v: vapour(T=v)) for v in (*BAD, 309.52, 320.0, 182.0, "warm")),
    *(("T", "K", lambda v=v: vapour(T=v, P_up=2e6)) for v in (*BAD, 600.0, "warm")),
    *(("P_up", "Pa", lambda v=v: vapour(P_up=v)) for v in (float("nan"), True, 0.0, 9e6, 1e9, "high")),
    ("P", "Pa", lambda: vapour(P_up=float(nitrous.saturation(295.0).P))),
    ("P_up", "Pa", lambda: vapour(P_down=6e6)),
    *(("T", "K", lambda v=v: nitrous.throttled_share(v, 1e5, 1e5)) for v in (*BAD, 309.53, 182.0, "warm")),
    *(("P_down", "Pa", lambda v=v: nitrous.throttled_share(295.0, v, 1e5)) for v in (*BAD, -1.0, 6e6, "low")),
    *(("loss", "Pa", lambda v=v: nitrous.throttled_share(295.0, 1e5, v)) for v in (*BAD, -1.0, 5.5e6, "some")),
    *(("model", "", lambda v=v: nitrous.throttled_share(295.0, 1e5, 1e5, model=v)) for v in ("hem", "", None, 3)),
]


def refused(call, fields, unit):
    """The complaint: which argument, its value and unit, what is allowed and why."""
    with pytest.raises(InputError) as caught:
        call()
    error = caught.value
    assert error.field in fields
    assert error.unit == unit
    assert error.allowed.strip()
    assert error.reason.strip().endswith(".")
    assert error.field in str(error)
    return error


@pytest.mark.parametrize(("field", "unit", "call"), CASES)
def test_bad_input_is_refused_in_words(field, unit, call):
    fields = ("P", "P_up") if field == "P_up" else (field,)
    refused(call, fields, unit)


def test_too_warm_for_liquid_says_what_to_do():
    assert "vapour_flow" in refused(lambda: flow(T=315.0), ("T",), "K").reason
    assert "vapour_flow" in refused(lambda: flow(P_up=4e6), ("P_up",), "Pa").reason
    assert "nozzle_flow" in refused(lambda: vapour(P_up=9e6), ("P_up",), "Pa").reason
