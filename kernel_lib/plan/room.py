"""How much nitrous fits at each speed: every dose at every speed, what each limit allows, and which one binds."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from .. import units
from ..build_fields import SECTIONS
from ..build_sheet import BuildSheet
from ..engine.setup import Setup, spray_speeds
from ..errors import InputError
from .judgement import MOST_FRACTION, own_fuel_key
from .plan import dose_table, full_flow, too_big
from .power import firing_of
from .timing import last_kept

SHARES = (0.0, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 1.0, 1.25, 1.5)
"""Of the full flow; beyond 1 for a larger nozzle."""

NONE = "none of them"

LIMITS = {
    "pressure": "exhaust heat, for the retard that peak pressure asks for",
    "knock": "exhaust heat, for the retard that knock asks for",
    "phasing": "exhaust heat, for the retard that phasing asks for",
    "rule": "exhaust heat",
    "retard": "peak pressure or knock (no retard up to 28 degrees is enough)",
    "flame table": "the table of computed flames ends",
    "injectors": "injector duty",
    "pump": "the pump",
    "oxygen share": "the owner's oxygen share",
    "half nitrous": "more nitrous than air in the cylinder",
    "clutch": "the clutch",
    "wheels": "torque at the wheels",
    "power": "the owner's power",
    NONE: "none up to half as much again",
}
"""What a limit is called in a sentence."""


@dataclass(frozen=True, eq=False)
class DoseMap:
    """Every dose at every speed.

    Attributes
    ----------
    rpm : array, shape (speeds,)
    share : array, shape (shares,)
        Of the full flow.
    full_flow : float
        Likely [kg/s].
    columns : dict
        Columns of `dose_table`, arrays (shares, speeds); beside them torque_high_nm, power_high_hp (high end, at the crank).
    allowed : dict
        Limit -> largest share it allows, (speeds,).
    lean_room_deg, lean_exhaust_K : array, shape (speeds,)
        What a cycle that is leaner than the target loses of room_deg, and how much hotter its exhaust is, for each unit of lambda.
    """

    sheet: BuildSheet
    rpm: np.ndarray
    share: np.ndarray
    full_flow: float
    columns: dict[str, np.ndarray]
    allowed: dict[str, np.ndarray]
    lean_room_deg: np.ndarray
    lean_exhaust_K: np.ndarray

    @property
    def most(self) -> np.ndarray:
        """Largest share that every limit allows, (speeds,)."""
        return np.min(list(self.allowed.values()), axis=0)

    @property
    def binds(self) -> list[str]:
        """Which limit that is, speed by speed; `NONE` where none does up to the last share."""
        names, rows = list(self.allowed), np.array(list(self.allowed.values()))
        least = rows.argmin(axis=0)
        return [
            NONE if self.most[k] >= self.share[-1] - 1e-9 else self._named(names[least[k]], k)
            for k in range(len(self.rpm))
        ]

    def _named(self, name: str, k: int) -> str:
        """Name what stands behind the timing: the reason that asks for most where it first cannot be met."""
        if name != "timing":
            return name
        above = int(np.searchsorted(self.share, self.allowed[name][k] + 1e-9))
        obstacle = self.columns["obstacle"][min(above, len(self.share) - 1), k]
        return str(self.columns["governs"][above, k]) if obstacle == "exhaust" else str(obstacle or "rule")

    def most_at(self, rpm) -> np.ndarray:
        """Largest share at any speed of the map, on a line between its speeds."""
        return np.interp(self.check(rpm), self.rpm, self.most)

    def first_hit(self, rpm, share) -> np.ndarray:
        """Retard of a first hit, up to the half degree that a controller takes [deg]; 0 where nothing flows.

        `READ_SHORT` is added for what lies between the points: the map reads up to half a degree short of a direct plan, seldom more than a quarter.
        """
        need = self.at("first_hit_deg", rpm, share)
        return np.where(np.asarray(share) > 0, np.ceil(2 * (need + READ_SHORT) - 1e-6) / 2, 0.0)

    def leaned(self, excess: np.ndarray) -> DoseMap:
        """The same for cycles leaner than the target by so much lambda, speed by speed: they burn hotter into the exhaust."""
        room = self.columns["room_deg"].astype(float) - self.lean_room_deg * np.maximum(excess, 0.0)
        return replace(self, allowed=self.allowed | {"timing": last_kept(self.share, room)})

    def in_gear(self, gear: int) -> DoseMap:
        """The same with the torque that the wheels may get in another gear; itself where that is not known."""
        crank = crank_torque(self.sheet, gear)
        if crank is None:
            return self
        wheels = last_kept(self.share, crank - self.columns["torque_high_nm"])
        return replace(self, allowed=self.allowed | {"wheels": wheels})

    def check(self, rpm) -> np.ndarray:
        """Return speeds that the map holds."""
        rpm = np.asarray(rpm, float)
        flat = np.atleast_1d(rpm)
        if ((rpm < self.rpm[0] - 1e-9) | (rpm > self.rpm[-1] + 1e-9)).any() or not np.isfinite(rpm).all():
            worst = float(flat[np.argmax(np.nan_to_num(np.abs(flat - self.rpm.mean()), nan=np.inf))])
            span = f"{self.rpm[0]:g} to {self.rpm[-1]:g} rpm"
            raise InputError("rpm", worst, "rpm", span, "There the spray window, or the full-throttle table, ends.")
        return rpm

    def at(self, name: str, rpm, share) -> np.ndarray:
        """Read a column between its points, on lines over speed and share.

        Parameters
        ----------
        name : str
        rpm, share : array
            They broadcast.

        Returns
        -------
        array
            NaN where the nearest doses are not known. Between the points a direct plan differs by less than `READ_ERROR`.
        """
        rpm, share = np.broadcast_arrays(self.check(rpm), np.asarray(share, float))
        if (share < -1e-9).any() or (share > self.share[-1] + 1e-9).any():
            raise InputError(
                "share",
                float(share.flat[np.abs(share).argmax()]),
                "of the full flow",
                f"0 to {self.share[-1]:g}",
                "The map ends there.",
            )
        values = self.columns[name].astype(float)
        j, v = _place(self.rpm, rpm)
        i, u = _place(self.share, share)

        def corner(a, b, weight):
            return np.where(weight > 0, values[a, b], 0.0) * weight

        return (
            corner(i, j, (1 - u) * (1 - v))
            + corner(i + 1, j, u * (1 - v))
            + corner(i, j + 1, (1 - u) * v)
            + corner(i + 1, j + 1, u * v)
        )


READ_SHORT = 0.3
"""Added to a retard that is read [deg]."""

READ_ERROR = {"first_hit_deg": 0.9, "power_gain_hp": 4.0, "peak_pressure_bar_high": 2.5}
"""Between the points of a `DoseMap`, against a direct plan: deg, hp with its band, bar; measured on the demo cars, see tests."""


def _place(nodes: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Node before x, and how far it is to the next."""
    k = np.clip(np.searchsorted(nodes, x + 1e-9, side="right") - 1, 0, len(nodes) - 2)
    return k, np.clip((x - nodes[k]) / (nodes[k + 1] - nodes[k]), 0.0, 1.0)


