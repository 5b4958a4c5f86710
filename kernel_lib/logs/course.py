"""A pull as it should have been, beside what was measured: nitrous, fuel, lambda, timing and bottle on the log's clock."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from ..band import HYDROGEN_WEIGHT
from ..build_sheet import BuildSheet
from ..plan.fuel_system import injector_duty
from ..plan.tune import Tune
from . import course_parts as cp
from .cut import Pull
from .drawn import Drawn, by_wall, drawn, shares, spans_of, supply_of, waited
from .log import Log
from .mixture import MixtureModel
from .retard_meant import retard_meant
from .sensor import Delay, dead_s, lagged, undelayed

BEFORE_S, AFTER_S = 1.0, 2.0
"""How much of the log before full throttle and after the last nitrous belongs to a pull [s]."""
INJECTORS, JETS, PLANNED = (
    "injector channel",
    "injector channel and the jet's flow",
    "as planned (no injector channel in the log)",
)
"""What the fuel is taken from."""
DRIFT = 0.002
"""What a gauge drifts within a pull, standard deviation [lambda]; a choice of our own, no source. How wrong it is as a whole (`band.SENSOR_ERROR`) is not counted."""


@dataclass(frozen=True, eq=False)
class Course:
    """A pull, expected beside measured; arrays of one length on the clock of the log.

    What is expected, and `undelayed`, belongs to the moment at which the charge is drawn in; `measured` and `shown_target` to that of the reading. Low and high
    are bounds over `band`; errors hold in 19 of 20 cases. NaN where a channel has a gap, or the full-throttle table does not reach.

    Attributes
    ----------
    time_s, rpm : array
    air : array
        Air drawn in over that of full throttle, by the manifold pressure; 1 at full throttle, NaN elsewhere where that is not logged.
    share : array
        Mean share of the full flow that is commanded, 0 without.
    duty_percent : array
        Valve duty that goes with it; 0 without, 100 where it is open for good.
    flow, flow_low, flow_high : array
        Nitrous drawn in by the whole engine [kg/s].
    nitrous_fraction : array
        Moles N2O per mole of (dry air + N2O).
    fuel : array
        Drawn in [kg per cycle and cylinder].
    fuel_basis : str
    lambda_model : array
        In the cylinder with that fuel, likely.
    target : array
        Lambda wanted, from that without to that with nitrous as it comes in.
    shown_target, shown_target_low, shown_target_high : array
        What the gauge would show at the target, its delay in it; the ends are those of the hydrogen weight.
    measured : array
        Lambda on the gauge; the leaner of two at each moment.
    undelayed, undelayed_error : array
        Lambda in the cylinder: delay and the gauge's bias on nitrous taken out of the reading; with its error.
    noise_error, bias_error : array
        The two parts of that error: of noise and delay, and of the gauge's drift and what is
        not known of its bias (much the same all through a pull).
    gauge_bias : array
        Shown less true lambda at that mixture.
    settled : array of bool
        Full throttle, no event near, and a mixture that has stood long enough for the sensor.
    timing_base, timing_planned, retard_planned : array
        [deg before top dead centre], [deg]; the retard is the one that is right for what was commanded at that moment.
    retard_of_step : array
        What the step of the hit has in its table, whatever was commanded at that moment [deg].
    dose : array
        What was commanded, or is in the charge if that is more, over what the step of the hit has at that speed; 1 where they are the same, see `retard_meant.Meant`.
    injector_duty_planned : array
        [%].
    bottle_kpa, bottle_kpa_planned, bottle_kpa_planned_low, bottle_kpa_planned_high : array
        Measured, and that of the sheet's bottle when so much is drawn [kPa gauge].
    trim_percent : array
        The controller's own correction, as logged.
    delay : Delay
    notes : tuple of str
    """

    time_s: np.ndarray
    rpm: np.ndarray
    air: np.ndarray
    share: np.ndarray
    duty_percent: np.ndarray
    flow: np.ndarray
    flow_low: np.ndarray
    flow_high: np.ndarray
    nitrous_fraction: np.ndarray
    fuel: np.ndarray
    fuel_basis: str
    lambda_model: np.ndarray
    target: np.ndarray
    shown_target: np.ndarray
    shown_target_low: np.ndarray
    shown_target_high: np.ndarray
    measured: np.ndarray
    undelayed: np.ndarray
    undelayed_error: np.ndarray
    noise_error: np.ndarray
    bias_error: np.ndarray
    gauge_bias: np.ndarray
    settled: np.ndarray
    timing_base: np.ndarray
    timing_planned: np.ndarray
    retard_planned: np.ndarray
    retard_of_step: np.ndarray
    dose: np.ndarray
    injector_duty_planned: np.ndarray
    bottle_kpa: np.ndarray
    bottle_kpa_planned: np.ndarray
    bottle_kpa_planned_low: np.ndarray
    bottle_kpa_planned_high: np.ndarray
    trim_percent: np.ndarray
    delay: Delay
    notes: tuple[str, ...] = field(default=())

    def cells(self, rpm_step: float = 500.0, duty_step: float = 10.0) -> pd.DataFrame:
        """Average the settled mixture over engine speed and valve duty.

        Parameters
        ----------
        rpm_step, duty_step : float
            Width of a cell [rpm], [% valve duty]; its middle is a multiple of it.

        Returns
        -------
        DataFrame
            A row a cell: rpm, valve_duty_percent (0 without nitrous), n, seconds, error (lambda over target, less one), error_95, noise_95, systematic_95 (its
            parts), bias (shown less true lambda), trim_percent (mean, NaN if not logged), begin_s, end_s (first and last of its readings).
        """
        return cp.cells(self, rpm_step, duty_step)


def course(
    log: Log, pull: Pull, sheet: BuildSheet, tune: Tune, delay: Delay | None = None, *, part: float = 1.0
) -> Course:
    """Lay a pull beside the plan.

    Parameters
    ----------
    log : Log
    pull : Pull
    sheet : BuildSheet
    tune : Tune
        Of that sheet.
    delay : Delay, optional
        Of the lambda sensor; the sheet's if None.
    part : float
        Of the plan's flow that the fitted nozzle passes; for a valve that is not pulsed, where a step of the ladder takes a nozzle and a jet of its own.

    Returns
    -------
    Course

    Raises
    ------
    InputError
        If the log has no engine speed there.

    Notes
    -----
    Air at part throttle goes with the manifold pressure where that is logged, and is not known elsewhere. Added fuel and retard stay after the valve shuts for as
    long as the tune says; the retard is that of the step of the ladder the hit belongs to, as its table has it, on lines between its speeds; where more is sprayed
    than that step, no less than half a degree below what that dose asks for, and where less is, no more than that asks for.
    """
    model = MixtureModel.of(sheet)
    window = _window(log, pull)
    read = cp.Reading.of(log, window, model)
    spans = spans_of(pull.hits, window)
    likely, low, high = cp.full_flows(tune, model)
    share = shares(read.time_s, read.rpm, read.commanded, spans, tune, part)
    supply = supply_of(sheet, likely, low, high)
    gas = drawn(model, supply, read.time_s, read.rpm, np.nan_to_num(read.air, nan=1.0), share, spans, read.bottle_kpa)
    fuel, basis = _fuel(model, tune, read, gas, spans, part)
    x, lambda_ = model.nitrous_fraction(read.rpm, gas.flow, read.air), model.lambda_(read.rpm, gas.flow, fuel, read.air)
    target = _target(sheet, gas)
    delay = Delay.of_sheet(sheet, read.middle_rpm(pull, window)) if delay is None else delay
    dead = delay.dead_scale * dead_s(sheet, read.rpm, gas.flow)
    shown = [
        _as_read(read.time_s, model.shown(target, x, weight), dead, delay.tau_s)
        for weight in (HYDROGEN_WEIGHT.best, HYDROGEN_WEIGHT.low, HYDROGEN_WEIGHT.high)
    ]
    pulse_s = 1 / sheet.nitrous.pulse_hz if tune.pulsed and ((share > 0) & (share < 1)).any() else 0.0
    seen = _cylinder(model, read, gas, x, delay, dead, pulse_s)
    retard = retard_meant(log, tune, read, gas, spans, part)
    base = np.interp(read.rpm, model.setup.rpm_table, model.setup.timing_table, left=np.nan, right=np.nan)
    wanted = np.stack(shown)
    return Course(
        time_s=read.time_s, rpm=read.rpm, air=read.air, share=share, duty_percent=cp.duty_of(tune, share), flow=gas.flow,
        flow_low=gas.flow_low, flow_high=gas.flow_high, nitrous_fraction=x, fuel=fuel, fuel_basis=basis, lambda_model=lambda_,
        target=target, shown_target=shown[0], shown_target_low=wanted.min(axis=0), shown_target_high=wanted.max(axis=0),
        measured=read.measured, **seen, settled=cp.settled(read, gas, spans, pull, window, delay, dead, tune),
        timing_base=base, timing_planned=base - retard.right, retard_planned=retard.right,
        retard_of_step=retard.of_step, dose=retard.dose,
        injector_duty_planned=_duty_planned(model, tune, read, gas, spans, part),
        bottle_kpa=read.bottle_raw, bottle_kpa_planned=gas.bottle_kpa[1], bottle_kpa_planned_low=gas.bottle_kpa[0],
        bottle_kpa_planned_high=gas.bottle_kpa[2], trim_percent=read.trim_percent, delay=delay, notes=read.notes,
    )  # fmt: skip


def _window(log: Log, pull: Pull) -> slice:
    """Rows of the log that belong to a pull."""
    first = min([pull.start, *(h.command.start for h in pull.hits)])
    last = max([pull.stop, *(h.flow.stop for h in pull.hits)])
    step, n = log.step_s, len(log.time_s)
    return slice(max(first - round(BEFORE_S / step), 0), min(last + round(AFTER_S / step), n))


def _as_read(time_s, lambda_: np.ndarray, dead: np.ndarray, tau_s: float) -> np.ndarray:
    """Lambda as a gauge would give it out, dead time and lag in it."""
    if not np.isfinite(dead).any():
        return np.full(len(lambda_), np.nan)
    return 1 / lagged(time_s, 1 / lambda_, dead, tau_s)


def _target(sheet: BuildSheet, gas: Drawn) -> np.ndarray:
    """Lambda wanted: that without nitrous, and as far as it has come in that with it."""
    engine = sheet.engine
    settled = gas.meant * gas.open_flow
    here = np.clip(np.divide(gas.flow, settled, out=np.zeros(len(settled)), where=settled > 0), 0.0, 1.0)
    return engine.lambda_without_nitrous + here * (engine.lambda_with_nitrous - engine.lambda_without_nitrous)


def _own(model: MixtureModel, read: cp.Reading, gas: Drawn) -> np.ndarray:
    """Fuel the controller gives by itself at full throttle [kg per cycle and cylinder]."""
    return model.fuel_own(read.rpm, gas.flow)


def _added(
    model: MixtureModel, tune: Tune, read: cp.Reading, gas: Drawn, spans: list[slice], part: float
) -> np.ndarray:
    """Fuel that the plan adds, when it is commanded [kg per cycle and cylinder]: with its lead, and held as long as the tune says."""
    sheet, time_s = model.sheet, read.time_s
    lead, hold = sheet.nitrous.fuel_lead_ms / 1e3, cp.hold_s(tune)
    added = np.zeros(len(time_s))
    wet = sheet.nitrous.system == "wet"
    for span in spans:
        known = gas.share[span][gas.share[span] > 0]
        if not len(known):
            continue
        on = time_s[span.start] - lead
        off = time_s[span.stop - 1] + (0.0 if wet else hold)
        here = (time_s >= on) & (time_s <= off)
        share = np.where(np.arange(len(time_s)) < span.start, known[0], gas.meant)
        amount = _jet(model, tune, read, share, part) if wet else model.fuel_added(read.rpm, share * model.full_flow)
        added = np.where(here, np.fmax(added, amount), added)
    return added


def _jet(model: MixtureModel, tune: Tune, read: cp.Reading, share, part: float) -> np.ndarray:
    """Fuel of a wet jet that is open for a share [kg per cycle and cylinder]: the fitted one, or that of a step's own nozzle."""
    if part == 1.0 and model.sheet.nitrous.fuel_jet_diameter_mm is not None:
        return model.fuel_jet(read.rpm, np.where(share > 0, share if tune.pulsed else 1.0, 0.0), read.fuel_kpa)
    rpm = float(np.clip(model.sheet.engine.peak_power_rpm, tune.room.rpm[0], tune.room.rpm[-1]))
    per_second = float(model.fuel_added(rpm, part * model.full_flow)) * rpm
    return np.where(share > 0, (share / part if tune.pulsed else 1.0) * per_second / np.maximum(read.rpm, 1.0), 0.0)


