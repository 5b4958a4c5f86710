"""What may go wrong, one function a fault: what reaches the cylinders then, what it is on this car, and which guard should end it."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

from ..errors import InputError
from ..text import rounded
from ..thermo import species as sp
from ..thermo.fluid import T_LAST, saturation
from ..thermo.nitrous import mass_flux
from ..thermo.vessel import T_HOTTEST, bottle_volume, vessel_state
from ..units import pa_from_psi
from .fault_motion import lift, limiter, low_speed, missed_shift, shift, wheel_spin
from .fault_rows import Scenario, Sprayed
from .fuel_system import pump_flow
from .passage import entry
from .proposals import PRESSURE_DROP

LATE_S, PUMP, INJECTOR, PRESSURE_PSI, UNEVEN, OCTANE, TRIM, CORRECTION_DEG, READS_RICH, LEAK = (
    0.1, 0.8, 0.85, 200.0, 1.2, -4.0, 0.9, 6.0, 0.05, 0.01,
)  # fmt: skip
"""How far a fault goes: fuel late [s], pump, injector, bottle [psi], nitrous of one cylinder, octane [RON], trim of the fuel, more retard [deg], wide-band
[lambda], leak over the full flow; choices of our own, no source."""


def planned(s: Sprayed) -> Scenario:
    return Scenario(
        "as planned",
        lambda k: (
            f"Nothing fails: {s.units.nitrous(s.dosed.flow[k])} of nitrous and {s.dosed.retard_deg[k]:.1f} degrees of retard."
        ),
        s.rows(),
        guard="nothing",
    )


def fuel_late(s: Sprayed) -> Scenario:
    at = np.unique([0, len(s.dosed.rpm) // 2, len(s.dosed.rpm) - 1])
    flow, added, lasts = [], [], []
    for k in at:
        way = entry(s.sheet, float(s.dosed.rpm[k]), float(s.dosed.share[k]), -LATE_S)
        worst = int(np.argmax(np.where(way.nitrous_share > 0, way.lambda_, 0.0)))
        flow.append(way.nitrous_share[worst] / s.dosed.share[k])
        added.append(way.fuel_share[worst])
        lasts.append((way.lambda_ > s.sheet.limits.lean_stop_lambda).sum() * (way.time_s[1] - way.time_s[0]))
    rows = s.rows(at=at, flow=np.array(flow), added=np.array(added))
    past = np.array(lasts)

    def tell(k: int) -> str:
        over = (
            f"for {1e3 * past[k]:.0f} ms the mixture is past the lean stop"
            if past[k]
            else "no cycle passes the lean stop"
        )
        return f"The added fuel is called for {1e3 * LATE_S:.0f} ms after the nitrous: {over}. Lambda is that of the leanest cycle."

    return Scenario("fuel late", tell, rows, by="lean", lasts_s=past)


def fuel_missing(s: Sprayed) -> Scenario:
    what = "The fuel valve stays shut" if s.wet else "The controller adds no fuel"

    def tell(k: int) -> str:
        lost, own = s.added_rate[k], s.own_rate[k]
        return f"{what}: {s.units.fuel(lost)} are missing, {100 * lost / (own + lost):.0f} % of all the fuel."

    return Scenario("added fuel missing", tell, s.rows(added=0.0), by="lean")


def weak_pump(s: Sprayed) -> Scenario:
    name, (pump, why) = f"pump at {100 * PUMP:.0f} %", pump_flow(s.sheet, s.setup)
    if pump is None:
        return Scenario(name, why, why=why, guard="fuel pressure")
    most = int((s.own_rate + s.added_rate).argmax())
    wanted = float((s.own_rate + s.added_rate)[most])
    part = min(1.0, PUMP * pump / wanted)

    use = (
        f"The pump keeps {100 * PUMP:.0f} % of its flow, {s.units.fuel(PUMP * pump)}; {s.units.fuel(wanted)} are needed"
    )
    tell = f"{use}: it suffices." if part == 1.0 else f"{use}: the fuel pressure falls, and with it every fuel."
    guard = "nothing to catch" if part == 1.0 else "fuel pressure" if 1 - part**2 > PRESSURE_DROP else "lambda"
    return Scenario(name, tell, s.rows(at=[most], own=part, added=part), by="lean", guard=guard)


def weak_injector(s: Sprayed) -> Scenario:
    system, cylinders = s.sheet.fuel_system, s.setup.cylinders
    part = 1 - (1 - INJECTOR) * min(1.0, cylinders / system.injectors)

    tell = (
        f"One injector passes {100 * INJECTOR:.0f} %: its cylinder gets {100 * part:.0f} % of its injected fuel, and is taken to be the one with "
        f"most nitrous. The sensor sees the mean of {cylinders} cylinders."
    )

    return Scenario(f"one injector at {100 * INJECTOR:.0f} %", tell, s.rows(injector=part), by="lean")


def warm_bottle(s: Sprayed) -> Scenario:
    nitrous, T = s.sheet.nitrous, s.setup.T_bottle
    fill, volume = s.sheet.value("nitrous.bottle_fill_kg"), bottle_volume(nitrous.bottle_rated_fill_kg)
    name, now = "bottle too warm", vessel_state(T, fill, volume).P
    target = now + pa_from_psi(PRESSURE_PSI)
    try:
        hot = float(brentq(lambda t: vessel_state(t, fill, volume).P - target, T, T_HOTTEST, xtol=1e-3))
    except (InputError, ValueError):
        why = f"No temperature up to {s.units.temperature(T_HOTTEST)} raises this bottle's pressure by {s.units.pressure(pa_from_psi(PRESSURE_PSI))}."
        return Scenario(name, why, why=why, guard="bottle pressure window")
    held = min(hot, T_LAST - 0.1)
    line = saturation(held).P
    push = target if target > 1.001 * line else None
    more = float(mass_flux(held, s.setup.P_manifold, P_up=push) / mass_flux(T, s.setup.P_manifold))
    full = "it is full of liquid, which is pushed beyond its own boiling pressure, and " if push else ""
    beyond = (
        f" (past {s.units.temperature(T_LAST)} there is no liquid: computed for liquid there)" if hot > held else ""
    )

    tell = (
        f"The bottle is at {s.units.temperature(hot)} instead of {s.units.temperature(T)}, its pressure {s.units.pressure(pa_from_psi(PRESSURE_PSI))} higher, "
        f"{s.units.gauge(target)}{beyond}: {full}the nozzle passes {100 * (more - 1):+.0f} %, and the nitrous cools less."
    )

    rows = s.rows(flow=more, T_bottle=held)
    return Scenario(name, tell, rows, by="lean", guard=_window(s, target))


def pushed_bottle(s: Sprayed) -> Scenario:
    T = s.setup.T_bottle
    target = saturation(T).P + pa_from_psi(PRESSURE_PSI)
    more = float(mass_flux(T, s.setup.P_manifold, P_up=target) / mass_flux(T, s.setup.P_manifold))

    tell = (
        f"Gas pushes the liquid {s.units.pressure(pa_from_psi(PRESSURE_PSI))} beyond its own pressure at the same temperature: it boils later and the nozzle passes "
        f"{100 * (more - 1):+.0f} % (choked equilibrium)."
    )

    return Scenario("bottle pushed by gas", tell, s.rows(flow=more), by="lean", guard=_window(s, target))


def _window(s: Sprayed, P: float) -> str:
    """Whether the bottle's working window sees a pressure [Pa absolute]."""
    high = 1e3 * (s.sheet.nitrous.window_high_kpa + s.sheet.value("site.barometer_kpa"))
    return "bottle pressure window" if high < P else "lambda"


