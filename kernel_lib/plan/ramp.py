"""How the nitrous comes in: over speed, over time, in stages or all at once; drawn, or the largest that keeps every limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..build_sheet import BuildSheet
from ..engine.setup import spray_speeds
from ..errors import InputError, check_array, check_number, check_rising
from ..text import listed
from .pulsing import Pulsing
from .room import LIMITS, DoseMap

FULL_HIT, OVER_RPM, OVER_TIME, STAGES = "full hit", "over rpm", "over time", "stages"
KINDS = (FULL_HIT, OVER_RPM, OVER_TIME, STAGES)
FINE = 50.0
"""Steps in which a ramp is held against the limits [rpm]."""

BETWEEN = 0.005
"""Of the full flow, kept from the bound of a proposal for what lies between those steps."""


@dataclass(frozen=True, eq=False)
class Ramp:
    """How the nitrous comes in.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    at : array
        Speeds [rpm], or times since the first nitrous [s]; rising.
    share : array
        Of the full flow at those points, averaged over the pulses; lines between them, but for stages, which hold from their speed on.
    origin : str
        "proposed", "drawn" or "on the sheet".
    """

    kind: str
    at: np.ndarray
    share: np.ndarray
    origin: str

    def over_rpm(self, rpm, *, start: float = 0.0, rise: float = 1.0) -> np.ndarray:
        """Share at engine speeds.

        Parameters
        ----------
        rpm : array
        start, rise : float
            Speed at which the nitrous begins [rpm], and how fast it climbs [rpm/s]; for a ramp over time.

        Returns
        -------
        array
            Before the first point nothing flows, after the last what flows there.
        """
        rpm = np.asarray(rpm, float)
        x = (rpm - start) / rise if self.kind == OVER_TIME else rpm
        if self.kind == FULL_HIT:
            return np.where(rpm >= self.at[0] - 1e-9, 1.0, 0.0)
        if self.kind == STAGES:
            k = np.searchsorted(self.at, x + 1e-9, side="right")
            return np.concatenate([[0.0], self.share])[k]
        return np.where(x < self.at[0] - 1e-9, 0.0, np.interp(x, self.at, self.share))


def ramp_of(sheet: BuildSheet, room: DoseMap) -> Ramp:
    """Return the ramp of a sheet, or where it states none: proposed for a pulsed valve, else all at once."""
    ramp = sheet.ramp
    kind = ramp.kind or (OVER_RPM if sheet.nitrous.progressive else FULL_HIT)
    if ramp.kind is None and kind == OVER_RPM:
        return propose(sheet, room)
    if kind == FULL_HIT:
        origin = "on the sheet" if ramp.kind else "as the valve is"
        return Ramp(FULL_HIT, np.array([room.rpm[0]]), np.array([1.0]), origin)
    points = ramp.time_s if kind == OVER_TIME else ramp.rpm
    return Ramp(kind, np.array(points), np.array(ramp.share_percent) / 100, "on the sheet")


def drawn(sheet: BuildSheet, first: float, last: float, bend: float = 1.0) -> Ramp:
    """Draw a ramp over speed from its ends.

    Parameters
    ----------
    sheet : BuildSheet
    first, last : float
        Shares of the full flow at the lowest and at the highest speed of the window, 0 to 1.
    bend : float
        Exponent of the way between, 0.3 to 3; 1 is a line, more comes in late.
    """
    ends = [
        check_number(name, v, 0.0, 1.0, "of the full flow", "The valve passes no more than when open.")
        for name, v in (("first share", first), ("last share", last))
    ]
    bend = check_number("bend", bend, 0.3, 3.0, "", "Beyond, it is a step.")
    rpm = spray_speeds(sheet)
    way = ((rpm - rpm[0]) / (rpm[-1] - rpm[0])) ** bend
    return Ramp(OVER_RPM, rpm, ends[0] + (ends[1] - ends[0]) * way, "drawn")


def typed(kind: str, at, share_percent) -> Ramp:
    """Make a ramp of typed points.

    Raises
    ------
    InputError
        For points out of order, rows of unlike length, or shares that no valve passes.
    """
    field, unit, top = ("ramp.time_s", "s", 60.0) if kind == OVER_TIME else ("ramp.rpm", "rpm", 12000.0)
    at = np.atleast_1d(check_array(field, at, 0.0, top, unit, "Where the ramp has its points."))
    share = np.atleast_1d(
        check_array("ramp.share_percent", share_percent, 0.0, 100.0, "%", "The valve passes no more than when open.")
    )
    check_rising(field, at, unit, "A ramp is read from its first point to its last.")
    if len(at) != len(share):
        raise InputError(
            "ramp.share_percent",
            len(share),
            "values",
            f"{len(at)} values",
            "One share belongs to each point of the ramp.",
        )
    return Ramp(kind, at, share / 100, "drawn")


def propose(sheet: BuildSheet, room: DoseMap, *, margin: float | None = None, steepest: float | None = None) -> Ramp:
    """Propose the largest ramp over speed that keeps every limit and rises or falls no faster than wanted.

    Parameters
    ----------
    sheet : BuildSheet
    room : DoseMap
    margin : float, optional
        Share of the allowed dose to stay away from it, 0 to 0.6; the sheet's if None.
    steepest : float, optional
        Of the full flow per 1000 rpm; the sheet's if None.

    Returns
    -------
    Ramp
        Every 500 rpm of the window; zero everywhere where nothing fits.

    Notes
    -----
    The largest function under a bound c(r) whose slope is at most L is min over s of c(s) + L |r - s| (Pasch-Hausdorff envelope). The bound: the mean share whose
    strongest cycle keeps the margin to what is allowed, the valve's own error counted. Lines between the points are then held against the bound every 50 rpm and the
    points lowered where they cross it; the bound counts the leanest cycle of every smaller share. Both are cautious: a single point might stand up to 0.08 of the flow higher.
    """
    ramp = sheet.ramp
    margin = ramp.margin_percent / 100 if margin is None else margin
    steepest = ramp.steepest_percent / 100 if steepest is None else steepest
    margin = check_number("ramp.margin_percent", 100 * margin, 0.0, 60.0, "%", "More leaves nothing.") / 100
    steepest = (
        check_number(
            "ramp.steepest_percent", 100 * steepest, 2.0, 400.0, "% of the full flow per 1000 rpm", "Steeper is a step."
        )
        / 100
    )
    pulsing, rpm = Pulsing.of(sheet), spray_speeds(sheet)
    fine, bound = bound_of(sheet, room, margin)
    slope = steepest / 1000

    def smooth(at: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Largest function under `values` that is no steeper, at the points of the ramp."""
        return pulsing.floor(np.min(values[None, :] + slope * np.abs(at[None, :] - rpm[:, None]), axis=1))

    share = smooth(fine, bound)
    for _ in range(400):
        line = np.interp(fine, rpm, share)
        over = np.where(pulsing.between(line) & (bound >= 1.0), 0.0, line - bound)
        worst = int(over.argmax())
        if over[worst] <= 1e-9:
            break
        share = smooth(rpm, _lowered(pulsing, rpm, share, float(fine[worst]), float(over[worst])))
    return Ramp(OVER_RPM, rpm, share, "proposed")