def _fuel(
    model: MixtureModel, tune: Tune, read: cp.Reading, gas: Drawn, spans: list[slice], part: float
) -> tuple[np.ndarray, str]:
    """Fuel drawn in, and what it is taken from."""
    step = float(read.time_s[1] - read.time_s[0])
    wet = model.sheet.nitrous.system == "wet"
    own = _own(model, read, gas)
    jet = np.zeros(len(read.time_s))
    if wet and spans:
        through = np.divide(gas.flow, gas.open_flow * part)
        jet = _jet(model, tune, read, np.ones(len(through)), part) * through
    if read.injected is not None:
        told = waited(read.time_s, read.injected, read.rpm)
        if wet or not spans:
            return told + jet, JETS if wet and spans else INJECTORS
        extra = np.nan_to_num(np.maximum(told - own * read.air, 0.0))
        return told - extra + by_wall(extra, step), INJECTORS
    if wet or not spans:
        return own * read.at_full + jet, PLANNED
    extra = np.nan_to_num(waited(read.time_s, _added(model, tune, read, gas, spans, part), read.rpm))
    return own * read.at_full + by_wall(extra, step), PLANNED


def _duty_planned(
    model: MixtureModel, tune: Tune, read: cp.Reading, gas: Drawn, spans: list[slice], part: float
) -> np.ndarray:
    """Injector duty at full throttle as planned [%]; of a wet system without the jet's fuel."""
    fuel = _own(model, read, gas)
    if model.sheet.nitrous.system == "dry" and spans:
        fuel = fuel + _added(model, tune, read, gas, spans, part)
    known = np.isfinite(fuel) & np.isfinite(read.rpm)
    out = np.full(len(fuel), np.nan)
    if known.any():
        whole = fuel[known] * model.setup.cylinders * read.rpm[known] / 120
        out[known] = injector_duty(model.sheet, model.setup, read.rpm[known], whole)
    return np.where(np.isfinite(read.at_full), out, np.nan)


