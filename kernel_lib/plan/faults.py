"""What if: every fault of `fault_list` fired at once, with what it does to the cylinder, which guard ends it, and how late."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ..build_sheet import BuildSheet
from ..engine.charge import Charge, mixture
from ..engine.firing import Burn, cases_of
from ..thermo.mixture import LAMBDA_MAX, LAMBDA_MIN
from .dose import Dosed
from .fault_list import EVERY
from .fault_rows import Rows, Scenario, Sprayed
from .spark import Limits
from .stopping import Budget, stop_budget, wash_out

BURNS = (0.62, 1.45)
"""Lambda between which a flame is looked up; the table of `flame` itself ends earlier on the lean side."""

NOTHING, HARMLESS = "nothing", "nothing to catch"
GUARDS = (
    "lean stop",
    "rich stop",
    "fuel pressure",
    "rpm window",
    "throttle",
    "bottle pressure window",
    "valve supervision",
    NOTHING,
    HARMLESS,
)
"""What a fault may be caught by. Valve supervision: a second valve in series that closes when this one does not."""

_AT_ONCE = ("fuel pressure", "rpm window")


@dataclass(frozen=True)
class Fault:
    """What one fault does, at the dosed speed where it does most.

    Attributes
    ----------
    name, happens : str
        What fails, and sentences on what that is on this car.
    rpm : float
        Speed of the engine [rpm]; NaN where none is looked at.
    lambda_ : float
        Of all cylinders together, as a sensor's gas has it; NaN where it is not known, infinite where no fuel comes.
    lambda_worst : float
        Of the cylinder that gets most nitrous, or least fuel.
    oxygen_left : float
        O2 in the cooled exhaust of that cylinder [mole fraction], see `Mixture.exhaust`; 0 where lambda is below 1.
    T_evo, P_max : float
        Burned gas at exhaust opening [K] and peak pressure [Pa] of that cylinder.
    knock_ratio : float
        Its knock integral over the engine's own at that speed.
    caught_by : str
        One of `GUARDS`.
    how_late_s, cycles : float
        From the first bad cycle until 95 % of the nitrous is gone [s], and cycles of each cylinder in that time; NaN where nothing ends it or where it is
        kept from beginning.
    beyond : tuple of str
        What passes a limit: "lean", "rich", "pressure", "knock", "exhaust".
    computed : bool
        Whether the cycle is; if not, `why` says why not and its numbers are NaN.
    why : str
    """

    name: str
    happens: str
    rpm: float = np.nan
    lambda_: float = np.nan
    lambda_worst: float = np.nan
    oxygen_left: float = np.nan
    T_evo: float = np.nan
    P_max: float = np.nan
    knock_ratio: float = np.nan
    caught_by: str = NOTHING
    how_late_s: float = np.nan
    cycles: float = np.nan
    beyond: tuple[str, ...] = ()
    computed: bool = False
    why: str = ""


def faults(sheet: BuildSheet, dosed: Dosed, *, metric: bool = True) -> list[Fault]:
    """Compute every fault.

    Parameters
    ----------
    sheet : BuildSheet
    dosed : Dosed
        Speeds without nitrous are left out.
    metric : bool
        Units of the sentences.

    Returns
    -------
    list of Fault
        The first is the plan as it is.

    Raises
    ------
    InputError
        If nothing flows, or the dose itself cannot be computed.

    Notes
    -----
    All at the likely values of what is unknown. Of a pulsed valve the strongest cycle counts for pressure, knock and exhaust, the mean for the sensor. The
    burn is that of `Firing`; what passes by itself before a stop has acted is caught by nothing.
    """
    sprayed = Sprayed.of(sheet, dosed, metric=metric)
    scenarios = [make(sprayed) for make in EVERY]
    fired = _fire(sprayed, [s.rows for s in scenarios if s.rows is not None])
    limits = Limits.of(sheet, sprayed.firing, sprayed.dosed.rpm)
    out = []
    for scenario in scenarios:
        table = None if scenario.rows is None else next(fired)
        out.append(_of(sprayed, scenario, table, limits))
    return out


def _fire(sprayed: Sprayed, every: list[Rows]):
    """Fire the worst cylinders of all rows in one go; one table each, NaN where a charge leaves the flame's table."""
    worst = [r.worst for r in every]
    charge = Charge(*(np.concatenate([getattr(w, k) for w in worst]) for k in Charge.__dataclass_fields__))
    rpm, lambda_, retard, octane = (
        np.concatenate([getattr(r, k) for r in every]) for k in ("rpm", "lambda_worst", "retard_deg", "octane_ron")
    )
    columns = ["P_max", "T_burned_evo", "knock_integral"]
    out = pd.DataFrame(np.nan, index=np.arange(len(rpm)), columns=columns)
    good = (lambda_ >= BURNS[0]) & (lambda_ <= BURNS[1])
    firing, setup = sprayed.firing, sprayed.setup
    if good.any():
        cases = cases_of(setup, charge.at(good), rpm[good], lambda_[good]).assign(octane_ron=octane[good])
        burn: Burn = firing.burn(cases)
        spark = firing.at("timing_deg_btdc", rpm[good]) - retard[good]
        out.loc[good, columns] = firing.fire(cases, burn, spark)[columns].to_numpy()
    out["knock_ratio"] = out["knock_integral"] / firing.at("knock_integral", rpm)
    ends = np.cumsum([len(r.rpm) for r in every])
    return (out.iloc[b - len(r.rpm) : b].reset_index(drop=True) for r, b in zip(every, ends, strict=True))


