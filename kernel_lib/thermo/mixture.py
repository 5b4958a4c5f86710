"""The unburned charge: fuel, dry air, nitrous oxide, water and what was left in the cylinder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import KW_ONLY, dataclass
from functools import cached_property
from types import MappingProxyType

from ..errors import InputError, check_array, check_number
from . import species as sp
from .fuels import Fuel

WATER_GAS_K = 3.5
"""CO H2O / (CO2 H2) of cooled exhaust: the reaction freezes near 1740 K [Heywood, section 4.9]."""

LAMBDA_MIN, LAMBDA_MAX = 0.5, 5.0


def water_gas_products(C: float, H: float, O: float, N: float, Ar: float, K: float = WATER_GAS_K) -> dict[str, float]:  # noqa: E741
    """Burn atoms to CO2, H2O, CO, H2, O2, N2 and Ar, as cooled exhaust holds them.

    Parameters
    ----------
    C, H, O, N, Ar : float
        Moles of atoms.
    K : float
        Water-gas constant CO H2O / (CO2 H2).

    Returns
    -------
    dict
        Species -> moles.

    Raises
    ------
    InputError
        If the oxygen does not even suffice to burn all carbon to CO: soot forms there.

    Notes
    -----
    Lean: complete combustion, oxygen left over. Rich: no free oxygen, CO and H2 share the deficit by K
    [Heywood, Internal Combustion Engine Fundamentals, section 4.9.1; Brettschneider 1979].
    """
    for field, value in (("C", C), ("H", H), ("O", O), ("N", N), ("Ar", Ar)):
        check_number(field, value, 0.0, float("inf"), "mol", "An amount of atoms.")
    check_number("K", K, 0.0, 1e3, "", "An equilibrium constant is positive.", open_low=True)
    deficit = 2 * C + H / 2 - O
    products = {"N2": N / 2, "Ar": Ar}
    if deficit <= 0:
        return products | {"CO2": C, "H2O": H / 2, "CO": 0.0, "H2": 0.0, "O2": -deficit / 2}
    if O < C:
        raise InputError("O", O, "mol", f"at least {C:g} mol", "Less oxygen leaves soot, which is not computed.")
    a, b, c = 1 - K, H / 2 - deficit + K * (C + deficit), -K * C * deficit
    co = 2 * -c / (b + (b * b - 4 * a * c) ** 0.5)
    h2 = deficit - co
    return products | {"CO2": C - co, "H2O": H / 2 - h2, "CO": co, "H2": h2, "O2": 0.0}


@dataclass(frozen=True)
class Mixture:
    """Fuel with air and nitrous oxide before it burns.

    Parameters
    ----------
    fuel : Fuel
    lambda_ : float
        O atoms of the oxidisers (O2 and N2O) over the net O atoms the fuel demands, its own oxygen subtracted; 0.5 to 5.
        Water and residual gas are not counted.
    nitrous_fraction : float
        Moles of N2O per mole of (dry air + N2O), 0 to 1.
    water_fraction : float
        Mole fraction of water vapour in the whole fresh oxidiser (dry air + N2O + water), 0 to 0.3.
    residual_fraction : float
        Mass fraction, in the whole charge, of burned gas of the same mixture left from the cycle before, 0 to 0.3;
        its composition is that of `water_gas_products`.

    Raises
    ------
    InputError
        For anything outside these limits.
    """

    fuel: Fuel
    lambda_: float
    nitrous_fraction: float = 0.0
    _: KW_ONLY
    water_fraction: float = 0.0
    residual_fraction: float = 0.0

    def __post_init__(self) -> None:
        if not isinstance(self.fuel, Fuel):
            raise InputError(
                "fuel", self.fuel, "", "a Fuel from thermo.fuels", "Its atoms decide how much oxygen it needs."
            )
        check_number(
            "lambda_",
            self.lambda_,
            LAMBDA_MIN,
            LAMBDA_MAX,
            "",
            "Below, soot forms, which is not computed; above, nothing burns.",
        )
        check_number("nitrous_fraction", self.nitrous_fraction, 0.0, 1.0, "", "It is a share of the oxidiser, by mole.")
        check_number("water_fraction", self.water_fraction, 0.0, 0.3, "", "Air cannot carry more vapour.")
        check_number(
            "residual_fraction", self.residual_fraction, 0.0, 0.3, "", "At full throttle an engine keeps far less."
        )

    @cached_property
    def _oxidiser(self) -> dict[str, float]:
        """Moles per mole of (dry air + N2O)."""
        air = 1.0 - self.nitrous_fraction
        moles = {name: air * x for name, x in sp.DRY_AIR.items()}
        moles["N2O"] = float(self.nitrous_fraction)
        moles["H2O"] = self.water_fraction / (1.0 - self.water_fraction)
        return moles

    @cached_property
    def _fuel_moles(self) -> float:
        """Moles of fuel per mole of (dry air + N2O)."""
        oxygen = 2 * self._oxidiser["O2"] + self._oxidiser["N2O"]
        return oxygen / (self.lambda_ * self.fuel.oxygen_demand)

    @cached_property
    def _fresh(self) -> dict[str, float]:
        fuel = {name: self._fuel_moles * x for name, x in self.fuel.composition.items()}
        return self._oxidiser | fuel

    @cached_property
    def exhaust(self) -> Mapping[str, float]:
        """Cooled exhaust of the fresh charge by `water_gas_products`, as mole fractions."""
        products = water_gas_products(**_count_atoms(self._fresh))
        total = sum(products.values())
        return MappingProxyType({k: v / total for k, v in products.items()})

    @cached_property
    def heat_released(self) -> float:
        """Heat set free at 298.15 K by burning to `exhaust`, what CO and H2 keep left out [J per kg of fresh charge].

        The heat of formation of N2O (+82 kJ/mol) is in it. Fuel counts as vapour.
        """
        fresh, mass = self._fresh, _mass(self._fresh)
        scale = mass / _mass(self.exhaust)
        before = sum(n * sp.enthalpy(name, 298.15) for name, n in fresh.items())
        after = scale * sum(x * sp.enthalpy(name, 298.15) for name, x in self.exhaust.items())
        return (before - after) / mass

    @cached_property
    def _moles(self) -> dict[str, float]:
        """Unburned species, residual included, per mole of (dry air + N2O)."""
        moles = dict(self._fresh)
        if self.residual_fraction:
            residual_mass = self.residual_fraction / (1 - self.residual_fraction) * _mass(moles)
            scale = residual_mass / _mass(self.exhaust)
            for name, x in self.exhaust.items():
                moles[name] = moles.get(name, 0.0) + scale * x
        return moles

    @cached_property
    def X(self) -> Mapping[str, float]:
        """Mole fractions of the unburned charge, all as gas."""
        total = sum(self._moles.values())
        return MappingProxyType({k: v / total for k, v in self._moles.items() if v > 0})

    @cached_property
    def elements(self) -> Mapping[str, float]:
        """Moles of atoms per kg of charge: C, H, O, N, Ar [mol/kg]."""
        mass = _mass(self._moles)
        return MappingProxyType({k: v / mass for k, v in _count_atoms(self._moles).items()})

    @property
    def molar_mass(self) -> float:
        """Mean molar mass of the unburned charge, all as gas [kg/mol]."""
        return _mass(self.X)

    @property
    def fuel_mass_fraction(self) -> float:
        """Fresh fuel in the whole charge, by mass [kg/kg]."""
        return self._fuel_moles * self.fuel.molar_mass / _mass(self._moles)

    @property
    def oxygen_share(self) -> float:
        """O2 equivalent share of the dry oxidiser after N2O has come apart [mol/mol].

        (x_O2 + x/2) / (1 + x/2): 0.2095 for air, 1/3 for pure N2O.
        """
        return oxygen_share(self.nitrous_fraction)

    @property
    def air_to_fuel(self) -> float:
        """Dry air to fuel by mass [kg/kg]: what the letters AFR mean, not what a gauge shows on nitrous."""
        return (1 - self.nitrous_fraction) * sp.AIR_MOLAR_MASS / self._fuel_mass

    @property
    def nitrous_to_fuel(self) -> float:
        """N2O to fuel by mass, counting all fuel [kg/kg]."""
        return self._oxidiser["N2O"] * sp.molar_mass("N2O") / self._fuel_mass

    @property
    def oxidiser_to_fuel(self) -> float:
        """Dry air, N2O and water to fuel by mass [kg/kg]."""
        return _mass(self._oxidiser) / self._fuel_mass

    @property
    def _fuel_mass(self) -> float:
        return self._fuel_moles * self.fuel.molar_mass


def oxygen_share(nitrous_fraction):
    """O2 equivalent share of dry oxidiser after N2O has come apart [mol/mol]; broadcasts.

    Parameters
    ----------
    nitrous_fraction : float or array
        Moles of N2O per mole of (dry air + N2O), 0 to 1.
    """
    x = check_array("nitrous_fraction", nitrous_fraction, 0.0, 1.0, "", "It is a share of the oxidiser, by mole.")
    return (sp.DRY_AIR["O2"] * (1 - x) + x / 2) / (1 + x / 2)


def _mass(moles: Mapping[str, float]) -> float:
    return sum(n * sp.molar_mass(name) for name, n in moles.items())


def _count_atoms(moles: Mapping[str, float]) -> dict[str, float]:
    count = dict.fromkeys(("C", "H", "O", "N", "Ar"), 0.0)
    for name, n in moles.items():
        for element, k in sp.atoms(name).items():
            count[element] += n * k
    return count
