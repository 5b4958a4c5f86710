"""Fuels: what they are made of, how much oxygen they ask for, what heat they carry.

Pure compounds and pump fuels stand in ``data/fuels.toml`` with their sources; `blend` makes others.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from ..errors import InputError, check_choice, check_number
from ..paths import data_dir
from . import species as sp

_T0 = 298.15


@dataclass(frozen=True)
class Fuel:
    """A fuel of known composition.

    Attributes
    ----------
    name : str
    composition : mapping
        Cantera species name -> mole fraction.
    carbon, hydrogen, oxygen : float
        Atoms per mole of fuel.
    molar_mass : float
        [kg/mol].
    formation_enthalpy : float
        Of the vapour at 298.15 K [J/mol].
    density : float
        Of the liquid at 20 C [kg/m3].
    vaporisation_enthalpy : float
        At 298.15 K [J/kg].
    liquid_heat : float
        Heat capacity of the liquid [J/(kg K)].
    stored_as : str
        ``"liquid"`` or ``"gas"``: the state that `lhv` belongs to.
    ron, mon : float or None
        Research and motor octane number, None where none is stated.
    """

    name: str
    composition: Mapping[str, float]
    carbon: float
    hydrogen: float
    oxygen: float
    molar_mass: float
    formation_enthalpy: float
    density: float
    vaporisation_enthalpy: float
    liquid_heat: float
    stored_as: str = "liquid"
    ron: float | None = None
    mon: float | None = None

    @property
    def oxygen_demand(self) -> float:
        """Net O atoms that a mole of fuel needs to burn to CO2 and H2O [mol/mol]."""
        return 2 * self.carbon + self.hydrogen / 2 - self.oxygen

    @property
    def afr_stoich(self) -> float:
        """Dry air to fuel by mass at lambda 1 [kg/kg]."""
        return self.oxygen_demand / (2 * sp.DRY_AIR["O2"]) * sp.AIR_MOLAR_MASS / self.molar_mass

    @property
    def nitrous_stoich(self) -> float:
        """Nitrous oxide to fuel by mass at lambda 1, without any air [kg/kg]."""
        return self.oxygen_demand * sp.molar_mass("N2O") / self.molar_mass

    @property
    def lhv(self) -> float:
        """Lower heating value of the fuel as stored, at 298.15 K [J/kg]."""
        products = self.carbon * sp.enthalpy("CO2", _T0) + self.hydrogen / 2 * sp.enthalpy("H2O", _T0)
        vapour = (self.formation_enthalpy - products) / self.molar_mass
        return vapour - (self.vaporisation_enthalpy if self.stored_as == "liquid" else 0.0)

    def __hash__(self) -> int:
        return hash((self.name, tuple(self.composition.items())))


@functools.cache
def _table() -> dict:
    with open(data_dir() / "fuels.toml", "rb") as file:
        return tomllib.load(file)


def names() -> tuple[str, ...]:
    """Return the names that `get` knows: pure compounds first, then pump fuels."""
    table = _table()
    return (*table["component"], *table["blend"])


@functools.cache
def get(name: str) -> Fuel:
    """Return the fuel of that `name`.

    Raises
    ------
    InputError
        For a name that is not in `names`.
    """
    check_choice("fuel", name, names(), "Only fuels with a sourced composition can be computed; blend others.")
    table = _table()
    if name in table["component"]:
        return _component(name, table["component"][name])
    row = table["blend"][name]
    return blend(
        row["parts"], by=row["by"], name=name, density=row.get("density_kg_m3"), ron=row.get("ron"), mon=row.get("mon")
    )


def _component(name: str, row: dict) -> Fuel:
    atoms = sp.atoms(row["species"])
    return Fuel(
        name=name,
        composition=MappingProxyType({row["species"]: 1.0}),
        carbon=atoms.get("C", 0.0),
        hydrogen=atoms.get("H", 0.0),
        oxygen=atoms.get("O", 0.0),
        molar_mass=sp.molar_mass(row["species"]),
        formation_enthalpy=sp.enthalpy(row["species"], _T0),
        density=row["density_kg_m3"],
        vaporisation_enthalpy=1e3 * row["vaporisation_kj_kg"],
        liquid_heat=row["liquid_heat_j_kg_k"],
        stored_as=row.get("stored_as", "liquid"),
        ron=row.get("ron"),
        mon=row.get("mon"),
    )


def blend(
    parts: Mapping[str, float],
    by: str = "mass",
    *,
    name: str | None = None,
    density: float | None = None,
    ron: float | None = None,
    mon: float | None = None,
) -> Fuel:
    """Mix known fuels.

    Parameters
    ----------
    parts : mapping
        Fuel name -> fraction; the fractions sum to 1 (within 1e-6).
    by : {"mass", "volume", "mole"}
        What the fractions count. Volumes are liquid volumes before mixing.
    name : str, optional
        A name for the result.
    density : float, optional
        Measured density of the blend [kg/m3]; otherwise volumes are taken to add.
    ron, mon : float, optional
        Measured octane numbers. They are not computed: octane does not blend by any simple rule.

    Returns
    -------
    Fuel

    Raises
    ------
    InputError
        For unknown parts, a fraction that is no number in 0..1, or a sum other than 1.
    """
    check_choice("by", by, ("mass", "volume", "mole"), "A fraction has to say what it counts.")
    if not isinstance(parts, Mapping) or not parts:
        raise InputError("parts", parts, "", "fuel names with their fractions", "A blend needs at least one part.")
    fractions = {
        k: check_number(f"parts[{k!r}]", v, 0.0, 1.0, "", "It is a share of the whole.") for k, v in parts.items()
    }
    if abs(sum(fractions.values()) - 1.0) > 1e-6:
        raise InputError(
            "parts", sum(fractions.values()), "", "fractions that sum to 1", "Nothing else is in the blend."
        )
    for field, value, low, high, unit in (
        ("density", density, 400.0, 1200.0, "kg/m3"),
        ("ron", ron, -20.0, 130.0, "RON"),
        ("mon", mon, -20.0, 130.0, "MON"),
    ):
        if value is not None:
            check_number(field, value, low, high, unit, "No liquid motor fuel lies outside.")
    fuels = [get(k) for k in fractions]
    share = list(fractions.values())
    if by == "volume":
        share = [s * f.density for s, f in zip(share, fuels, strict=True)]
    if by != "mole":
        share = [s / f.molar_mass for s, f in zip(share, fuels, strict=True)]
    moles = [s / sum(share) for s in share]
    return _mixed(name or "blend", fuels, moles, density, ron, mon)


def _mixed(name: str, fuels: list[Fuel], moles: list[float], density, ron, mon) -> Fuel:
    def mole_mean(attribute: str) -> float:
        return sum(x * getattr(f, attribute) for x, f in zip(moles, fuels, strict=True))

    molar_mass = mole_mean("molar_mass")
    mass = [x * f.molar_mass / molar_mass for x, f in zip(moles, fuels, strict=True)]

    def mass_mean(attribute: str) -> float:
        return sum(w * getattr(f, attribute) for w, f in zip(mass, fuels, strict=True))

    composition: dict[str, float] = {}
    for x, f in zip(moles, fuels, strict=True):
        for key, value in f.composition.items():
            composition[key] = composition.get(key, 0.0) + x * value
    return Fuel(
        name=name,
        composition=MappingProxyType(composition),
        carbon=mole_mean("carbon"),
        hydrogen=mole_mean("hydrogen"),
        oxygen=mole_mean("oxygen"),
        molar_mass=molar_mass,
        formation_enthalpy=mole_mean("formation_enthalpy"),
        density=density or 1.0 / sum(w / f.density for w, f in zip(mass, fuels, strict=True)),
        vaporisation_enthalpy=mass_mean("vaporisation_enthalpy"),
        liquid_heat=mass_mean("liquid_heat"),
        stored_as="gas" if all(f.stored_as == "gas" for f in fuels) else "liquid",
        ron=ron,
        mon=mon,
    )
