"""The rules about valve, line and bottle: pulses, half duty, throttle, what stays after the valve, pressure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..band import SENSOR_ERROR, VALVE_LAG_ERROR, Band
from ..errors import InputError
from ..plan import delivery as dv
from ..plan.bottle_day import full_temperature, gauge_pressure, hold_temperature, state_of
from ..plan.fuel import lambda_at_flow
from ..plan.power import shot_power
from ..plan.pulsing import Pulsing
from ..plan.stopping import wash_out
from ..text import banded, rounded
from ..thermo.fluid import T_LAST, T_TRIPLE, table
from ..thermo.mixture import oxygen_share
from ..thermo.nitrous import DEFAULT, MODELS, mass_flux
from ..thermo.vessel import LIQUID_FULL, VAPOUR_ONLY, VesselState, bottle_volume, vessel_state
from .rules_car import Car, Say
from .rules_kinds import CLOSE, CLOSE_SHARE, HOLDS, NOT_FIRST, SHORT, Course, Held, RuleCheck, at_once, unjudged
from .rules_told import RULES

RATES = np.geomspace(2.0, 50.0, 81)
"""Pulse rates looked at [Hz]: those a build sheet takes."""
PULSED_SHARES = (0.25, 0.5, 0.75)
COLDER = 15.0
"""An unheated bottle below the one in its window [K]; a choice of our own."""


def pulse(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """Pulse rate against the least at which the leanest cycle keeps under the sheet's lean stop."""
    sheet, rule = car.sheet, RULES["pulse"]
    given, stop, target = rule.numbers["pulse_hz"], sheet.limits.lean_stop_lambda, sheet.engine.lambda_with_nitrous
    if not sheet.nitrous.progressive:
        return unjudged(
            rule, given, "Hz", "This valve is not pulsed: it is open or shut, and there is nothing to even out."
        )
    if stop - SENSOR_ERROR.high <= target:
        return unjudged(
            rule,
            given,
            "Hz",
            f"The sheet's lean stop, lambda {stop:.3f}, is within a sensor's error of its target, {target:.3f}: no rate keeps under it.",
        )
    v = dv.valve(sheet)
    fastest = 1 / (v.open_s + v.close_s)
    rpm, share, hz = np.meshgrid(car.rpm, PULSED_SHARES, RATES, indexing="ij")
    lean = dv.lambda_ripple(sheet, car.setup, rpm, share, hz).leanest.max(axis=1)  # (speeds, rates)
    low, best, high = (_least_rate(lean, stop + off) for off in (SENSOR_ERROR.high, 0.0, SENSOR_ERROR.low))
    course = Course(car.rpm, np.full(len(car.rpm), given), low, best, high)
    held = Held.over(course, close=CLOSE["Hz"], first=rule.grave, never_more=True)
    k, most = held.k, float(RATES[-1])
    at = float(np.interp(given, RATES, lean[k]))
    held = held.about(k, Course(car.rpm, course.here, *(np.minimum(x, most) for x in (low, best, high))))
    if not np.isfinite(best[k]):
        need = f"no rate up to {most:.0f} Hz keeps it under"
    else:
        shown = banded(low[k], best[k], min(high[k], most))
        need = f"{shown} Hz keep it under" if best[k] > RATES[0] else f"any rate from {RATES[0]:.0f} Hz keeps it under"
    where = (
        "the plenum evens little out" if sheet.nitrous.delivery == "plenum" else "behind a port nozzle nothing mixes"
    )
    tail = f"; {where}" if held.shown == SHORT else ""
    plenum = sheet.nitrous.delivery == "plenum"
    mixed = (
        " A plenum that mixes at once is taken for granted and carries no band, so that slower pulses might do is no reason to pulse slower."
        if plenum
        else ""
    )
    because = (
        f"At {car.rpm[k]:.0f} rpm and {given:.0f} Hz the leanest cycle reaches lambda {at:.2f}; {need} the sheet's lean stop at {stop:.3f}{tail}. This valve can open and shut again up to {fastest:.0f} Hz and pass half the flow only up to {0.5 / max(v.open_s, v.close_s):.0f} Hz: "
        f"the faster it pulses, the smaller the range of shares it delivers. That is the mixture alone: what the strongest cycle does to pressure, and which rates leave cylinders uneven, is on the planner.{mixed}"
    )
    return held.check(
        rule,
        "Hz",
        "well-mixed plenum (or none at a port); a quarter to three quarters of the flow; ends: a sensor's error about the lean stop",
        because,
    )


