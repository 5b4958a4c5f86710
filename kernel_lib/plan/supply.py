"""What this bottle pushes through this nozzle: flow, and how sure it is."""

from __future__ import annotations

import functools

import numpy as np
from scipy.interpolate import RectBivariateSpline
from scipy.optimize import brentq

from ..band import BOTTLE_TEMPERATURE, LINE_FITTINGS, LINE_FRICTION, NOZZLE_COEFFICIENT, Band
from ..build_sheet import BuildSheet
from ..engine.setup import Setup
from ..errors import InputError, check_number
from ..thermo.blowdown import Flow
from ..thermo.fluid import T_LAST, T_TRIPLE, check_saturated, saturation, table
from ..thermo.nitrous import DEFAULT, MODELS, mass_flux, throttled_share
from ..units import k_from_c


def nozzle_area(sheet: BuildSheet) -> float:
    """Bore of all nozzles together [m2].

    Raises
    ------
    InputError
        If the sheet does not give it.
    """
    bore = sheet.nitrous.nozzle_diameter_mm
    if bore is None:
        raise InputError(
            "nitrous.nozzle_diameter_mm", None, "mm", "a bore", "Without it nobody knows what the nozzle passes."
        )
    return sheet.nitrous.nozzles * np.pi / 4 * (bore / 1e3) ** 2


def is_weighed(sheet: BuildSheet) -> bool:
    """Whether the sheet carries a weigh-in of the very nozzle that is fitted (bores within 1 %)."""
    bore, then = sheet.nitrous.nozzle_diameter_mm, sheet.nitrous.discharge_bore_mm
    return bore is not None and then is not None and abs(bore / then - 1) <= 0.01


def _line_heads(sheet: BuildSheet, friction: float, fittings: float) -> float:
    nitrous = sheet.nitrous
    return friction * nitrous.line_length_m / (nitrous.line_bore_mm / 1e3) + fittings


def line_share(
    sheet: BuildSheet, model: str = DEFAULT, coefficient: float = NOZZLE_COEFFICIENT.best
) -> tuple[float, float]:
    """What the line leaves of the fitted nozzle's flow.

    Parameters
    ----------
    sheet : BuildSheet
        With a nozzle bore.
    model : {"SPI", "HEM", "NHNE"}
    coefficient : float
        Of the nozzle alone.

    Returns
    -------
    tuple of float
        Share of the flow that is left, and the pressure lost [Pa]: the sheet's, or that of the liquid in the line,
        heads x (mass flow / area)^2 / (2 rho), with the flow that then flows and the likely heads of line and fittings.

    Raises
    ------
    InputError
        If the line is stated to lose more than the bottle has.
    """
    coefficient = check_number("coefficient", coefficient, 0.01, 3.0, "", "See a weigh-in.")
    return _line_share(
        sheet, nozzle_area(sheet), model, coefficient, _line_heads(sheet, LINE_FRICTION.best, LINE_FITTINGS.best)
    )


def _line_share(sheet: BuildSheet, area: float, model: str, coefficient: float, heads: float) -> tuple[float, float]:
    nitrous = sheet.nitrous
    T, P_down = k_from_c(nitrous.bottle_temperature_c), 1e3 * sheet.value("site.barometer_kpa")
    state = saturation(T)
    most = min(state.P, float(table().at_T(T, "P")[0])) - P_down  # the table and CoolProp differ in the last digits
    if nitrous.line_loss_kpa is not None:
        loss = 1e3 * nitrous.line_loss_kpa
        if loss >= most:
            why = "The line cannot lose more than the bottle has over the air."
            raise InputError(
                "nitrous.line_loss_kpa", nitrous.line_loss_kpa, "kPa", f"less than {most / 1e3:.0f} kPa", why
            )
        return throttled_share(T, P_down, loss, model=model), loss
    line = np.pi / 4 * (nitrous.line_bore_mm / 1e3) ** 2
    full = area * coefficient * float(mass_flux(T, P_down, model=model))

    def asked(share: float) -> float:
        return heads * (full * share / line) ** 2 / (2 * state.liquid_density)

    share = 1.0
    for _ in range(6):  # a line worth its name costs little: this ends after two or three
        loss = asked(share)
        if loss >= most:
            break
        before, share = share, throttled_share(T, P_down, loss, model=model)
        if abs(share - before) < 3e-4:
            return share, loss

    def short(loss: float) -> float:
        return asked(throttled_share(T, P_down, loss, model=model)) - loss

    loss = float(brentq(short, 0.0, most, xtol=100.0, rtol=1e-3))
    return throttled_share(T, P_down, loss, model=model), loss