def uneven(s: Sprayed) -> Scenario:
    more = max(UNEVEN, s.spread)
    plan = f"the plan counts {100 * (s.spread - 1):.0f} %"
    return Scenario(
        f"one cylinder +{100 * (more - 1):.0f} % nitrous",
        f"One cylinder gets {100 * (more - 1):.0f} % more nitrous than the mean ({plan}) and the fuel of the others.",
        s.rows(spread=more),
    )


def cooled_sensor(s: Sprayed) -> Scenario:
    control, name = s.sheet.controller, "intake sensor in the cooled stream"
    if control.metering == "mass-air":
        why = "A mass-air meter does not take its fuel from that sensor; only a correction of timing by temperature would act."
        return Scenario(name, why, why="nothing changes in the fuel", guard="nothing to catch")
    planned_in = control.intake_sensor == "in cooled stream"
    other = "before nitrous" if planned_in else "in cooled stream"
    rows = s.rows(sensor=other)

    def tell(k: int) -> str:
        cold = s.units.temperature(rows.mean.T[k])
        if planned_in:
            return f"The plan counts on a sensor that reads the cooled charge, {cold}: it does not follow, and its share of the fuel is missing."
        return (
            f"The sensor reads the cooled charge, {cold}, not the air: the controller adds fuel that the plan adds too."
        )

    return Scenario(name, tell, rows, by="lean" if planned_in else "rich")


def wrong_octane(s: Sprayed) -> Scenario:
    ron = s.setup.octane_ron
    return Scenario(
        f"octane {-OCTANE:.0f} too low",
        f"The tank holds {ron + OCTANE:.0f} RON, not {ron:.0f}; the knock ratio is to the engine's own on the right fuel.",
        s.rows(octane=OCTANE),
        by="knock",
        guard="nothing",
    )


