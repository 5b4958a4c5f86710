"""What a pulsed valve delivers: its true share of the flow, how the plenum evens its pulses out, and what single cycles get.

Shares are of the flow with the valve open for good. A plenum mixes well: its content follows what is sprayed with a first-order lag, the volume over
the volume that the engine draws per second. At a port nothing mixes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..band import VALVE_LAG_ERROR
from ..build_sheet import BuildSheet
from ..engine.charge import Charge, fresh_charge
from ..engine.setup import Setup
from ..errors import InputError, check_array, check_number
from ..thermo import species as sp
from . import fuel as pf
from .fuel_system import wet_lambda
from .plan import full_flow

DRAWS = 0.25
"""Part of its cycle in which a cylinder draws: 180 of 720 degrees."""

_SHARPEST = 1e12  # pulse time over mixing time; beyond it the pulses arrive square
_HARMONICS, _PHASES = 24, 32


@dataclass(frozen=True)
class Valve:
    """A nitrous valve: opening and closing time [s], pulses per second [Hz]."""

    open_s: float
    close_s: float
    pulse_hz: float


def valve(sheet: BuildSheet, pulse_hz: float | None = None) -> Valve:
    """Return the nitrous valve of a sheet, at its own pulse frequency or another.

    Raises
    ------
    InputError
        If it would open before it is told to.
    """
    nitrous = sheet.nitrous
    hz = _check_hz(nitrous.pulse_hz if pulse_hz is None else pulse_hz)
    opening = nitrous.nitrous_valve_close_ms + nitrous.nitrous_valve_lag_ms
    if opening <= 0:
        allowed = f"above {-nitrous.nitrous_valve_close_ms:g} ms"
        why = "Opening takes the closing time and this difference: it would open before it is told to."
        raise InputError("nitrous.nitrous_valve_lag_ms", nitrous.nitrous_valve_lag_ms, "ms", allowed, why)
    return Valve(opening / 1e3, nitrous.nitrous_valve_close_ms / 1e3, float(hz))


def deliverable(v: Valve) -> tuple[float, float]:
    """Least and largest share that pulses deliver; below is 0 alone, above 1 alone.

    Raises
    ------
    InputError
        If no pulse fits between two openings.

    Notes
    -----
    Told to open for less than its opening time the valve does not open, told to close for less than its closing time it does not close.
    """
    low, high = v.close_s * v.pulse_hz, 1 - v.open_s * v.pulse_hz
    if low > high:
        allowed = f"up to {1 / (v.open_s + v.close_s):.3g} Hz"
        raise InputError(
            "nitrous.pulse_hz", v.pulse_hz, "Hz", allowed, "This valve cannot open and close again in that time."
        )
    return low, high


def duty_of_share(v: Valve, share) -> np.ndarray:
    """Valve duty to command for a share of the flow, 0 to 1, of the shape of `share`.

    Raises
    ------
    InputError
        For a share that the valve cannot deliver.

    Notes
    -----
    Passing time = on-time - (opening - closing time), as in `fuel_system.open_share`.
    """
    share = check_array("share", share, 0.0, 1.0, "", "A share of the full flow.")
    if (pulsed := share[(share > 0) & (share < 1)]).size:
        low, high = deliverable(v)
        if (bad := pulsed[(pulsed < low - 1e-12) | (pulsed > high + 1e-12)]).size:
            why = f"At {v.pulse_hz:g} Hz its opening and closing times leave nothing else."
            raise InputError("share", float(bad[0]), "", f"0, {low:.3g} to {high:.3g}, or 1", why)
    return np.where((share > 0) & (share < 1), share + (v.open_s - v.close_s) * v.pulse_hz, share)


def share_of_duty(v: Valve, duty) -> np.ndarray:
    """Share of the flow at a commanded valve duty, the inverse of `duty_of_share`.

    Raises
    ------
    InputError
        For a valve duty at which it no longer opens, or no longer closes.
    """
    duty = check_array("duty", duty, 0.0, 1.0, "", "A share of the time.")
    low, high = v.open_s * v.pulse_hz, 1 - v.close_s * v.pulse_hz
    pulsed = duty[(duty > 0) & (duty < 1)]
    if (bad := pulsed[(pulsed < low - 1e-12) | (pulsed > high + 1e-12)]).size:
        deliverable(v)
        why = f"At {v.pulse_hz:g} Hz it does not open fully, or not close, within the pulse."
        raise InputError("duty", float(bad[0]), "", f"0, {low:.3g} to {high:.3g}, or 1", why)
    return np.where((duty > 0) & (duty < 1), duty - (v.open_s - v.close_s) * v.pulse_hz, duty)


def share_band(sheet: BuildSheet, share, pulse_hz: float | None = None) -> tuple[np.ndarray, np.ndarray]:
    """What a share of the flow may be instead, low and high, for the valve's error; a valve shut or open for good has none."""
    share = check_array("share", share, 0.0, 1.0, "", "A share of the full flow.")
    hz = _check_hz(sheet.nitrous.pulse_hz if pulse_hz is None else pulse_hz)
    pulsed = (share > 0) & (share < 1)
    low, high = (share - error / 1e3 * hz for error in (VALVE_LAG_ERROR.high, VALVE_LAG_ERROR.low))
    return np.where(pulsed, np.maximum(low, 0.0), share), np.where(pulsed, np.minimum(high, 1.0), share)