def dose_map(sheet: BuildSheet) -> DoseMap:
    """Compute every dose at every speed of the spray window; some seconds, kept for sheets that differ in what does not touch it.

    Raises
    ------
    InputError
        If the shot cannot be computed.
    """
    key = map_key(sheet)
    if key not in _KEPT:
        while len(_KEPT) >= _MOST_KEPT:
            _KEPT.pop(next(iter(_KEPT)), None)
        _KEPT[key] = _dose_map(sheet)
    return replace(_KEPT[key], sheet=sheet)


def map_key(sheet: BuildSheet, *, valve: bool = False) -> tuple[str, ...]:
    """What a map depends on; with the valve's own fields, or without."""
    left_out = {} if valve else _UNTOUCHED
    return tuple(
        repr(getattr(sheet, name).model_copy(update=left_out.get(name, {})))
        for name in SECTIONS
        if name not in ("car", "ramp", "tables")
    )


_UNTOUCHED = {
    "nitrous": dict.fromkeys(
        (
            "pulse_hz",
            "progressive",
            "fuel_lead_ms",
            "nitrous_valve_lag_ms",
            "nitrous_valve_close_ms",
            "fuel_valve_lag_ms",
            "price_per_kg",
        )
    ),
    "controller": dict.fromkeys(("filter_ms", "sensor_delay_ms", "limiter_cuts", "shift_cuts", "traction_cuts")),
}
"""Fields that a map does not depend on."""
_MOST_KEPT = 8
_KEPT: dict[tuple, DoseMap] = {}


def _dose_map(sheet: BuildSheet) -> DoseMap:
    setup, window = Setup.of(sheet), spray_speeds(sheet)
    inside = setup.rpm_table[(setup.rpm_table > window[0]) & (setup.rpm_table < window[-1])]
    rpm = np.unique(np.concatenate([window, inside]))
    tables = []
    for share in SHARES:
        try:
            tables.append(dose_table(sheet, rpm, share))
        except InputError as exc:
            if share <= 1.0 and exc.field == "nitrous_flow":
                raise too_big(sheet, exc, "at a share of the whole flow that single cycles may get") from exc
            if share <= 1.0:
                raise
            break  # so large a nozzle leaves no room for air somewhere
        if share >= 1.0 and (tables[-1]["room_deg"] < 0).all():
            break
    shares = np.array(SHARES[: len(tables)])
    names = tables[0].columns.drop("rpm")
    columns = {name: np.array([table[name].to_numpy() for table in tables]) for name in names}
    columns |= _drive(sheet, rpm, columns)
    allowed = {name: last_kept(shares, slack) for name, slack in _slack(sheet, columns).items()}
    return DoseMap(sheet, rpm, shares, full_flow(sheet), columns, allowed, *_leaner(sheet, rpm, columns))