def bound_of(sheet: BuildSheet, room: DoseMap, margin: float) -> tuple[np.ndarray, np.ndarray]:
    """Speeds every 50 rpm and the largest mean share there whose strongest, and leanest, cycle keeps every limit with a margin."""
    pulsing, fine = Pulsing.of(sheet), _fine(room)
    most = pulsing.mean_for(room.rpm, (1 - margin) * room.most)
    some = np.linspace(0.15, 1.0, 6)[:, None] * np.where(
        most >= 1, pulsing.most, most
    )  # what is leanest may be a smaller share
    room = room.leaned(pulsing.excess(np.broadcast_to(room.rpm, some.shape), some).max(axis=0))
    bound = pulsing.mean_for(fine, (1 - margin) * room.most_at(fine))
    return fine, np.where(bound < 1, np.maximum(bound - BETWEEN, 0.0), bound)


def _lowered(pulsing: Pulsing, rpm: np.ndarray, share: np.ndarray, at: float, by: float) -> np.ndarray:
    """Lower one of the two points beside a speed so that the line between them comes down there: an open valve first, else the nearer point above 0."""
    share = share.copy()
    k = int(np.clip(np.searchsorted(rpm, at), 1, len(rpm) - 1))
    pair = (k - 1, k)
    open_ = [m for m in pair if share[m] >= 1]
    if open_ and pulsing.most < 1:
        share[open_[0]] = pulsing.most
        return share
    part = (at - rpm[k - 1]) / (rpm[k] - rpm[k - 1])
    weights = {k - 1: 1 - part, k: part}
    near = max((m for m in pair if share[m] > 0), key=weights.get, default=k)
    share[near] = max(share[near] - by / max(weights[near], 1e-3) - 1e-6, 0.0)
    return pulsing.floor(share)