def mixing_time(setup: Setup, rpm, volume: float, flow=0.0) -> np.ndarray:
    """Time constant of a well mixed manifold at full throttle [s].

    Parameters
    ----------
    setup : Setup
    rpm : float or array
    volume : float
        Of the manifold [m3].
    flow : float or array
        Nitrous [kg/s].

    Notes
    -----
    tau = V / (volume of charge that the engine draws per second, with its nitrous, at the charge's temperature and the manifold's pressure).
    """
    volume = check_number("volume", volume, 0.0, 0.1, "m3", "A manifold.")
    return volume / drawn_volume(setup, rpm, fresh_charge(setup, rpm, flow))


def drawn_volume(setup: Setup, rpm, charge: Charge) -> np.ndarray:
    """Volume that the engine draws from its manifold [m3/s], nitrous evaporated."""
    moles = (charge.dry_air + charge.water + charge.nitrous) * setup.cycles_per_second(rpm)
    return moles * sp.R * charge.T / setup.P_manifold


def mixing_volume(sheet: BuildSheet) -> float:
    """Volume in which nitrous mixes [m3]: the manifold's, or 0 where it enters at the ports."""
    return 1e-3 * sheet.value("engine.manifold_volume_l") if sheet.nitrous.delivery == "plenum" else 0.0


def mixing(sheet: BuildSheet, setup: Setup, rpm, flow=0.0) -> np.ndarray:
    """Time constant of this car's manifold [s]: that of its volume, or 0 where nitrous enters at the ports."""
    return mixing_time(setup, rpm, mixing_volume(sheet), flow)


def _check_hz(hz) -> np.ndarray:
    return check_array("pulse_hz", hz, 0.5, 200.0, "Hz", "Valves follow no faster.")


def _ends(tau, hz, share) -> tuple[np.ndarray, ...]:
    """Pulse time over mixing time, share, content at the end of the spray and at its begin."""
    tau = check_array("tau", tau, 0.0, 1e6, "s", "A time constant.")
    share = check_array("share", share, 0.0, 1.0, "", "A share of the full flow.")
    a, share = np.broadcast_arrays(1 / np.maximum(tau * _check_hz(hz), 1 / _SHARPEST), share)
    peak = np.expm1(-share * a) / np.expm1(-a)
    return a, share, peak, peak * np.exp(-(1 - share) * a)


def pulse_train(tau, hz, share, phase) -> np.ndarray:
    """Content of a mixed volume under endless pulses, relative to that of the full flow.

    Parameters
    ----------
    tau : float or array
        Mixing time [s].
    hz : float or array
        Pulses [Hz].
    share : float or array
        Of each pulse in which nitrous flows.
    phase : float or array
        Pulses since one began to flow.

    Returns
    -------
    array
        The arguments broadcast.

    Notes
    -----
    Periodic solution of tau dc/dt = u - c with u 1 while it flows and 0 else; its mean is `share`.
    """
    a, share, peak, trough = _ends(tau, hz, share)
    p = np.mod(check_array("phase", phase, -1e6, 1e6, "pulses", "A number of pulses."), 1.0)
    rise, fall = 1 - (1 - trough) * np.exp(-a * p), peak * np.exp(-a * np.maximum(p - share, 0.0))
    return np.where(p < share, rise, fall)


def sprayed(tau, hz, share, phase) -> np.ndarray:
    """Integral of `pulse_train` over the phase from 0 [pulses]; arguments as there."""
    a, share, peak, trough = _ends(tau, hz, share)
    whole, p = np.divmod(check_array("phase", phase, -1e6, 1e6, "pulses", "A number of pulses."), 1.0)
    on = np.minimum(p, share)
    rise = on + (1 - trough) * np.expm1(-a * on) / a
    return whole * share + rise - peak * np.expm1(-a * np.maximum(p - share, 0.0)) / a