def _of(sprayed: Sprayed, scenario: Scenario, table: pd.DataFrame | None, limits: Limits) -> Fault:
    rows = scenario.rows
    if rows is None or table is None:
        out = Fault(
            scenario.name, scenario.says(-1), lambda_=scenario.lambda_, lambda_worst=scenario.lambda_, why=scenario.why
        )
        return _caught(sprayed, scenario, replace(out, beyond=_beyond(sprayed, out, limits)), -1)
    k = _worst(scenario, rows, table, limits)
    row, lean = table.iloc[k], float(rows.lambda_worst[k])
    computed = bool(np.isfinite(row["P_max"]))
    out = Fault(
        scenario.name,
        scenario.says(k),
        rpm=float(rows.rpm[k]),
        lambda_=float(rows.lambda_mean[k]),
        lambda_worst=lean,
        oxygen_left=_oxygen(rows, k),
        T_evo=float(row["T_burned_evo"]),
        P_max=float(row["P_max"]),
        knock_ratio=float(row["knock_ratio"]),
        computed=computed,
        why="" if computed else _why_not(lean),
    )
    return _caught(sprayed, scenario, replace(out, beyond=_beyond(sprayed, out, limits)), k)


def _worst(scenario: Scenario, rows: Rows, table: pd.DataFrame, limits: Limits) -> int:
    """Element at which a fault does most; one that cannot be computed only where none can."""
    shares = [table["P_max"] / limits.P_max, table["knock_ratio"], table["T_burned_evo"] / limits.T_evo]
    score = {
        "lean": rows.lambda_worst,
        "rich": -rows.lambda_worst,
        "load": np.max(shares, axis=0),
        "knock": table["knock_ratio"].to_numpy(),
        "exhaust": table["T_burned_evo"].to_numpy(),
    }[scenario.by]
    score = np.where(np.isfinite(score), score, -np.inf)
    return int(np.argmax(score)) if np.isfinite(score).any() else 0


def _why_not(lambda_: float) -> str:
    if lambda_ > BURNS[1]:
        return "so lean that it hardly burns"
    if lambda_ < BURNS[0]:
        return "so rich that it hardly burns"
    return "the charge leaves the table of computed flames, or its burn does not fit between the valves"