def _leaned(pulsing: Pulsing, room: DoseMap, share: np.ndarray) -> DoseMap:
    """The map for the leanest cycles that a mean share at its speeds makes: their fuel is that of the mean."""
    return room.leaned(pulsing.excess(room.rpm, share))


def propose_stages(sheet: BuildSheet, room: DoseMap, first: float, *, margin: float | None = None) -> Ramp:
    """Propose where the first of two nozzle sets may open, and where the second.

    Parameters
    ----------
    sheet : BuildSheet
    room : DoseMap
    first : float
        What the first set passes, of the full flow, 0.1 to 0.9.
    margin : float, optional
        As in `propose`.

    Returns
    -------
    Ramp
        Of the stages that may open at all, from which speed on, to the next 50 rpm; none if neither may.
    """
    first = check_number("first stage", first, 0.1, 0.9, "of the full flow", "The rest is the second set's.")
    margin = sheet.ramp.margin_percent / 100 if margin is None else margin
    fine = _fine(room)
    allowed = (1 - margin) * room.most_at(fine)
    at, shares = [], []
    for share in (first, 1.0):
        bad = np.flatnonzero(allowed < share)
        from_here = 0 if not len(bad) else int(bad[-1]) + 1  # once open it stays open
        if from_here < len(fine):
            at.append(fine[from_here])
            shares.append(share)
    if len(at) == 2 and at[1] <= at[0]:
        at, shares = at[1:], shares[1:]
    return Ramp(STAGES, np.array(at), np.array(shares), "proposed")


def _fine(room: DoseMap) -> np.ndarray:
    inner = np.arange(np.ceil(room.rpm[0] / FINE) * FINE, room.rpm[-1], FINE)
    return np.unique(np.concatenate([room.rpm, inner]))


@dataclass(frozen=True)
class Breach:
    """Speeds at which a ramp breaks a limit: from, to [rpm], the limit, the share of the strongest cycle and what is allowed there at worst."""

    low: float
    high: float
    limit: str
    share: float
    allowed: float


def breaches(sheet: BuildSheet, room: DoseMap, ramp: Ramp) -> list[Breach]:
    """Hold a ramp against every limit, every 50 rpm; its strongest cycle counts, the valve's own error with it."""
    fine = _fine(room)
    share = worst_over_rpm(sheet, ramp, fine)
    strongest = share
    if ramp.kind in (OVER_RPM, OVER_TIME):
        pulsing = Pulsing.of(sheet)
        strongest = pulsing.strongest(fine, share)
        room = _leaned(pulsing, room, worst_over_rpm(sheet, ramp, room.rpm))
    allowed = room.most_at(fine)
    bad = np.flatnonzero(strongest > allowed + 1e-6)
    out = []
    for group in np.split(bad, np.flatnonzero(np.diff(bad) > 1) + 1):
        if len(group):
            k = int(group[(strongest - allowed)[group].argmax()])
            near = int(np.abs(room.rpm - fine[k]).argmin())
            out.append(
                Breach(
                    float(fine[group[0]]),
                    float(fine[group[-1]]),
                    room.binds[near],
                    float(strongest[k]),
                    float(allowed[k]),
                )
            )
    return out


def breach_sentences(found: list[Breach]) -> list[str]:
    """Say where a ramp breaks which limit."""
    return [
        f"From {b.low:.0f} to {b.high:.0f} rpm the strongest cycle gets {100 * b.share:.0f} % of the full flow, where {100 * b.allowed:.0f} % is allowed by {LIMITS[b.limit]}."
        for b in found
    ]


def worst_over_rpm(sheet: BuildSheet, ramp: Ramp, rpm) -> np.ndarray:
    """Share of a ramp at engine speeds; over time: the largest over all gears with nitrous, from the bottom of the window."""
    start = float(spray_speeds(sheet)[0])
    return np.max([ramp.over_rpm(rpm, start=start, rise=rise) for rise in gear_rises(sheet).values()], axis=0)