def _cylinder(
    model: MixtureModel, read: cp.Reading, gas: Drawn, x: np.ndarray, delay: Delay, dead, pulse_s: float
) -> dict[str, np.ndarray]:
    """Lambda in the cylinder out of the reading, with its errors and the bias that was taken out."""
    unknown = np.full(len(x), np.nan)
    names = ("undelayed", "undelayed_error", "noise_error", "bias_error", "gauge_bias")
    if not np.isfinite(read.measured).any() or not np.isfinite(dead).any():
        return dict.fromkeys(names, unknown)
    phi, error = undelayed(
        read.time_s, 1 / read.measured, dead, delay.tau_s,
        tau_error=delay.tau_error_s, dead_error=delay.dead_error_s, sample_s=read.sample_s, least_s=pulse_s,
    )  # fmt: skip
    with np.errstate(divide="ignore", invalid="ignore"):
        shown = np.where(phi > 0.2, 1 / phi, np.nan)
    x = np.nan_to_num(x)
    true = model.true(shown, x)
    ends = [model.true(shown, x, w) for w in (HYDROGEN_WEIGHT.low, HYDROGEN_WEIGHT.high)]
    ends += [
        model.true(shown, np.nan_to_num(model.nitrous_fraction(read.rpm, flow, read.air)))
        for flow in (gas.flow_low, gas.flow_high)
    ]
    reach = [0.5 * np.abs(ends[k + 1] - ends[k]) for k in (0, 2)]
    bias = 2 * np.sqrt((reach[0] ** 2 + reach[1] ** 2) / 3 + DRIFT**2)
    noise = 2 * error * true**2
    return dict(zip(names, (true, np.hypot(noise, bias), noise, bias, shown - true), strict=True))