def _oxygen(rows: Rows, k: int) -> float:
    lambda_ = float(rows.lambda_worst[k])
    if not LAMBDA_MIN <= lambda_ <= LAMBDA_MAX:
        return np.nan
    return float(mixture(rows.setup, rows.worst, lambda_, k).exhaust["O2"])


def _beyond(sprayed: Sprayed, fault: Fault, limits: Limits) -> tuple[str, ...]:
    """Name what passes a limit; what is not known passes none."""
    owner = sprayed.sheet.limits
    passed = {
        "lean": fault.lambda_worst > owner.lean_stop_lambda,
        "rich": fault.lambda_worst < owner.misfire_rich_lambda,
        "pressure": fault.P_max > limits.P_max,
        "knock": fault.knock_ratio > 1.0,
        "exhaust": fault.T_evo > limits.T_evo,
    }
    return tuple(name for name, is_so in passed.items() if is_so)


def _caught(sprayed: Sprayed, scenario: Scenario, fault: Fault, k: int) -> Fault:
    """Say which guard ends a fault, and how late."""
    dosed, rows = sprayed.dosed, scenario.rows
    place = len(dosed.rpm) // 2 if rows is None else int(rows.at[k])
    rpm, share = float(dosed.rpm[place] if rows is None else rows.rpm[k]), float(dosed.share[place])
    guard = scenario.guard
    if guard == "lambda":
        return _by_lambda(sprayed, scenario, fault, rpm, share, k)
    if guard in _AT_ONCE or guard == "throttle":
        late = wash_out(sprayed.sheet, rpm, "shut" if guard == "throttle" else "open", share)["all"].best
        return replace(fault, caught_by=guard, how_late_s=late, cycles=late * rpm / 120)
    return replace(fault, caught_by=guard)


def _by_lambda(sprayed: Sprayed, scenario: Scenario, fault: Fault, rpm: float, share: float, k: int) -> Fault:
    """Lean or rich stop, by the mixture of all cylinders together; nothing where it passes by itself before."""
    limits, value = (
        sprayed.sheet.limits,
        float(np.clip(fault.lambda_, 0.3, 5.0)),
    )  # beyond, a sensor's step is no larger
    for name, stop in (("lean stop", limits.lean_stop_lambda), ("rich stop", limits.rich_stop_lambda)):
        if (value > stop) == (name == "lean stop") and value != stop:
            budget = stop_budget(sprayed.sheet, rpm, value, stop, share)
            if not budget.reached or (scenario.lasts_s is not None and scenario.lasts_s[k] < acts_after(budget)):
                break
            return replace(fault, caught_by=name, how_late_s=budget.total_s, cycles=budget.cycles)
    return replace(fault, caught_by=NOTHING if fault.beyond else HARMLESS)


def acts_after(budget: Budget) -> float:
    """Time from the first bad cycle to the stop's command to close [s]."""
    return sum(budget.parts[name].best for name in ("cylinder", "exhaust", "sensor", "filter"))


def fault_table(every: list[Fault]) -> pd.DataFrame:
    """Return the faults as a table, a row a fault.

    Returns
    -------
    DataFrame
        fault, rpm, lambda_mean, lambda_worst, oxygen_left_percent (of the exhaust by mole), exhaust_K, peak_pressure_bar, knock_ratio, caught_by, late_ms,
        late_cycles, beyond (words), computed, why, happens; blank where not known.
    """
    rows = [
        {
            "fault": f.name,
            "rpm": f.rpm,
            "lambda_mean": f.lambda_,
            "lambda_worst": f.lambda_worst,
            "oxygen_left_percent": 100 * f.oxygen_left,
            "exhaust_K": f.T_evo,
            "peak_pressure_bar": f.P_max / 1e5,
            "knock_ratio": f.knock_ratio,
            "caught_by": f.caught_by,
            "late_ms": 1e3 * f.how_late_s,
            "late_cycles": f.cycles,
            "beyond": ", ".join(f.beyond),
            "computed": f.computed,
            "why": f.why,
            "happens": f.happens,
        }
        for f in every
    ]
    return pd.DataFrame(rows)
