"""Flame speeds: the published fit, and what the table of computed flames says of nitrous oxide.

The flames themselves (propane, GRI-Mech 3.0) are a proxy; what is tested is that the table is whole, that it is read smoothly, and how
far it misses flames that were computed and left out of it.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference import check, rows

from kernel_lib.errors import InputError
from kernel_lib.thermo import flame, fuels

ATM = 101325.0
AXES = ("phi", "T_unburned_K", "p_atm", "nitrous_fraction")
LEFT_OUT_TOLERANCE = 0.03  # of the ratio, for each pair

phis = st.floats(0.7, 1.5)
temperatures = st.floats(400.0, 950.0)
pressures = st.floats(5.0 * ATM, 80.0 * ATM)
fractions = st.floats(0.0, 0.55)


# The published fit


@pytest.mark.parametrize(
    "row",
    rows("flame_speed", quantity="base_speed"),
    ids=lambda r: f"{r['fuel']}-{r['phi']:g}-{r['T_K']:g}K-{r['p_atm']:g}atm",
)
def test_metghalchi_keck(row):
    speed = flame.base_speed(row["fuel"], row["phi"], row["T_K"], row["p_atm"] * ATM, row["diluent_mass_fraction"])
    check(100 * float(speed), row)


@pytest.mark.parametrize(
    ("fuel", "rich", "lean"),
    [("gasoline", 1.13, 0.9), ("iso-octane", 1.13, 0.9), ("propane", 1.08, 0.8), ("methanol", 1.11, 0.8)],
)
def test_fastest_where_the_fit_says(fuel, rich, lean):
    speeds = flame.base_speed(fuel, np.array([rich - 0.02, rich, rich + 0.02, lean]), 298.0, ATM)
    assert speeds.argmax() == 1
    assert speeds[0] == pytest.approx(speeds[2], rel=1e-12)


@given(phi=st.floats(0.8, 1.4), T=st.floats(298.0, 900.0), p=st.floats(1.0, 50.0), times=st.floats(1.01, 2.0))
def test_exponents_of_the_fit(phi, T, p, times):
    """Written out again: temperature 2.18 - 0.8 (phi - 1), pressure -0.16 + 0.22 (phi - 1)."""
    speed = flame.base_speed("gasoline", phi, T, p * ATM)
    hotter = flame.base_speed("gasoline", phi, min(T * times, 1500.0), p * ATM)
    assert hotter / speed == pytest.approx((min(T * times, 1500.0) / T) ** (2.18 - 0.8 * (phi - 1)), rel=1e-10)
    pressed = flame.base_speed("gasoline", phi, T, p * times * ATM)
    assert pressed / speed == pytest.approx(times ** (-0.16 + 0.22 * (phi - 1)), rel=1e-10)


@given(Y=st.floats(0.0, 0.2))
def test_burned_gas_slows_in_proportion(Y):
    clean, diluted = (flame.base_speed("propane", 1.1, 600.0, 20 * ATM, y) for y in (0.0, Y))
    assert diluted == pytest.approx(clean * (1 - 2.1 * Y), rel=1e-12)


def test_a_fuel_is_known_by_its_name():
    named = flame.base_speed("iso-octane", 1.0, 500.0, 10 * ATM)
    assert flame.base_speed(fuels.get("iso-octane"), 1.0, 500.0, 10 * ATM) == named
    assert flame.base_speed(fuels.get("E85"), 1.0, 500.0, 10 * ATM) == flame.base_speed(
        "gasoline", 1.0, 500.0, 10 * ATM
    )


@pytest.mark.parametrize(
    ("state", "inside"),
    [
        ((1.1, 500.0, 20 * ATM, 0.1), True),
        ((0.8, 298.0, 0.4 * ATM, 0.0), True),
        ((1.5, 700.0, 50 * ATM, 0.2), True),
        ((0.75, 500.0, 20 * ATM, 0.1), False),
        ((1.55, 500.0, 20 * ATM, 0.1), False),
        ((1.1, 720.0, 20 * ATM, 0.1), False),
        ((1.1, 290.0, 20 * ATM, 0.1), False),
        ((1.1, 500.0, 55 * ATM, 0.1), False),
        ((1.1, 500.0, 0.3 * ATM, 0.1), False),
        ((1.1, 500.0, 20 * ATM, 0.25), False),
    ],
)
def test_where_the_fit_was_made(state, inside):
    assert bool(flame.within_fit(*state)) is inside


@pytest.mark.parametrize(
    ("changed", "field", "unit"),
    [
        ({"phi": 0.5}, "phi", ""),
        ({"phi": 1.9}, "phi", ""),
        ({"phi": float("nan")}, "phi", ""),
        ({"T": -10.0}, "T", "K"),
        ({"P": 0.0}, "P", "Pa"),
        ({"diluent": -0.1}, "diluent", ""),
        ({"diluent": 0.6}, "diluent", ""),
    ],
)
def test_base_speed_refuses(changed, field, unit):
    state = {"phi": 1.0, "T": 500.0, "P": 20 * ATM, "diluent": 0.0} | changed
    with pytest.raises(InputError) as caught:
        flame.base_speed("gasoline", **state)
    assert caught.value.field == field
    assert caught.value.unit == unit
    assert f"{changed[field]:.6g}" in str(caught.value)


# The table


def left_out_pairs():
    """Each left-out flame with nitrous beside the one without at the same state."""
    out = flame.table().query("use == 'left out'")
    for state, both in out.groupby(list(AXES[:3])):
        bare, sprayed = both[both["nitrous_fraction"] == 0], both[both["nitrous_fraction"] > 0]
        for row in sprayed.to_dict("records"):
            if len(bare):
                yield *state, row["nitrous_fraction"], row["S_L_cm_s"] / bare["S_L_cm_s"].iloc[0]


def test_the_table_is_whole():
    grid = flame.table().query("use == 'grid'")
    assert len(grid) == np.prod([grid[axis].nunique() for axis in AXES])
    assert not grid.duplicated(list(AXES)).any()
    assert (grid["S_L_cm_s"] > 0).all()
    for axis, (low, high) in zip(AXES, ((0.7, 1.5), (400, 950), (5, 80), (0, 0.55)), strict=True):
        assert grid[axis].min() <= low
        assert grid[axis].max() >= high
    for axis, ends in zip(AXES, (flame.PHI, flame.T_UNBURNED, flame.P_ATM, flame.NITROUS), strict=True):
        assert (grid[axis].min(), grid[axis].max()) == tuple(ends)


@given(phi=phis, T=temperatures, P=pressures)
def test_ratio_without_nitrous_is_exactly_one(phi, T, P):
    assert float(flame.speed_ratio(phi, T, P, 0.0)) == 1.0


def test_the_table_is_read_at_its_own_flames():
    grid = flame.table().query("use == 'grid'").set_index(list(AXES))["S_L_cm_s"]
    for (phi, T, p, x), speed in grid.items():
        if x > 0:
            own = speed / grid[phi, T, p, 0.0]
            assert float(flame.speed_ratio(phi, T, p * ATM, x)) == pytest.approx(own, rel=1e-6), (phi, T, p, x)


def test_enough_flames_were_left_out():
    assert len(list(left_out_pairs())) >= 30


def named(pair):
    phi, T, p, x, _ = pair
    return f"phi{phi:g}-{T:g}K-{p:g}atm-{x:g}"


@pytest.mark.parametrize("pair", list(left_out_pairs()), ids=named)
def test_flames_left_out_of_the_table(pair):
    phi, T, p, x, ratio = pair
    assert float(flame.speed_ratio(phi, T, p * ATM, x)) == pytest.approx(ratio, rel=LEFT_OUT_TOLERANCE)


@pytest.mark.parametrize("axis", range(4))
@given(phi=phis, T=temperatures, p=st.floats(5.0, 80.0), x=fractions)
@settings(deadline=None, max_examples=30)
def test_ratio_is_smooth(axis, phi, T, p, x):
    """Value and slope run on through every node of the table."""
    low, high = ((0.7, 1.5), (400.0, 950.0), (5.0, 80.0), (0.0, 0.55))[axis]
    nodes = np.sort(flame.table().query("use == 'grid'")[AXES[axis]].unique())[1:-1]
    h = 1e-3 * (high - low)

    def at(v):
        point = [phi, T, p, x]
        point[axis] = v
        return float(flame.speed_ratio(point[0], point[1], point[2] * ATM, point[3]))

    for node in nodes:
        left2, left, here, right, right2 = (at(node + k * h) for k in (-2, -1, 0, 1, 2))
        assert abs(right - left) < 0.05 * here
        before, after = (
            (3 * here - 4 * left + left2) / 2,
            (4 * right - 3 * here - right2) / 2,
        )  # one-sided, second order
        assert abs(after - before) < 2e-4 * here


def test_ratio_broadcasts():
    out = flame.speed_ratio(1.1, np.array([[600.0], [800.0]]), 30 * ATM, np.array([0.0, 0.1, 0.3]))
    assert out.shape == (2, 3)
    assert (out[:, 0] == 1.0).all()
    assert out[1, 2] == pytest.approx(float(flame.speed_ratio(1.1, 800.0, 30 * ATM, 0.3)), rel=1e-12)


def test_little_nitrous_hardly_speeds_a_rich_flame():
    """A statement of the pages, kept from drifting: at 10 % within 0.9 to 1.2 of the flame in air."""
    ratio = flame.speed_ratio(np.array([1.05, 1.15, 1.25]), 750.0, 30 * ATM, 0.1)
    assert ((ratio > 0.9) & (ratio < 1.2)).all()


@pytest.mark.parametrize(
    ("changed", "field", "unit"),
    [
        ({"phi": 0.69}, "phi", ""),
        ({"phi": 1.51}, "phi", ""),
        ({"T": 320.0}, "T", "K"),
        ({"T": 951.0}, "T", "K"),
        ({"T": float("nan")}, "T", "K"),
        ({"P": 4.9 * ATM}, "P", "Pa"),
        ({"P": 121 * ATM}, "P", "Pa"),
        ({"nitrous_fraction": -0.01}, "nitrous_fraction", ""),
        ({"nitrous_fraction": 0.56}, "nitrous_fraction", ""),
    ],
)
def test_the_table_is_not_extended_by_guess(changed, field, unit):
    state = {"phi": 1.1, "T": 700.0, "P": 30 * ATM, "nitrous_fraction": 0.1} | changed
    with pytest.raises(InputError) as caught:
        flame.speed_ratio(**state)
    assert caught.value.field == field
    assert caught.value.unit == unit
    assert f"{changed[field]:.6g}" in str(caught.value)