def _nozzle_ends(sheet: BuildSheet) -> tuple[tuple[float, float], ...]:
    """Coefficient and line heads of a nozzle nobody has weighed: low, likely, high flow."""
    return (
        (NOZZLE_COEFFICIENT.low, _line_heads(sheet, LINE_FRICTION.high, LINE_FITTINGS.high)),
        (NOZZLE_COEFFICIENT.best, _line_heads(sheet, LINE_FRICTION.best, LINE_FITTINGS.best)),
        (NOZZLE_COEFFICIENT.high, _line_heads(sheet, LINE_FRICTION.low, LINE_FITTINGS.low)),
    )


@functools.lru_cache(maxsize=64)
def _ends(sheet: BuildSheet) -> dict[str, tuple[float, float, float]]:
    """Coefficients (low, likely, high) of every model, line included."""
    nitrous = sheet.nitrous
    if not is_weighed(sheet):
        area, ends = nozzle_area(sheet), _nozzle_ends(sheet)
        return {m: tuple(c * _line_share(sheet, area, m, c, heads)[0] for c, heads in ends) for m in MODELS}
    best, error = nitrous.discharge_coefficient, nitrous.discharge_error
    then, P = k_from_c(nitrous.discharge_temperature_c), 1e3 * sheet.value("site.barometer_kpa")
    flux = {model: float(mass_flux(then, P, model=model)) for model in MODELS}
    return {m: tuple(c * flux[DEFAULT] / flux[m] for c in (best - error, best, best + error)) for m in MODELS}


def model_flows(sheet: BuildSheet, T: float, P_up: float | None = None) -> dict[str, tuple[float, float, float]]:
    """Flow by each model [kg/s]: low, likely, high over the coefficient.

    Parameters
    ----------
    sheet : BuildSheet
        With a nozzle bore.
    T : float
        Of the liquid [K].
    P_up : float, optional
        Absolute [Pa], if the liquid is pushed beyond saturation.

    Returns
    -------
    dict
        A model -> three flows. After a weigh-in all models agree at the weigh-in's temperature and differ in their trend.

    Raises
    ------
    InputError
    """
    area, P_down = nozzle_area(sheet), Setup.of(sheet).P_manifold
    flux = {m: area * float(mass_flux(T, P_down, model=m, P_up=P_up)) for m in MODELS}
    return {m: tuple(c * flux[m] for c in ends) for m, ends in _ends(sheet).items()}


def flow_band(sheet: BuildSheet, T: float | None = None, *, T_error: Band = BOTTLE_TEMPERATURE) -> Band:
    """Nitrous flow through the fitted nozzle from a bottle with liquid and vapour in it [kg/s].

    Parameters
    ----------
    sheet : BuildSheet
        With a nozzle bore.
    T : float, optional
        Of the liquid [K]; the sheet's bottle temperature if None.
    T_error : Band
        How wrong that temperature may be [K].

    Returns
    -------
    Band
        Likely: HEM. Not weighed: from HEM at the lowest coefficient to NHNE at the highest. SPI is left out: it passes twice
        and more what was measured, see `nozzle_flow`. Weighed: the trends of all three models from the weigh-in's temperature on.

    Raises
    ------
    InputError
        Without a bore, or where there is no liquid.
    """
    T = k_from_c(sheet.nitrous.bottle_temperature_c) if T is None else T
    T = float(check_saturated("T", T))
    area, P_down, ends = nozzle_area(sheet), Setup.of(sheet).P_manifold, _ends(sheet)
    around = np.clip(np.array([T + T_error.low, T, T + T_error.high]), T_TRIPLE, T_LAST - 0.1)
    around[1] = T
    models = MODELS if is_weighed(sheet) else ("HEM", "NHNE")
    flux = {m: area * mass_flux(around, P_down, model=m) for m in models}
    best = ends[DEFAULT][1] * float(flux[DEFAULT][1])
    low = min(ends[m][0] * float(flux[m].min()) for m in models)
    high = max(ends[m][2] * float(flux[m].max()) for m in models)
    if is_weighed(sheet):
        because = (
            f"nozzle weighed in at {sheet.nitrous.discharge_coefficient:.2f} plus or minus {sheet.nitrous.discharge_error:.2f}; trend over bottle "
            "temperature by three models"
        )
    else:
        because = (
            f"nozzle not weighed: choked equilibrium (HEM) at {NOZZLE_COEFFICIENT.best:g}, down to {NOZZLE_COEFFICIENT.low:g}, up to the mean of HEM and "
            f"boil-free flow (NHNE) at {NOZZLE_COEFFICIENT.high:g}; {NOZZLE_COEFFICIENT.because}"
        )
    return Band(low, best, high, because)


