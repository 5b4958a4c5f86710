"""Many charges at once against one at a time: the same gas, the same exhaust, the same tables."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernel_lib import InputError
from kernel_lib.thermo import fuels
from kernel_lib.thermo.burned import LAMBDA_LEAN, LAMBDA_RICH, NITROUS, family
from kernel_lib.thermo.compositions import compositions, exhaust_of
from kernel_lib.thermo.mixture import Mixture
from kernel_lib.thermo.reactants import polynomials

FUELS = ("gasoline", "ethanol", "methanol", "propane")


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(FUELS), st.floats(0.55, 4.0), st.floats(0.0, 1.0), st.floats(0.0, 0.1), st.floats(0.0, 0.2)
)  # fmt: skip
def test_each_is_the_mixture(name, lambda_, nitrous, water, residual):
    fuel = fuels.get(name)
    many = compositions(fuel, np.full(3, lambda_), np.full(3, nitrous), np.full(3, water), residual)
    fresh = Mixture(fuel, lambda_, nitrous, water_fraction=water)
    whole = Mixture(fuel, lambda_, nitrous, water_fraction=water, residual_fraction=residual)
    assert many.molar_mass[1] == pytest.approx(whole.molar_mass, rel=1e-12)
    assert many.whole[1] == pytest.approx(polynomials(whole), rel=1e-10)
    assert many.fresh[1] == pytest.approx(polynomials(fresh), rel=1e-10)
    assert many.heat_released[1] == pytest.approx(whole.heat_released, rel=1e-10)
    assert many.oxidiser_to_fuel[1] == pytest.approx(fresh.oxidiser_to_fuel, rel=1e-12)
    for species, x in exhaust_of(fuel, np.array([lambda_]), np.array([nitrous]), np.array([water])).items():
        assert x[0] == pytest.approx(fresh.exhaust[species], abs=1e-14)


def test_lambda_one_has_neither_oxygen_nor_carbon_monoxide():
    gas = exhaust_of(fuels.get("gasoline"), np.ones(1), np.array([0.2]), np.zeros(1))
    assert gas["O2"][0] == pytest.approx(0.0, abs=1e-15)
    assert gas["CO"][0] == pytest.approx(0.0, abs=1e-15)


def test_tables_of_many_are_those_of_each():
    kin = family(fuels.get("gasoline"), 0.01, 0.05)
    lambda_, nitrous = np.array([0.84, 0.86, 0.9, 1.0, 1.04]), np.array([0.0, 0.05, 0.09, 0.15, 0.2])
    lowest, tables = kin.tables(lambda_, nitrous)
    for k in range(len(lambda_)):
        low, table = kin.table(lambda_[k], nitrous[k])
        assert lowest[k] == pytest.approx(low, rel=1e-12)
        assert tables[k] == pytest.approx(table, rel=1e-12)
    node, rows = kin._node(0.84, 0.0)  # a node is met, not blended
    assert lowest[0] == node
    assert tables[0] == pytest.approx(rows, rel=1e-14)


def test_between_nodes_the_blend_is_a_cubic():
    """Weights sum to 1 and give back the place itself."""
    from kernel_lib.thermo.burned import _stencils

    for nodes in (LAMBDA_RICH, LAMBDA_LEAN, NITROUS):
        x = np.linspace(nodes[0], nodes[-1], 97)
        weights = _stencils(nodes, x)
        assert sum(weights.values()) == pytest.approx(np.ones(97), abs=1e-12)
        for power in (1, 2, 3):
            assert sum(w * a**power for a, w in weights.items()) == pytest.approx(x**power, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(("values", "field"), [((0.4, 0.1, 0.0), "lambda_"), ((0.9, 1.1, 0.0), "nitrous_fraction"), ((0.9, 0.1, 0.5), "water_fraction")])  # fmt: skip
def test_bad_input(values, field):
    with pytest.raises(InputError) as caught:
        compositions(fuels.get("gasoline"), *(np.array([v]) for v in values), 0.05)
    assert caught.value.field == field


def test_no_table_past_the_last_node():
    with pytest.raises(InputError, match="No table reaches there"):
        family(fuels.get("gasoline"), 0.01, 0.05).tables(np.array([0.3]), np.array([0.1]))