def gear_rises(sheet: BuildSheet) -> dict[int, float]:
    """Rise of engine speed by gear [rpm/s], gears with nitrous only; one unnumbered (0) where the sheet does not tell gears apart."""
    rises, lowest = sheet.value("driveline.rise_rpm_s"), sheet.driveline.gear_min
    if len(rises) == 1:
        return {0: float(rises[0])}
    return {gear: float(rises[gear - 1]) for gear in range(min(lowest, len(rises)), len(rises) + 1)}


def over_time(sheet: BuildSheet, ramp: Ramp, step: float = 0.25) -> dict[int, tuple[np.ndarray, np.ndarray]]:
    """Turn a ramp over speed into one over time for every gear: (s, share), from the bottom of the window to its top."""
    return {gear: _timed(sheet, ramp, rise, step) for gear, rise in gear_rises(sheet).items()}


def per_gear(sheet: BuildSheet, room: DoseMap, ramp: Ramp, *, margin: float, steepest: float) -> dict[int, Ramp]:
    """Propose a ramp for every gear with nitrous: `ramp`, the proposal without gears, but where torque at the wheels is limited. Parameters as in `propose`."""
    maps = {gear: room.in_gear(gear) if gear else room for gear in gear_rises(sheet)}
    return {
        gear: ramp if own is room else propose(sheet, own, margin=margin, steepest=steepest)
        for gear, own in maps.items()
    }


def _timed(sheet: BuildSheet, ramp: Ramp, rise: float, step: float) -> tuple[np.ndarray, np.ndarray]:
    window = spray_speeds(sheet)
    last = float(window[-1] - window[0]) / rise
    t = np.unique(np.append(np.arange(0.0, last, max(step, last / 12)), last))
    return t, ramp.over_rpm(window[0] + rise * t, start=float(window[0]), rise=rise)


def slowest_rise(sheet: BuildSheet, room: DoseMap, ramp: Ramp) -> float | None:
    """Least rise of engine speed at which a ramp over time keeps its limits [rpm/s]; None where no rise does."""
    start, pulsing = float(spray_speeds(sheet)[0]), Pulsing.of(sheet)
    fine, needed = _fine(room), 0.0
    for t in np.unique(np.concatenate([np.arange(ramp.at[0], ramp.at[-1], 0.2), ramp.at])):
        share = float(np.interp(t, ramp.at, ramp.share))
        allowed = _leaned(pulsing, room, np.full(len(room.rpm), share)).most_at(fine)
        bad = np.flatnonzero(pulsing.strongest(fine, np.full(len(fine), share)) > allowed + 1e-6)
        if not len(bad):
            continue
        if bad[-1] == len(fine) - 1 or t <= 0:
            return None
        needed = max(needed, (float(fine[bad[-1] + 1]) - start) / float(t))
    return needed


def ramp_sentence(ramp: Ramp) -> str:
    """Say a ramp in one sentence."""
    if not len(ramp.at) or not (ramp.share > 0).any():
        return "Nothing flows at any speed."
    if ramp.kind == FULL_HIT:
        return f"All of it at once from {ramp.at[0]:.0f} rpm."
    if ramp.kind == STAGES:
        return (
            listed(
                [f"{100 * s:.0f} % of the full flow from {r:.0f} rpm" for r, s in zip(ramp.at, ramp.share, strict=True)]
            )
            + "."
        )
    flowing = np.flatnonzero(ramp.share > 0)
    first, unit = flowing[0], "s" if ramp.kind == OVER_TIME else "rpm"
    word = "after" if ramp.kind == OVER_TIME else "at"
    start, end = float(ramp.share[first]), float(ramp.share[-1])
    last = (
        int(np.flatnonzero(~np.isclose(ramp.share, end, atol=1e-9))[-1]) + 1
        if not np.allclose(ramp.share[first:], end)
        else first
    )
    begin = "all of the flow" if start >= 1 else f"{100 * start:.0f} % of the flow"
    if last == first:
        return f"{begin[0].upper()}{begin[1:]} from {ramp.at[first]:g} {unit} on."
    finish = "all of it" if end >= 1 else f"{100 * end:.0f} %"
    return f"{begin[0].upper()}{begin[1:]} {word} {ramp.at[first]:g} {unit}, {finish} from {ramp.at[last]:g} {unit} on."