def _least_rate(lean: np.ndarray, stop: float) -> np.ndarray:
    """Least rate from which on the leanest cycle keeps under a stop, speed by speed; infinite where none does [Hz]."""
    bad = lean > stop
    last = np.where(bad.any(axis=1), lean.shape[1] - 1 - bad[:, ::-1].argmax(axis=1), -1)
    return np.where(last + 1 < lean.shape[1], np.append(RATES, np.inf)[last + 1], np.inf)


def half(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """Power at half the valve duty against half the power."""
    sheet, rule, flow = car.sheet, RULES["half"], car.plan.flow.best
    duty, whole = rule.numbers["duty_share"], shot_power(sheet, flow)
    given, straight = duty * whole, shot_power(sheet, duty * flow)
    if not sheet.nitrous.progressive:
        because = f"This valve is not pulsed. Half of its flow would be worth {straight:.0f} hp of {whole:.0f}, so what the rule leaves out lies in the valve."
        return unjudged(rule, given, "hp", because)
    pulsing = Pulsing.of(sheet)
    share = float(pulsing.share(duty))
    low, high = (float(v) for v in pulsing.band(share))
    need = Band(
        *(shot_power(sheet, s * flow) for s in (low, share, high)),
        f"valve's opening less closing time within {VALVE_LAG_ERROR.high:g} ms either way; flow likely",
    )
    because = (
        f"At {100 * duty:.0f} % valve duty and {sheet.nitrous.pulse_hz:g} Hz this valve passes {banded(100 * low, 100 * share, 100 * high)} % of the flow, worth {banded(need.low, need.best, need.high)} hp where the rule says "
        f"{given:.0f}. Half of the flow itself would be worth {straight:.0f} hp."
    )
    return at_once(
        rule, given, "hp", need, because, close=CLOSE_SHARE * whole, at_rpm=float(sheet.engine.peak_power_rpm)
    )


def throttle(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """Full throttle alone is computed: what less air would do to the dose is all that can be said."""
    rule, rpm = RULES["throttle"], car.peak_rpm
    x = float(car.window.loc[car.window["rpm"] == rpm, "nitrous_fraction"].iloc[0])

    def shown(air: float) -> str:
        return f"{100 * float(oxygen_share(x / (x + air * (1 - x)))):.1f} %"

    because = (
        f"This model knows full throttle only. By the dose alone: with a tenth less air at {rpm:.0f} rpm the same nitrous would lift the oxygen share from {shown(1.0)} to {shown(0.9)}, with half the air to {shown(0.5)}; "
        f"the sheet asks for {car.sheet.nitrous.throttle_min_percent:g} %."
    )
    return unjudged(rule, rule.numbers["throttle_percent"], "%", because)


def hold(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """What stays on after the valve against the wash-out, open throttle and lifted: both have to be covered."""
    rule = RULES["hold"]
    given = rule.numbers["hold_s"]
    cases = {case: [wash_out(car.sheet, float(rpm), case)["all"] for rpm in car.rpm] for case in ("open", "shut")}
    low, best, high = (
        np.max([[getattr(b, end) for b in bands] for bands in cases.values()], axis=0)
        for end in ("low", "best", "high")
    )
    course = Course(car.rpm, np.full(len(car.rpm), given), low, best, high)
    held = Held.over(course, close=CLOSE["s"], first=rule.grave)
    k = held.k
    open_ = cases["open"][k]
    longest = max(b.high for b in cases["open"])
    covered = longest <= given + CLOSE["s"]
    label = "likely enough with the throttle open, short after a lift" if held.shown == NOT_FIRST and covered else ""
    edge = ""
    if high[k] > given + CLOSE["s"]:
        edge = f" At the cautious edge {given:g} s is {rounded(high[k] - given, 0.1)} s short{' after a lift' if covered else ''}."
    types = car.proposed("fuel and timing stay")
    edge += f" The planner keeps them on for {types:.1f} s." if types is not None else ""
    because = (
        f"At {car.rpm[k]:.0f} rpm 95 % of the nitrous is gone {banded(low[k], best[k], high[k])} s after the command to close if the driver lifts, {banded(open_.low, open_.best, open_.high)} s with the throttle "
        f"open.{edge}"
    )
    about = "line drain and idle air over their ranges; the manifold mixes well; the longer of open and lifted"
    return held.check(rule, "s", about, because, label=label)


def _standing(sheet, T: float) -> VesselState:
    """What stands in this bottle, as full as it is, at a temperature."""
    return vessel_state(T, sheet.value("nitrous.bottle_fill_kg"), bottle_volume(sheet.nitrous.bottle_rated_fill_kg))


def _flux(state: VesselState, P_down: float) -> float:
    """Flux of the liquid that this bottle pushes: boiling where vapour stands over it, pressed where none is left [kg/(m2 s)]."""
    pressed = state.regime == LIQUID_FULL
    return float(mass_flux(state.T, P_down, P_up=state.P if pressed else None))


def tolerated(car: Car) -> tuple[np.ndarray, np.ndarray, list[VesselState]]:
    """Mixture over the pressure of the bottle as full as it is, fuel set for liquid that boils at the middle of the window.

    Returns
    -------
    tuple
        Gauge pressures [kPa], lambda at the lowest speed of the window, states; rising, those with liquid.

    Notes
    -----
    The middle is that of `hold_temperature`: there a pass goes on once its first grams are gone. A bottle without vapour shows more at that temperature.
    """
    sheet, P_down = car.sheet, car.setup.P_manifold
    middle = min(hold_temperature(sheet), T_LAST - 0.2)
    T = np.concatenate(
        [np.arange(max(middle - 30.0, T_TRIPLE + 1.0), middle - 4.0, 0.5), np.arange(middle - 4.0, T_LAST - 0.1, 0.05)]
    )
    states = [s for s in (_standing(sheet, float(t)) for t in T) if s.regime != VAPOUR_ONLY]
    base, flow, rpm = float(mass_flux(middle, P_down)), car.plan.flow.best, float(car.rpm[0])
    mixed = [
        float(np.squeeze(lambda_at_flow(sheet, car.setup, rpm, flow, flow * _flux(s, P_down) / base))) for s in states
    ]
    return np.array([gauge_pressure(sheet, s.P) / 1e3 for s in states]), np.array(mixed), states


def bottle(car: Car, say: Say) -> RuleCheck:
    """The window of pressures against those between which the mixture stays within a sensor's error of its target."""
    sheet, rule = car.sheet, RULES["bottle"]
    window, rpm = (sheet.nitrous.window_low_kpa, sheet.nitrous.window_high_kpa), float(car.rpm[0])
    target = sheet.engine.lambda_with_nitrous
    P, mixed, _ = tolerated(car)
    inside = np.abs(mixed - target) <= SENSOR_ERROR.high
    centre = int(np.abs(mixed - target).argmin())
    outside = np.flatnonzero(~inside)
    first = int(outside[outside < centre].max(initial=-1)) + 1
    last = int(outside[outside > centre].min(initial=len(P))) - 1
    ends = float(P[first]), float(P[last])
    need = Band(
        ends[0],
        float(P[centre]),
        ends[1],
        "choked equilibrium (HEM) over the temperature of this bottle as full as it is; fuel set for liquid that boils at the window's middle, as a pass goes on",
    )
    now = gauge_pressure(sheet, state_of(sheet).P) / 1e3
    where = "below" if now < window[0] else "above" if now > window[1] else "in"
    leaves = "up to all looked at," if last == len(P) - 1 else "up to"
    colder = "down to" if first else "colder than all looked at, to"
    short = window[0] < ends[0] - CLOSE["kPa gauge"] or window[1] > ends[1] + CLOSE["kPa gauge"]
    so = "more than flow allows" if short else "within that"
    because = (
        f"At {rpm:.0f} rpm the mixture stays within {SENSOR_ERROR.high:g} of its target {colder} {say.pressure(ends[0])} and {leaves} {say.pressure(ends[1])}; the sheet's window of {say.pressure(window[0])} to "
        f"{say.pressure(window[1])} gauge is {so}, and its bottle stands {where} it at {say.pressure(now)}.{_full(car, say, window[1])} Liquid at the pick-up, repeatable passes and the valve's own limit need a window all "
        "the same."
    )
    here = Band(
        window[0],
        sum(window) / 2,
        window[1],
        rule.basis if not sheet.is_given("nitrous.window_low_kpa") else "the sheet",
    )
    found = at_once(rule, here, "kPa gauge", need, because, close=CLOSE["kPa gauge"], at_rpm=rpm)
    outside = max(ends[0] - window[0], 0.0) + max(
        window[1] - ends[1], 0.0
    )  # share of the window where the mixture strays
    lack = min(outside / (window[1] - window[0]), 1.0) if short else 0.0
    return replace(found, shown=SHORT if short else HOLDS, missing=float(lack))


def _full(car: Car, say: Say, high_kpa: float) -> str:
    """Say where this bottle holds no vapour any more, if that is below the top of the window."""
    full = full_temperature(car.sheet)
    if full is None or full >= T_LAST:
        return ""
    P_full = gauge_pressure(car.sheet, float(table().at_T(full, "P")[0])) / 1e3
    if P_full >= high_kpa:
        return ""
    return (
        f" As full as it is, this bottle holds no vapour from {say.temperature(full)} ({say.pressure(P_full)}): beyond, pressure climbs steeply with a few degrees, and the flow with it. Less in the bottle, or a lower top of "
        "the window, keeps vapour over the liquid."
    )


def root(car: Car, say: Say) -> RuleCheck:
    """Flow of a colder bottle by the root of its pressure against that of boiling liquid."""
    sheet, rule = car.sheet, RULES["root"]
    warm = min(hold_temperature(sheet), T_LAST - 0.2)
    cold, P_down = max(warm - COLDER, T_TRIPLE + 1.0), car.setup.P_manifold
    P_warm, P_cold = (float(table().at_T(t, "P")[0]) for t in (warm, cold))
    given = 100 * ((P_cold - P_down) / (P_warm - P_down)) ** rule.numbers["exponent"]
    left = {m: 100 * float(mass_flux(cold, P_down, model=m)) / float(mass_flux(warm, P_down, model=m)) for m in MODELS}
    need = Band(
        min(left.values()),
        left[DEFAULT],
        max(left.values()),
        "three models of nitrous in a nozzle; likely: choked equilibrium (HEM)",
    )
    pressures = [say.pressure(gauge_pressure(sheet, p) / 1e3) for p in (P_cold, P_warm)]
    found = at_once(rule, given, "% of the flow", need, "", close=CLOSE["% of the flow"])
    because = (
        f"A bottle {say.cooler(warm - cold)} colder than the middle of the window ({pressures[0]} in place of {pressures[1]}) passes {banded(need.low, need.best, need.high)} % of the flow, the root of pressure says {given:.0f} %: "
        f"{_root_side(car, given, need)}. The colder liquid is denser and makes up for part of the pressure."
    )
    return replace(found, because=because)


def _root_side(car: Car, given: float, need: Band) -> str:
    """Which side fuel set by the rule errs to, and how far the mixture with it, at the lowest speed of the window."""
    place = (
        "below all three models"
        if given < need.low
        else "above all three models"
        if given > need.high
        else "among the models"
    )
    side = "lean" if given < need.best else "rich"
    return f"{place}, so that fuel set by it errs to the {side} side{_root_size(car, given, need.best)}"


def _root_size(car: Car, given: float, likely: float) -> str:
    """How far the mixture errs at the lowest speed of the window; empty where this shot cannot be computed."""
    try:
        flow, rpm = car.plan.flow.best / 100, float(car.rpm[0])
        mixed = float(np.squeeze(lambda_at_flow(car.sheet, car.setup, rpm, given * flow, likely * flow)))
    except InputError:
        return ""
    off = abs(mixed - car.sheet.engine.lambda_with_nitrous)
    return f", by {off:.3f} of lambda, {'less' if off <= SENSOR_ERROR.high else 'more'} than a sensor's error"
