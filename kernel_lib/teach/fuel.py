"""What evaporating nitrous does to the air, and what fuel a shot asks for beside the trade's rule."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from .. import units
from ..band import ADDED_HEAT_EFFICIENCY, Band
from ..build_sheet import BuildSheet
from ..engine.charge import Charge, fresh_charge
from ..engine.setup import Setup
from ..errors import InputError, check_array, check_number
from ..plan.fuel import RULE_LB_H_PER_100_HP, fuel_for, fuel_supplied, lambda_with
from ..plan.timing import choices_for_shot
from ..thermo import species as sp
from ..thermo.fluid import evaporation_heat

WALLS = np.linspace(0.0, 1.0, 21)
"""Wall-heat shares that `evaporation` holds."""

METERINGS = ("speed-density", "mass-air")


@dataclass(frozen=True, eq=False)
class Evaporation:
    """Air that is left, and how cold it gets, over engine speed at the likely nitrous flow.

    Attributes
    ----------
    rpm : array
    air : array, shape (walls, speeds)
        Dry air drawn in with nitrous over that without, for every share of `WALLS` at the likely density exponent.
    T : array, shape (walls, speeds)
        Of the charge in the port [K].
    air_low, air_high, T_low, T_high : array
        Ends over the whole of wall-heat share and density exponent.
    vapour : array
        Moles of nitrous vapour over the moles drawn without.
    oxygen_low, oxygen, oxygen_high : array
        Oxygen atoms, nitrous counted, over those without.
    heat : float
        To turn the bottle's liquid into vapour at the temperature of the air [J/kg].
    T_air : float
        [K].
    """

    rpm: np.ndarray
    air: np.ndarray
    T: np.ndarray
    air_low: np.ndarray
    air_high: np.ndarray
    T_low: np.ndarray
    T_high: np.ndarray
    vapour: np.ndarray
    oxygen_low: np.ndarray
    oxygen: np.ndarray
    oxygen_high: np.ndarray
    heat: float
    T_air: float

    @property
    def likely(self) -> np.ndarray:
        """Air that is left at a wall-heat share of one half, over speed."""
        return self.air[len(WALLS) // 2]

    def at(self, wall: float) -> tuple[np.ndarray, np.ndarray]:
        """Air that is left and temperature [K] over speed at a wall-heat share, on a line between those of `WALLS`.

        Raises
        ------
        InputError
        """
        wall = check_number("wall_share", wall, 0.0, 1.0, "", "It is a share.")
        place = wall * (len(WALLS) - 1)
        k = min(int(place), len(WALLS) - 2)
        part = place - k
        return tuple(rows[k] * (1 - part) + rows[k + 1] * part for rows in (self.air, self.T))

    def lambda_if(self, target: float, air, k: int = 0) -> np.ndarray:
        """Lambda that the likely charge burns at where the fuel was worked out for `air` (1: as much as without nitrous) and `target`."""
        air = check_array("air", air, 0.0, 3.0, "", "Air with nitrous over air without.")
        nitrous = self.oxygen[k] - self.likely[k]  # in units of the oxygen of the air drawn without
        return target * self.oxygen[k] / (air + nitrous)


@functools.lru_cache(maxsize=16)
def evaporation(sheet: BuildSheet, flow: float, rpm: tuple[float, ...]) -> Evaporation:
    """Solve the charge at one nitrous flow for every wall-heat share, and at the ends of what is unknown.

    Parameters
    ----------
    sheet : BuildSheet
    flow : float
        [kg/s].
    rpm : tuple of float
        Within the full-throttle table.

    Raises
    ------
    InputError
        As `fresh_charge`.

    Notes
    -----
    See `fresh_charge`. The flow is held: what evaporation alone leaves unknown is the band.
    """
    setup, speeds = Setup.of(sheet), np.asarray(rpm, float)
    own = fresh_charge(setup, speeds, 0.0)
    likely = fresh_charge(setup, speeds[None, :], flow, wall_share=WALLS[:, None])
    ends = fresh_charge(
        setup,
        speeds[None, :],
        flow,
        wall_share=np.array([0.0, 0.0, 0.0, 1.0])[:, None],
        exponent=np.array([0.0, 0.5, 1.0, 0.0])[:, None],
    )
    air, edge = likely.dry_air / own.dry_air, ends.dry_air / own.dry_air
    oxygen = ends.oxygen_atoms / own.oxygen_atoms
    middle = len(WALLS) // 2
    return Evaporation(
        rpm=speeds,
        air=air,
        T=likely.T,
        air_low=edge.min(axis=0),
        air_high=edge.max(axis=0),
        T_low=ends.T.min(axis=0),
        T_high=ends.T.max(axis=0),
        vapour=likely.nitrous[middle] / (own.dry_air + own.water),
        oxygen_low=oxygen.min(axis=0),
        oxygen=likely.oxygen_atoms[middle] / own.oxygen_atoms,
        oxygen_high=oxygen.max(axis=0),
        heat=float(np.squeeze(evaporation_heat(setup.T_bottle, setup.T_air, setup.P_manifold))),
        T_air=setup.T_air,
    )


@dataclass(frozen=True, eq=False)
class ShotFuel:
    """Fuel that a shot of so many horsepower asks for, over engine speed.

    Attributes
    ----------
    sheet : BuildSheet
    rpm : array
    hp : float
    flows : array
        Nitrous that makes it [kg/s]: likely, then every corner of what is unknown.
    charge : Charge
        Of shape (choices, speeds).
    rule : float
        Fuel by the trade's rule [kg/s].
    """

    sheet: BuildSheet
    rpm: np.ndarray
    hp: float
    flows: np.ndarray
    charge: Charge
    rule: float

    def _own(self, metering: str) -> np.ndarray:
        """Fuel that the controller gives by itself [kg per cycle and cylinder]."""
        sheet, setup = self.sheet, Setup.of(self.sheet)
        own = fuel_supplied(
            setup, self.charge, self.rpm, sheet.engine.lambda_without_nitrous, metering, sheet.controller.intake_sensor
        )
        return np.broadcast_to(own, self.charge.T.shape)

    def percent(self, metering: str, lambda_: float | None = None) -> np.ndarray:
        """Fuel to add in percent of the rule's, (choices, speeds); to the sheet's target if no lambda is named."""
        setup = Setup.of(self.sheet)
        target = self.sheet.engine.lambda_with_nitrous if lambda_ is None else lambda_
        added = fuel_for(setup, self.charge, target) - self._own(metering)
        return 100.0 * added * setup.cycles_per_second(self.rpm) / self.rule

    def band(self, metering: str, k: int = 0, lambda_: float | None = None) -> Band:
        """`percent` at one speed with its ends."""
        every = self.percent(metering, lambda_)[:, k]
        return Band(
            float(every.min()), float(every[0]), float(every.max()), "wall-heat share, density exponent, share of work"
        )

    def lambda_at(self, percent, k: int = 0) -> np.ndarray:
        """Lambda of the likely charge where so much of the rule's fuel is added to what this car's controller gives by itself."""
        setup = Setup.of(self.sheet)
        added = np.asarray(percent, float) / 100.0 * self.rule / float(setup.cycles_per_second(self.rpm[k]))
        own = float(self._own(self.sheet.controller.metering)[0, k])
        one = Charge(
            *(np.atleast_1d(getattr(self.charge, f)[0, k]) for f in ("dry_air", "water", "nitrous", "T", "evaporated"))
        )
        return lambda_with(setup, one, own + added)


@functools.lru_cache(maxsize=32)
def shot_fuel(sheet: BuildSheet, hp: float, rpm: tuple[float, ...]) -> ShotFuel:
    """Find the nitrous that adds `hp` at the speed of peak power, and the charges it makes over `rpm`.

    Raises
    ------
    InputError
        If no flow adds that power.
    """
    hp = check_number(
        "nitrous.shot_hp", hp, 0.0, 2000.0, "hp at the crank", "It is what the nitrous adds.", open_low=True
    )
    setup, speeds = Setup.of(sheet), np.asarray(rpm, float)
    flow, wall, exponent = np.array([choice[:3] for choice in choices_for_shot(sheet, hp)]).T
    charge = fresh_charge(setup, speeds[None, :], flow[:, None], wall_share=wall[:, None], exponent=exponent[:, None])
    rule = units.kg_s_from_lb_h(RULE_LB_H_PER_100_HP * hp / 100)
    return ShotFuel(sheet, speeds, hp, flow, charge, rule)


LANDINGS = ("lean stop", "lean", "target", "rich", "rich stop", "misfire")
"""Where a charge may land beside what a sheet means it to burn at, from lean to rich."""


def landing(sheet: BuildSheet, lambda_: float) -> str:
    """Say where a lambda lies: at the target, beside it, or at or past the sheet's lean stop, rich stop or misfire limit.

    Parameters
    ----------
    sheet : BuildSheet
    lambda_ : float

    Returns
    -------
    str
        One of `LANDINGS`. All are compared as they are shown, to a hundredth.

    Raises
    ------
    InputError
        If lambda is not a number above 0.
    """
    check_number("lambda", lambda_, 0.0, 20.0, "", "Air over what the fuel can use.", open_low=True)
    limits, target = sheet.limits, round(sheet.engine.lambda_with_nitrous, 2)
    shown = round(lambda_, 2)
    if shown == target:
        return "target"
    if shown > target:
        return "lean stop" if shown >= round(limits.lean_stop_lambda, 2) else "lean"
    if shown <= round(limits.misfire_rich_lambda, 2):
        return "misfire"
    return "rich stop" if shown <= round(limits.rich_stop_lambda, 2) else "rich"


def nitrous_own_heat() -> float:
    """Heat that nitrous oxide sets free as it comes apart at 298.15 K [J/kg]: its heat of formation [NASA polynomials]."""
    return (sp.enthalpy("N2O", 298.15) - sp.enthalpy("N2", 298.15) - 0.5 * sp.enthalpy("O2", 298.15)) / sp.molar_mass(
        "N2O"
    )


@dataclass(frozen=True)
class HeatAccount:
    """Where the power of a shot would have to come from if the rule's fuel were all that is added.

    Attributes
    ----------
    fuel_W, nitrous_W, power_W : float
        Heating value of the rule's fuel, heat of the nitrous coming apart, power added [W].
    on_fuel : float
        Efficiency it would take on the fuel alone.
    on_both : Band
        With the nitrous' own heat, over the flows that may make that power.
    """

    @property
    def room(self) -> str:
        """Room below `ADDED_HEAT_EFFICIENCY` for what a rich charge does not burn: "plain" where the likely need lies below all of it,
        "little" below its middle, "none" within it, "beyond" above it, "impossible" where all of the need is above it.
        """
        need, known = self.on_both, ADDED_HEAT_EFFICIENCY
        if need.low > known.high:
            return "impossible"
        if need.best > known.high:
            return "beyond"
        if need.best > known.best or need.high > known.high:
            return "none"
        return "little" if need.best > known.low else "plain"

    fuel_W: float
    nitrous_W: float
    power_W: float
    on_fuel: float
    on_both: Band


def heat_account(sheet: BuildSheet, shot: ShotFuel) -> HeatAccount:
    """Set the rule's fuel and the nitrous' own heat against the power; the fuel is taken at its full lower heating value."""
    if shot.sheet != sheet:
        raise InputError("shot", shot.sheet, "", "a shot of the same sheet", "Fuel and power belong to one car.")
    fuel, power = shot.rule * sheet.make_fuel().lhv, units.w_from_hp(shot.hp)
    shares = power / (fuel + shot.flows * nitrous_own_heat())
    both = Band(float(shares.min()), float(shares[0]), float(shares.max()), "nitrous that makes the power")
    return HeatAccount(fuel, float(shot.flows[0]) * nitrous_own_heat(), power, power / fuel, both)
