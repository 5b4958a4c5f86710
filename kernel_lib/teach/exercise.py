"""The closing exercise: an engine the reader has not met, set up by him and judged; and readings behind which a fault hides."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from ..band import Band
from ..build_sheet import BuildSheet
from ..errors import InputError, check_number
from ..plan.dose import Dosed
from ..plan.faults import Fault, faults
from ..plan.judgement import at_peak, own_fuel_key
from ..plan.plan import plan_shot
from ..plan.proposals import hold_s

RIGHT, CLOSE, SAFE, OFF = "right", "close", "safe", "off"
"""How an entry is judged: inside what the model knows; near it; far on the safe side; hurts the engine."""

SHARES = (0.8, 0.7, 0.6, 0.5, 0.4)
"""Of the other car's shot, tried in an order that the seed turns."""

SURPLUS_DEG, FAR_DEG, FAR_RPM = 3.0, 10.0, 1500.0
"""Retard beyond the first hit's from which it is too much, and from which it heats the exhaust for nothing; speeds given away; choices of our own, no source."""

STEPS = {"rpm": 1.0, "deg": 0.5, "s": 0.1}
"""To what a need is rounded up, for the table and for the judgement alike."""


@dataclass(frozen=True)
class Entry:
    """What has to be set: its name, unit, the range that can be typed, and what is needed.

    Attributes
    ----------
    key, name, unit : str
    low, high : float
        What is accepted.
    need : Band
        From the likely need (`best`) to the cautious edge (`high`), rounded up to `STEPS`; for the fuel both ends of the likely need.
    """

    key: str
    name: str
    unit: str
    low: float
    high: float
    need: Band


@dataclass(frozen=True)
class Judged:
    """An entry as given: `RIGHT`, `CLOSE` or `OFF`, and the numbers that say why.

    Attributes
    ----------
    entry : Entry
    given : float
    kind : str
    lambda_ : Band or None
        What the mixture would be with that fuel, over the doubt of the need.
    """

    entry: Entry
    given: float
    kind: str
    lambda_: Band | None = None


@dataclass(frozen=True)
class Unmet:
    """A car that the reader has not met.

    Attributes
    ----------
    sheet : BuildSheet
    dosed : Dosed
        All of the shot from `from_rpm` on.
    from_rpm, peak_rpm : float
        The lowest speed that takes the whole shot; that next to peak power, where the fuel is asked.
    entries : tuple of Entry
        from_rpm [rpm], fuel [kg/h], retard_low and retard_peak [deg], hold [s].
    fuel_total_kg_h : float
        All fuel at `peak_rpm`.
    """

    sheet: BuildSheet
    dosed: Dosed
    from_rpm: float
    peak_rpm: float
    entries: tuple[Entry, ...]
    fuel_total_kg_h: float

    def judge(self, given: dict[str, float]) -> list[Judged]:
        """Judge a set-up, an entry at a time.

        Parameters
        ----------
        given : dict
            Key of each entry -> value in its unit.

        Raises
        ------
        InputError
            Where one is missing or outside what is accepted.
        """
        out = []
        for entry in self.entries:
            value = check_number(
                entry.name, given.get(entry.key), entry.low, entry.high, entry.unit, "The exercise reaches no further."
            )
            lambda_ = self._lambda(entry, value) if entry.key == "fuel" else None
            out.append(Judged(entry, value, self._kind(entry, value, lambda_), lambda_))
        return out

    def _lambda(self, entry: Entry, value: float) -> Band:
        """Lambda goes with one over all the fuel: that of the plan, and what was given beyond the need."""
        target, need = self.sheet.engine.lambda_with_nitrous, entry.need
        ends = [
            target * self.fuel_total_kg_h / (self.fuel_total_kg_h + value - n) for n in (need.low, need.best, need.high)
        ]
        return Band(min(ends), ends[1], max(ends), need.because)

    def _kind(self, entry: Entry, value: float, lambda_: Band | None) -> str:
        need, far = entry.need, np.inf
        if entry.key == "fuel":
            limits, slack = self.sheet.limits, 0.03 * need.best  # as the table is rounded
            if not limits.misfire_rich_lambda <= lambda_.best <= limits.lean_stop_lambda:
                return OFF
            return RIGHT if need.low - slack <= value <= need.high + slack else CLOSE
        if entry.key == "from_rpm":
            ends = ((need.low, OFF), (need.high + 1, RIGHT), (need.low + FAR_RPM, CLOSE), (far, SAFE))
        elif entry.unit == "deg":
            most = need.high + SURPLUS_DEG
            ends = ((need.best, OFF), (need.high, CLOSE), (most, RIGHT), (need.high + FAR_DEG, SAFE), (far, OFF))
        else:
            ends = ((need.best, OFF), (need.high, CLOSE), (2 * need.high, RIGHT), (far, SAFE))
        return next(kind for end, kind in ends if value < end - 1e-9)