def cycle_share(tau, hz, share, rpm, phase) -> np.ndarray:
    """Mean content that a cylinder draws which begins to draw at a phase [pulses]; other arguments as in `peak_share`."""
    width = _width(hz, rpm)
    return (sprayed(tau, hz, share, np.asarray(phase) + width) - sprayed(tau, hz, share, phase)) / width


def _width(hz, rpm) -> np.ndarray:
    """Pulses that go by while a cylinder draws."""
    rpm = check_array("rpm", rpm, 100.0, 20000.0, "rpm", "Car engines turn slower.")
    return DRAWS * 120 / rpm * _check_hz(hz)


def peak_share(tau, hz, share, rpm) -> np.ndarray:
    """Share that the strongest cycle gets.

    Parameters
    ----------
    tau : float or array
        Mixing time [s]; 0 at a port.
    hz : float or array
        Pulses [Hz].
    share : float or array
        Mean over the pulses.
    rpm : float or array

    Returns
    -------
    array
        Largest mean content over a quarter of a cycle; the arguments broadcast.

    Notes
    -----
    The window that catches most begins and ends at the same content, once rising and once falling, which is solved in closed form. What a port
    nozzle sprays while the intake valve is shut waits in the runner and evens out a little: this is the cautious side.
    """
    a, share, peak, trough = _ends(tau, hz, share)
    width = np.mod(_width(hz, rpm), 1.0)
    with np.errstate(divide="ignore"):
        start = np.logaddexp(np.log1p(-trough), np.log(peak) + a * (share - width)) / a
    return np.minimum(cycle_share(tau, hz, share, rpm, np.clip(start, 0.0, share)), 1.0)  # but for rounding


def trough_share(tau, hz, share, rpm) -> np.ndarray:
    """Share that the weakest cycle gets; arguments as in `peak_share`. The pauses are a pulse train too."""
    share = check_array("share", share, 0.0, 1.0, "", "A share of the full flow.")
    return 1 - peak_share(tau, hz, 1 - share, rpm)


def mean_for_peak(tau, hz, peak, rpm) -> np.ndarray:
    """Mean share whose strongest cycle gets `peak`, the inverse of `peak_share`; 1 for 1, where the valve stays open."""
    peak = check_array("peak", peak, 0.0, 1.0, "", "A share of the full flow.")
    peak, tau, hz, rpm = np.broadcast_arrays(peak, tau, hz, rpm)
    low, high = np.zeros(peak.shape), np.ones(peak.shape)
    for _ in range(50):
        middle = (low + high) / 2
        over = peak_share(tau, hz, middle, rpm) > peak
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return np.where(peak >= 1, 1.0, np.where(peak <= 0, 0.0, low))


@dataclass(frozen=True, eq=False)
class Ripple:
    """Cycles under pulses, with the fuel set for the mean: shares of the weakest and strongest, lambda of richest and leanest; arrays."""

    trough: np.ndarray
    peak: np.ndarray
    richest: np.ndarray
    leanest: np.ndarray


def lambda_at_share(sheet: BuildSheet, setup: Setup, rpm, share, content, fuel=None) -> np.ndarray:
    """Lambda of a cycle that gets `content` of the full flow where the fuel is set for `share` of it; they broadcast.

    Notes
    -----
    Dry: the added fuel stays. Wet: the jet's fuel is pulsed with the nitrous and mixes like it, so that it comes as `fuel` of what an open jet gives
    (`content` if None); the engine's own is what its metering gives.
    """
    full = full_flow(sheet)
    if sheet.nitrous.system == "dry":
        return pf.lambda_at_flow(sheet, setup, rpm, np.asarray(share) * full, np.asarray(content) * full)
    share, content, fuel = np.broadcast_arrays(
        *(np.asarray(v, float) for v in (share, content, content if fuel is None else fuel))
    )
    engine, control = sheet.engine, sheet.controller
    meant = fresh_charge(setup, rpm, share * full)
    own = pf.fuel_supplied(setup, meant, rpm, engine.lambda_without_nitrous, control.metering, control.intake_sensor)
    jet = (pf.fuel_for(setup, meant, engine.lambda_with_nitrous) - own) * setup.cycles_per_second(rpm)
    part = np.divide(fuel, share, out=np.zeros(share.shape), where=share > 0)
    return wet_lambda(sheet, setup, rpm, content * full, jet * part)