def no_retard(s: Sprayed) -> Scenario:
    return Scenario(
        "retard missing",
        lambda k: f"The timing stays where it is without nitrous: {s.dosed.retard_deg[k]:.1f} degrees too early.",
        s.rows(retard=0.0),
        guard="nothing",
    )


def more_retard(s: Sprayed) -> Scenario:
    return Scenario(
        f"corrections take {CORRECTION_DEG:.0f} deg more",
        lambda k: (
            f"Knock control or a correction by intake temperature takes {CORRECTION_DEG:.0f} degrees on top of {s.dosed.retard_deg[k]:.1f}."
        ),
        s.rows(retard=s.dosed.retard_deg + CORRECTION_DEG),
        by="exhaust",
        guard="nothing",
    )


def trim(s: Sprayed) -> Scenario:
    return Scenario(
        f"closed-loop trim {100 * (TRIM - 1):+.0f} %",
        f"The controller takes {100 * (1 - TRIM):.0f} % off what its injectors bring: it believes a gauge that reads nitrous mixtures richer than they are.",
        s.rows(own=TRIM, added=1.0 if s.wet else TRIM),
        by="lean",
    )


def sensor_dead(_: Sprayed) -> Scenario:
    why = "In the cylinder nothing changes, but the lean and the rich stop are blind: every other fault in this table that they catch runs on."
    return Scenario("wide-band dead", why, why="nothing changes in the cylinder", guard="nothing")


def sensor_rich(s: Sprayed) -> Scenario:
    target = s.sheet.engine.lambda_with_nitrous
    part = target / (target + READS_RICH)
    stop = s.sheet.limits.lean_stop_lambda
    return Scenario(
        f"wide-band reads {READS_RICH:g} rich",
        f"The fuel is set by a sensor that reads {READS_RICH:g} lambda richer than it is; its lean stop acts at {stop + READS_RICH:.2f} instead of {stop:.2f}.",
        s.rows(own=part, added=part),
        by="lean",
        guard="nothing",
    )


def valve_shut(s: Sprayed) -> Scenario:
    nitrous = s.sheet.nitrous
    most = nitrous.valve_opens_against_kpa
    now = saturation(s.setup.T_bottle).P
    if most is None:
        basis = "Up to which pressure the valve opens is not on the sheet"
    else:
        held = 1e3 * (most + s.sheet.value("site.barometer_kpa"))
        basis = f"The valve opens against {s.units.gauge(held)} at most, the bottle has {s.units.gauge(now)}"
    in_time = most is not None and nitrous.window_high_kpa <= most
    return Scenario(
        "pressure too high for the valve",
        f"{basis}. It stays shut: fuel and retard come, nitrous does not.",
        s.rows(flow=0.0),
        by="rich",
        guard="bottle pressure window" if in_time else "lambda",
    )


def stuck_open(s: Sprayed) -> Scenario:
    fill = s.sheet.value("nitrous.bottle_fill_kg")
    more = 1 / s.dosed.share

    tell = (
        f"After the hit the valve stays open for good ({s.units.nitrous(s.dosed.full_flow)}); added fuel and retard are gone, the throttle is still open. A stop "
        f"that closes this valve cannot help; the bottle lasts {fill / s.dosed.full_flow:.0f} s."
    )

    name = "nitrous valve stuck open"
    try:
        rows = s.rows(flow=more, pulse=1.0, added=0.0, retard=0.0)
    except InputError as exc:
        return Scenario(name, tell, why=exc.reason, guard="valve supervision")
    return Scenario(name, tell, rows, by="lean", guard="valve supervision")


def leak(s: Sprayed) -> Scenario:
    volume = 1e-3 * s.sheet.value("engine.manifold_volume_l")
    flow = LEAK * s.dosed.full_flow
    gas = 60 * flow / sp.molar_mass("N2O") * sp.R * s.setup.T_air / (1e3 * s.sheet.value("site.barometer_kpa"))
    text = (
        f"A leak of {100 * LEAK:.0f} % of the full flow passes {s.units.mass(60 * flow)} a minute into the stopped engine: {rounded(1e3 * gas)} L of gas, "
        f"{rounded(gas / volume)} times the manifold. Do not crank: ignition and fuel off, bottle shut, clear the manifold first."
    )
    return Scenario("valve leaks, engine stopped", text, why="the engine stands still", guard="valve supervision")


EVERY = (
    planned, fuel_late, fuel_missing, weak_pump, weak_injector, warm_bottle, pushed_bottle, uneven, low_speed, shift, cooled_sensor, wrong_octane,
    no_retard, limiter, wheel_spin, missed_shift, lift, stuck_open, leak, sensor_dead, sensor_rich, valve_shut, trim, more_retard,
)  # fmt: skip
"""Every fault, in the order of the table; the first is the plan itself."""