@functools.lru_cache(maxsize=8)
def unmet(sheet: BuildSheet, seed: int = 0) -> Unmet:
    """Return a car that is not the reader's own, with a smaller shot that it can take somewhere; takes seconds when new.

    Parameters
    ----------
    sheet : BuildSheet
        The reader's.
    seed : int
        Turns through the cars and shots.

    Raises
    ------
    InputError
        If no other car takes any of the shots.
    """
    seed = int(check_number("seed", seed, 0, 1e6, "", "It turns through the cars."))
    others = [demo for demo in map(BuildSheet.demo, BuildSheet.demo_names()) if demo.car.name != sheet.car.name]
    other = others[seed % len(others)]
    turned = [SHARES[(seed // len(others) + k) % len(SHARES)] for k in range(len(SHARES))]
    for share in turned:
        car = other.replace(
            {"nitrous.shot_hp": round(share * other.nitrous.shot_hp / 5) * 5.0, "nitrous.nozzle_diameter_mm": None}
        )
        found = _set_up(car)
        if found is not None:
            return found
    raise InputError("seed", seed, "", "another", "No smaller shot of that car is reachable at any speed.")


def _set_up(car: BuildSheet) -> Unmet | None:
    """Return what has to be set on a car, or None where its shot fits at no speed but the last."""
    plan = plan_shot(car)
    table, timing = plan.table, plan.timing.table
    fits = timing["reachable"].to_numpy()
    lowest = len(fits) - int(np.argmin(np.append(fits[::-1], False)))  # from here on up it fits
    if lowest >= len(fits) - 1:
        return None
    first, peak = timing.iloc[lowest], at_peak(car, timing.iloc[lowest:])
    row = at_peak(car, table.iloc[lowest:])
    key = f"{own_fuel_key(car)}_kg_h"
    rpm = timing["rpm"].to_numpy()
    dosed = Dosed(rpm[lowest:], np.ones(len(rpm) - lowest), timing["first_hit_deg"].to_numpy()[lowest:], plan.flow.best)
    hold = _up(
        Band(hold_s(car, dosed, "open"), hold_s(car, dosed, "open"), hold_s(car, dosed, "shut"), "line and manifold"),
        "s",
    )
    step = float(rpm[1] - rpm[0])
    entries = (
        Entry("from_rpm", "all of it from", "rpm", float(rpm[0]) - 1000, float(rpm[-1]), Band(float(first["rpm"]), float(first["rpm"]), float(first["rpm"]) + step, "the plan goes by steps of speed")),
        Entry("fuel", "fuel to add at the speed of peak power", "kg/h", 0.0, 4 * float(row[f"{key}_high"]), Band(float(row[f"{key}_low"]), float(row[key]), float(row[f"{key}_high"]), "wall-heat share and density exponent")),
        _angle("retard_low", "timing out at the lowest speed that takes it all", first),
        _angle("retard_peak", "timing out at the speed of peak power", peak),
        Entry("hold", "added fuel and less timing stay on after a lift, for", "s", 0.0, 10.0, hold),
    )  # fmt: skip
    return Unmet(car, dosed, float(first["rpm"]), float(peak["rpm"]), entries, float(row["fuel_total_kg_h"]))


def _angle(key: str, name: str, row) -> Entry:
    need = Band(
        float(row["retard_deg_low"]),
        float(row["retard_deg"]),
        float(row["first_hit_deg"]),
        "what is not known of cooling, flame and knock",
    )
    return Entry(key, name, "deg", 0.0, 40.0, _up(need, "deg"))


def _up(need: Band, unit: str) -> Band:
    """Round a need up to what is set and shown."""
    step = STEPS[unit]
    return Band(*(float(np.ceil(v / step - 1e-6) * step) for v in (need.low, need.best, need.high)), need.because)


@dataclass(frozen=True, eq=False)
class Hidden:
    """Readings of a hit with one thing wrong, and what it may have been.

    Attributes
    ----------
    planned : Fault
        The hit as planned, for comparison.
    choices : tuple of Fault
        In no telling order.
    truth : int
        Which of them it is.
    """

    planned: Fault
    choices: tuple[Fault, ...]
    truth: int


_BLIND = "wide-band"  # a gauge does not show its own fault
_LAMBDA = (0.4, 2.0)  # a reading that a gauge has

APART = 0.02
"""Lambda by which the choices' readings differ at least: what a wide-band tells apart for sure; a choice of our own, no source."""


def hidden(sheet: BuildSheet, dosed: Dosed, seed: int = 0, *, metric: bool = True) -> Hidden:
    """Hide one of the faults that a gauge can tell apart.

    Parameters
    ----------
    sheet : BuildSheet
    dosed : Dosed
    seed : int
    metric : bool
        Units of the faults' sentences.

    Raises
    ------
    InputError
        As `faults`; or where fewer than three can be told apart.
    """
    planned, *every = faults(sheet, dosed, metric=metric)
    seed = int(check_number("seed", seed, 0, 1e6, "", "It turns through the faults."))
    told: list[Fault] = []
    for k in np.random.default_rng(0).permutation(len(every)):
        fault = every[k]
        seen = _LAMBDA[0] < fault.lambda_ < _LAMBDA[1] and fault.beyond and not fault.name.startswith(_BLIND)
        if seen and min(abs(fault.lambda_ - f.lambda_) for f in (planned, *told)) >= APART:
            told.append(fault)
    if len(told) < 3:
        raise InputError(
            "seed",
            seed,
            "",
            "a dose with faults that a gauge tells apart",
            "Too few of this car's faults differ in lambda.",
        )
    truth = told.pop(seed % len(told))
    random = np.random.default_rng(seed)
    shown = [told[k] for k in random.permutation(len(told))[:4]]
    place = int(random.integers(len(shown) + 1))
    return Hidden(planned, (*shown[:place], truth, *shown[place:]), place)