@functools.lru_cache(maxsize=8)
def _pressed(P_down: float) -> RectBivariateSpline:
    """Flux of liquid pushed beyond saturation, over temperature [K] and the root of the push [Pa^0.5]; within 1 % of `mass_flux`."""
    T, root = np.linspace(*_PRESSED_T, 24), np.linspace(0.0, _PRESSED_ROOT, 48)
    line = table().at_T(T, "P")[0]
    P_up = line[:, None] * (1 + 1e-9) + root[None, :] ** 2
    return RectBivariateSpline(T, root, mass_flux(np.broadcast_to(T[:, None], P_up.shape), P_down, P_up=P_up))


_PRESSED_T, _PRESSED_ROOT = (265.0, T_LAST - 0.05), 3800.0


def flow_law(sheet: BuildSheet) -> Flow:
    """Likely flow over bottle temperature and pressure, fast enough for a blowdown: (T [K], P [Pa]) -> [kg/s]."""
    effective, P_down = nozzle_area(sheet) * _ends(sheet)[DEFAULT][1], Setup.of(sheet).P_manifold
    T = np.linspace(213.0, T_LAST, 321)
    flow, line, step = (effective * mass_flux(T, P_down)).tolist(), table().at_T(T, "P")[0].tolist(), float(T[1] - T[0])

    def law(T_now: float, P_now: float) -> float:
        x = min(max((T_now - 213.0) / step, 0.0), 319.999)
        k = int(x)
        push = P_now - (line[k] + (x - k) * (line[k + 1] - line[k]))
        if push <= 5e-4 * P_now:
            return flow[k] + (x - k) * (flow[k + 1] - flow[k])
        if _PRESSED_T[0] <= T_now <= _PRESSED_T[1] and push <= _PRESSED_ROOT**2:
            return effective * float(_pressed(P_down)(T_now, push**0.5, grid=False))
        return effective * float(mass_flux(min(T_now, T_LAST), P_down, P_up=P_now))

    return law


def bore_for(sheet: BuildSheet, flow: float) -> Band | None:
    """Bore of each nozzle that passes a flow from this bottle [mm]; low if it flows well, high if badly.

    Parameters
    ----------
    sheet : BuildSheet
        Its own bore, if any, is left out; if that was weighed in, another is taken to flow as well as it.
    flow : float
        [kg/s].

    Returns
    -------
    Band or None
        None where the line may not let that much through, whatever the nozzle.

    Raises
    ------
    InputError
    """
    flow = check_number("flow", flow, 0.0, 1.0, "kg/s", "More than 1 kg/s is a rocket.", open_low=True)
    nitrous = sheet.nitrous
    if is_weighed(sheet):
        band, own = flow_band(sheet), nitrous.nozzle_diameter_mm
        return Band(*(own * float(np.sqrt(flow / f)) for f in (band.high, band.best, band.low)), band.because)
    T, P_down = k_from_c(nitrous.bottle_temperature_c), Setup.of(sheet).P_manifold
    warm, cold = (
        float(np.clip(T + d, T_TRIPLE, T_LAST - 0.1)) for d in (BOTTLE_TEMPERATURE.high, BOTTLE_TEMPERATURE.low)
    )
    low, best, high = _nozzle_ends(sheet)
    cases: tuple = (
        ("NHNE", high, max(float(mass_flux(t, P_down, model="NHNE")) for t in (cold, T, warm))),
        ("HEM", best, float(mass_flux(T, P_down))),
        ("HEM", low, min(float(mass_flux(t, P_down)) for t in (cold, T, warm))),
    )
    found = [_bore(sheet, flow, model, *end, flux) for model, end, flux in cases]
    return None if None in found else Band(*found, NOZZLE_COEFFICIENT.because)


def _bore(sheet: BuildSheet, flow: float, model: str, coefficient: float, heads: float, flux: float) -> float | None:
    """Bore that passes a flow through this line [mm], the line's share counted; None if there is none up to the line's own bore."""
    line = np.pi / 4 * (sheet.nitrous.line_bore_mm / 1e3) ** 2

    def surplus(area: float) -> float:
        return area * coefficient * flux * _line_share(sheet, area, model, coefficient, heads)[0] - flow

    least = flow / (coefficient * flux)
    if least >= line or surplus(line) < 0:
        return None
    area = least if surplus(least) >= 0 else brentq(surplus, least, line, rtol=1e-5, xtol=1e-12)
    return 2e3 * float(np.sqrt(area / sheet.nitrous.nozzles / np.pi))