LEAN_STEP, LEAN_AT = 0.04, 0.65
"""By how much lambda, and at which share, the effect of a leaner cycle is found."""


def _leaner(sheet: BuildSheet, rpm: np.ndarray, columns: dict) -> tuple[np.ndarray, np.ndarray]:
    """Room lost [deg] and exhaust gained [K] for each unit of lambda above the target, at the timing that the target asks for."""
    target = sheet.engine.lambda_with_nitrous
    k = SHARES.index(LEAN_AT)
    step = min(LEAN_STEP, 1.0 - target)
    if step < 0.005:
        return np.zeros(len(rpm)), np.zeros(len(rpm))
    lean = dose_table(sheet.replace({"engine.lambda_with_nitrous": target + step}), rpm, LEAN_AT)
    now, then = columns["room_deg"][k].astype(float), lean["room_deg"].to_numpy()
    known = np.isfinite(now) & np.isfinite(then)
    lost = np.where(known, np.where(known, now, 0.0) - np.where(known, then, 0.0), 0.0) / step
    hotter = (lean["exhaust_K_high"].to_numpy() - columns["exhaust_K_high"][k].astype(float)) / step
    return np.maximum(lost, 0.0), np.nan_to_num(np.maximum(hotter, 0.0))


def own_power_factor(sheet: BuildSheet) -> float:
    """Measured peak power over that of the cycle without nitrous; 1 where nobody measured it."""
    if sheet.engine.peak_power_hp is None:
        return 1.0
    firing = firing_of(sheet)
    own = float(firing.at("brake_W", sheet.engine.peak_power_rpm)) * firing.setup.cylinders
    return sheet.engine.peak_power_hp / units.hp_from_w(own)


def _drive(sheet: BuildSheet, rpm: np.ndarray, columns: dict) -> dict[str, np.ndarray]:
    """High end of power and torque at the crank."""
    power = columns["power_own_hp"].astype(float) * own_power_factor(sheet) + _forward(columns["power_gain_hp_high"])
    return {"power_high_hp": power, "torque_high_nm": units.w_from_hp(power) / (rpm * 2 * np.pi / 60)}


def _forward(values: np.ndarray) -> np.ndarray:
    """Hold the last known dose where a larger one is not known: another limit stands there."""
    return pd.DataFrame(values.astype(float)).ffill().to_numpy()


def _slack(sheet: BuildSheet, columns: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """What is left up to every limit, each in its own unit, (shares, speeds)."""
    limits, drive = sheet.limits, sheet.driveline
    out = {
        "timing": columns["room_deg"].astype(float),
        "injectors": limits.injector_duty_percent - columns["injector_duty_percent_high"].astype(float),
        "half nitrous": MOST_FRACTION - columns["nitrous_fraction_high"].astype(float),
    }
    if np.isfinite(columns["pump_percent_high"].astype(float)).any():
        out["pump"] = limits.pump_percent - columns["pump_percent_high"].astype(float)
    if limits.oxygen_share_percent is not None:
        out["oxygen share"] = limits.oxygen_share_percent / 100 - columns["oxygen_share_high"].astype(float)
    if limits.power_hp is not None:
        out["power"] = limits.power_hp - columns["power_high_hp"]
    if sheet.parts.clutch_torque_nm is not None:
        out["clutch"] = sheet.parts.clutch_torque_nm - columns["torque_high_nm"]
    crank = None if limits.wheel_torque_nm is None else crank_torque(sheet, drive.gear_min)
    if crank is not None:
        out["wheels"] = crank - columns["torque_high_nm"]
    return out


def crank_torque(sheet: BuildSheet, gear: int) -> float | None:
    """Torque at the crank at which the wheels get what they may, in a gear [N m]; None where ratios or limit are not known."""
    drive, limit = sheet.driveline, sheet.limits.wheel_torque_nm
    if limit is None or drive.gear_ratios is None or drive.final_ratio is None or gear > len(drive.gear_ratios):
        return None
    return limit / (drive.gear_ratios[gear - 1] * drive.final_ratio * drive.efficiency_percent / 100)


def nothing_fits(room: DoseMap) -> str | None:
    """Say that no nitrous fits under these limits at any speed, and why; None where some does."""
    if (room.most > 1e-6).any():
        return None
    reasons = list(dict.fromkeys(LIMITS[name] for name in room.binds))
    return f"No nitrous fits under these limits at any rpm, because of {' and '.join(reasons)}: even without nitrous nothing is left there."


def added_fuel_key(sheet: BuildSheet, unit: str) -> str:
    """Column of the fuel to add as this car meters, in a unit such as ``kg_h``."""
    return f"{own_fuel_key(sheet)}_{unit}"
