"""Burned gas at equilibrium, tabulated once per mixture and read many times.

A `Family` holds, for one fuel, moisture and residual gas, tables over lambda and nitrous fraction; each is solved by Cantera when it is
first needed and kept. Between its nodes a table is a cubic blend of its neighbours.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence

import cantera as ct
import numpy as np
from scipy.interpolate import CubicSpline

from ..errors import InputError
from .compositions import Compositions, compositions
from .equilibrium import LOCK, products_phase
from .fuels import Fuel
from .mixture import Mixture, water_gas_products

LAMBDA_RICH = (0.5, 0.56, 0.62, 0.68, 0.74, 0.79, 0.84, 0.88, 0.92, 0.955, 0.975, 0.986, 0.994, 1.0)
LAMBDA_LEAN = (1.0, 1.006, 1.014, 1.025, 1.045, 1.1, 1.2, 1.35, 1.55, 1.8, 2.15, 2.6, 3.2, 4.0, 5.0)
NITROUS = (0.0, 0.04, 0.09, 0.15, 0.22, 0.3, 0.39, 0.49, 0.6, 0.73, 0.86, 1.0)
"""Nodes. Lambda 1 ends both rows: no blend reaches across it, where cool burned gas has a kink."""

LN_P = np.linspace(np.log(3e4), np.log(5e7), 12)
SPAN, STEPS = 7.4e6, 44
"""Enthalpy that a table reaches above its coldest row [J/kg], and into how many rows it is cut."""

_T = np.concatenate([np.linspace(700.0, 1700.0, 14), np.linspace(1780.0, 5000.0, 42)])


def _settle(gas: ct.Solution, T: float, P: float) -> None:
    """Bring the gas to equilibrium; cold stoichiometric gas asks for Cantera's slower solver."""
    gas.TP = T, P
    try:
        gas.equilibrate("TP", solver="element_potential", rtol=1e-9)
    except ct.CanteraError:
        gas.TP = T, P
        gas.equilibrate("TP", solver="gibbs", rtol=1e-9)


def _solve(mix: Mixture) -> tuple[float, np.ndarray]:
    """Coldest enthalpy [J/kg], and (T [K], moles per kg) over enthalpy above it and ln p."""
    with LOCK:
        gas = products_phase()
        h, n = np.empty((len(LN_P), len(_T))), np.empty((len(LN_P), len(_T)))
        for j, P in enumerate(np.exp(LN_P)):
            gas.TPX = 2600.0, P, {k: v for k, v in water_gas_products(**mix.elements).items() if v > 0}
            _settle(gas, 2600.0, P)
            for k in reversed(range(len(_T))):
                _settle(gas, _T[k], P)
                h[j, k], n[j, k] = gas.enthalpy_mass, 1e3 / gas.mean_molecular_weight
    lowest = float(h[:, 0].max())
    rows = lowest + np.linspace(0.0, SPAN, STEPS + 1)
    out = np.empty((STEPS + 1, len(LN_P), 2))
    for j in range(len(LN_P)):
        out[:, j, 0] = CubicSpline(h[j], _T)(rows)
        out[:, j, 1] = CubicSpline(h[j], n[j])(rows)
    return lowest, out


class Family:
    """Tables of one fuel with one share of moisture and residual gas.

    Parameters
    ----------
    fuel : Fuel
    water_in_air : float
        Moles of water per mole of moist air.
    residual_fraction : float
        As in `Mixture`.
    """

    def __init__(self, fuel: Fuel, water_in_air: float, residual_fraction: float) -> None:
        self._fuel, self._water, self._residual = fuel, water_in_air, residual_fraction
        self._node = functools.cache(self._node)

    def mixture(self, lambda_: float, nitrous: float) -> Mixture:
        """Return the charge that belongs to a point of the family."""
        water = self._water / (1 - self._water) * (1 - nitrous)
        return Mixture(
            self._fuel, lambda_, nitrous, water_fraction=water / (1 + water), residual_fraction=self._residual
        )

    def compositions(self, lambda_: np.ndarray, nitrous: np.ndarray) -> Compositions:
        """Return the charges that belong to points of the family."""
        water = self._water / (1 - self._water) * (1 - nitrous)
        return compositions(self._fuel, lambda_, nitrous, water / (1 + water), self._residual)

    def _node(self, lambda_: float, nitrous: float) -> tuple[float, np.ndarray]:
        return _solve(self.mixture(lambda_, nitrous))

    def tables(self, lambda_: np.ndarray, nitrous: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Burned gas of many mixtures: what `table` returns of each, in arrays."""
        weights: dict[tuple[float, float], np.ndarray] = {}
        rich = lambda_ <= 1
        for side, nodes in ((rich, LAMBDA_RICH), (~rich, LAMBDA_LEAN)):
            rows = np.flatnonzero(side)
            if not len(rows):
                continue
            across, along = _stencils(nodes, lambda_[rows]), _stencils(NITROUS, nitrous[rows])
            for a, wa in across.items():
                for b, wb in along.items():
                    weight = wa * wb
                    if weight.any():
                        weights.setdefault((a, b), np.zeros(len(lambda_)))[rows] = weight
        solved = [self._node(*node) for node in weights]
        blend = np.column_stack(list(weights.values()))
        rows = np.stack([table.ravel() for _, table in solved])
        lowest = np.array([low for low, _ in solved])
        return blend @ lowest, (blend @ rows).reshape(-1, *solved[0][1].shape)

    def table(self, lambda_: float, nitrous: float) -> tuple[float, np.ndarray]:
        """Burned gas of one mixture.

        Returns
        -------
        float
            Enthalpy of the first row [J/kg].
        array, shape (STEPS + 1, len(LN_P), 2)
            Temperature [K] and moles per kg, over enthalpy and ln p.
        """
        lowest, out = self.tables(np.array([float(lambda_)]), np.array([float(nitrous)]))
        return float(lowest[0]), out[0]


def _stencils(nodes: Sequence[float], x: np.ndarray) -> dict[float, np.ndarray]:
    """Node -> its weights in the cubics through the four nodes nearest to each x; nothing but the node where x is one."""
    row = np.array(nodes)
    bad = ~((x >= row[0]) & (x <= row[-1]))
    if bad.any():
        value = float(x[bad][0])
        raise InputError(
            "lambda_ or nitrous_fraction", value, "", f"{row[0]:g} to {row[-1]:g}", "No table reaches there."
        )
    first = np.clip(np.searchsorted(row, x) - 2, 0, len(row) - 4)
    near = row[first[:, None] + np.arange(4)]
    out: dict[float, np.ndarray] = {}
    for j in range(4):
        others = np.delete(near, j, axis=1)
        weight = ((x[:, None] - others) / (near[:, j : j + 1] - others)).prod(axis=1)
        for k in np.unique(first):
            some = first == k
            out.setdefault(float(row[k + j]), np.zeros(len(x)))[some] = weight[some]
    return out


@functools.lru_cache(maxsize=24)
def family(fuel: Fuel, water_in_air: float, residual_fraction: float) -> Family:
    """Return the family of that fuel, moisture [mol/mol of moist air] and residual gas, built before if it was."""
    return Family(fuel, water_in_air, residual_fraction)