def lambda_ripple(sheet: BuildSheet, setup: Setup, rpm, share, hz) -> Ripple:
    """How far pulses make cycles differ; the arguments broadcast.

    Raises
    ------
    InputError
        As `fresh_charge`.
    """
    rpm, share, hz = np.broadcast_arrays(*(np.asarray(v, float) for v in (rpm, share, hz)))
    tau = mixing(sheet, setup, rpm, share * full_flow(sheet))
    ends = trough_share(tau, hz, share, rpm), peak_share(tau, hz, share, rpm)
    values = np.array([lambda_at_share(sheet, setup, rpm, share, end) for end in ends])
    return Ripple(*ends, values.min(axis=0), values.max(axis=0))


def standing_spread(tau, hz, share, rpm, cylinders: int, window_s: float = 0.5) -> np.ndarray:
    """How much more nitrous than the mean of all one cylinder gets over some cycles, as a share of that mean.

    Parameters
    ----------
    tau, hz, share, rpm : float or array
        As in `peak_share`; they broadcast.
    cylinders : int
        Firing evenly.
    window_s : float
        Time over which a cylinder's cycles are averaged [s]; half a second by choice of our own.

    Returns
    -------
    array
        The largest over cylinders and over where the pulses begin; 0 where the valve does not pulse.

    Notes
    -----
    Harmonic m of the pulses, through plenum and drawing quarter, averaged over N cycles: |sin(pi N m r) / (N sin(pi m r))| of it is left with r pulses a
    cycle. Where m r is whole every cycle of a cylinder meets the same phase. 24 harmonics, 32 phases.
    """
    cylinders = int(check_number("cylinders", cylinders, 1, 32, "", "Car engines lie within."))
    window_s = check_number("window_s", window_s, 0.01, 60.0, "s", "A part of a pull.")
    share = check_array("share", share, 0.0, 1.0, "", "A share of the full flow.")
    tau = check_array("tau", tau, 0.0, 1e6, "s", "A time constant.")
    tau, hz, share, rpm = np.broadcast_arrays(tau, _check_hz(hz), share, np.asarray(rpm, float))
    m = np.arange(1, _HARMONICS + 1)
    hz, share, width, tau, r = (v[..., None] for v in (hz, share, _width(hz, rpm), tau, hz * 120 / rpm))
    turn = 2j * np.pi * m
    pulse = -np.expm1(-turn * share) / turn / (1 + turn * hz * tau) * np.expm1(turn * width) / (turn * width)
    cycles = np.maximum(1, np.rint(window_s * rpm / 120))[..., None]
    one, others = _mean_turn(m * r, cycles), _mean_turn(m * r / cylinders, cylinders)
    phases = np.exp(turn[:, None] * np.arange(_PHASES) / _PHASES)
    most = np.zeros(np.shape(share)[:-1])
    for k in range(cylinders):
        left = pulse * one * (np.exp(turn * r * k / cylinders) - others)
        most = np.maximum(most, 2 * (left.real @ phases.real - left.imag @ phases.imag).max(axis=-1))
    share = share[..., 0]
    pulsed = (share > 0) & (share < 1)
    return np.where(pulsed, most / np.where(pulsed, share, 1.0), 0.0)


def _mean_turn(x, n) -> np.ndarray:
    """Mean of exp(2 pi i k x) over k = 0 .. n-1."""
    x = x - np.rint(x)
    whole = np.abs(x) < 1e-9
    safe = np.where(whole, 0.5, x)
    ratio = np.where(whole, 1.0, np.sin(np.pi * n * safe) / (n * np.sin(np.pi * safe)))
    return ratio * np.exp(1j * np.pi * (n - 1) * np.where(whole, 0.0, x))


def beat_frequencies(rpm: float, cylinders: int, below_hz: float = 50.0) -> np.ndarray:
    """Pulse frequencies at which every cylinder keeps meeting the same part of a pulse, or of every second pulse, rising [Hz].

    Notes
    -----
    Whole and half multiples of the cycle rate rpm / 120; a multiple of the firing rate is left out, for there all cylinders meet the same.
    """
    rate = check_number("rpm", rpm, 100.0, 20000.0, "rpm", "Car engines turn slower.") / 120
    halves = np.arange(
        1, int(2 * check_number("below_hz", below_hz, 1.0, 200.0, "Hz", "Valves follow no faster.") / rate) + 1
    )
    return rate / 2 * halves[halves % (2 * cylinders) != 0]
