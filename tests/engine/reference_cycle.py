"""The closed cycle integrated a second time, without tables: Cantera solves an equilibrium at every evaluation.

Written from the equations of the model alone and sharing with the kernel nothing but the composition of the charge
(`Mixture`) and the list of product species, both tested elsewhere.

Two zones at one pressure. Each step of at most 0.1 degree is one implicit trapezoid in the pressure:

    h_u1 - h_u0          = (v_u0 + v_u1)/2 (p1 - p0) - q_u
    H_b1 - H_b0          = (h_u0 + h_u1)/2 (m_b1 - m_b0) + (V_b0 + V_b1)/2 (p1 - p0) - Q_b
    m_u1 v_u1 + m_b1 v_b(H_b1/m_b1, p1) = V(theta_1)

solved for p1 by a secant. Second order; because d(pV) is split exactly by the trapezoids but for the mass that changes zone, energy closes
to some 1e-7. The mesh has a node at the start and the end of the burn and where 50 % and 90 % are burned.

`reactor_network` is a third way: two Cantera reactors with a moving wall between them, the burned one with the finite-rate
chemistry of GRI-Mech 3.0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache, cached_property

import cantera as ct
import numpy as np

from kernel_lib.thermo.equilibrium import PRODUCTS
from kernel_lib.thermo.mixture import Mixture

R = 8.31446261815324  # J/(mol K)
T_WALL = 450.0  # K
WIEBE_A = 5.0


@dataclass(frozen=True)
class Engine:
    """One cylinder: lengths [m], angles as in the build sheet [deg]."""

    bore: float = 0.0992
    stroke: float = 0.0876
    rod: float = 0.1505
    compression_ratio: float = 10.0
    intake_closing_deg: float = 50.0  # after bottom centre
    exhaust_opening_deg: float = 50.0  # before bottom centre

    @property
    def closing(self):
        return self.intake_closing_deg - 180.0

    @property
    def opening(self):
        return 180.0 - self.exhaust_opening_deg

    @cached_property
    def head(self):
        return math.pi / 4 * self.bore**2

    @cached_property
    def swept(self):
        return self.head * self.stroke

    def volume(self, theta_deg):
        """Clearance volume, and the piston's way from the top by Pythagoras."""
        t = np.radians(theta_deg)
        a = self.stroke / 2
        pin = a * np.cos(t) + np.sqrt(self.rod**2 - (a * np.sin(t)) ** 2)  # crank centre to piston pin
        return self.swept / (self.compression_ratio - 1) + self.head * (self.rod + a - pin)

    def area(self, theta_deg):
        return 2 * self.head + math.pi * self.bore * self.volume(theta_deg) / self.head


def share(y):
    """Burned share, and exactly 1 at the end."""
    y = np.clip(y, 0.0, 1.0)
    return -np.expm1(-WIEBE_A * y**3) / -math.expm1(-WIEBE_A)


def y_of(x):
    return (-math.log1p(x * math.expm1(-WIEBE_A)) / WIEBE_A) ** (1 / 3)


def woschni(bore, P, T, w):
    return 3.26 * bore**-0.2 * (P / 1e3) ** 0.8 * T**-0.55 * w**0.8


def induction(P, T, octane):
    return 17.68e-3 * (octane / 100) ** 3.402 * (P / 101325) ** -1.7 * np.exp(3800 / T)


@cache
def _gas(names):
    wanted = {s.name: s for s in ct.Species.list_from_file("nasa_gas.yaml")}
    return ct.Solution(thermo="ideal-gas", species=[wanted[name] for name in names])


class Unburned:
    """Frozen charge: enthalpy per kg by Cantera's polynomials, specific volume of the ideal gas."""

    def __init__(self, mix):
        self.gas = _gas(tuple(mix.X))
        self.gas.TPX = 400.0, 1e5, dict(mix.X)
        self.R = ct.gas_constant / self.gas.mean_molecular_weight

    def h_cp(self, T):
        self.gas.TP = T, 1e5
        return self.gas.enthalpy_mass, self.gas.cp_mass

    def compressed(self, h0, v0, p0, p1, q, T):
        """Temperature after the trapezoid h1 - h0 = (v0 + v1)/2 dp - q, by Newton."""
        dp = p1 - p0
        for _ in range(20):
            h, cp = self.h_cp(T)
            off = h - h0 - 0.5 * (v0 + self.R * T / p1) * dp + q
            T -= off / (cp - 0.5 * self.R * dp / p1)
            if abs(off) < 1e-7 * cp:
                break
        return T


class Burned:
    """Equilibrium at (h, p), warm started from the one before."""

    def __init__(self, mix):
        self.gas = _gas(PRODUCTS)
        n = mix.elements
        self.seed = {"CO2": n["C"] / 2, "CO": n["C"] / 2, "H2O": n["H"] / 2, "N2": n["N"] / 2, "Ar": n["Ar"]}
        self.seed["O2"] = (n["O"] - 1.5 * n["C"] - n["H"] / 2) / 2
        if self.seed["O2"] < 0:  # rich: hydrogen in place of water
            self.seed["H2"] = -2 * self.seed["O2"]
            self.seed["H2O"] -= self.seed["H2"]
            self.seed["O2"] = 0.0
        self.gas.TPX = 2500.0, 2e6, self.seed
        self.gas.equilibrate("TP")

    def at(self, h, p):
        """Temperature and specific volume; the gas stays at that state."""
        T = self.gas.T
        try:
            self.gas.HP = h, p
            self.gas.equilibrate("HP", solver="element_potential", rtol=1e-11)
        except ct.CanteraError:  # cold and near lambda 1
            self._by_temperature(h, p, T)
        return self.gas.T, self.gas.volume_mass

    def _by_temperature(self, h, p, T):
        """The same by equilibria at given temperatures and Newton steps in the temperature."""
        for _ in range(50):
            self.gas.TPX = T, p, self.seed
            self.gas.equilibrate("TP", solver="gibbs", rtol=1e-11, max_steps=5000)
            value = self.gas.enthalpy_mass
            if abs(value - h) < 1e-3:
                return
            self.gas.TPX = T + 0.5, p, self.seed
            self.gas.equilibrate("TP", solver="gibbs", rtol=1e-11, max_steps=5000)
            slope = (self.gas.enthalpy_mass - value) / 0.5
            T = min(max(T + (h - value) / slope, T - 300.0), T + 300.0)
        raise RuntimeError(f"no equilibrium at {h:.6g} J/kg, {p:.6g} Pa")


def mixture(case):
    return Mixture(
        case["fuel"],
        case["lambda"],
        case["nitrous_fraction"],
        water_fraction=case.get("water_fraction", 0.0),
        residual_fraction=case["residual_fraction"],
    )


def burn_angles(case):
    start = -case["spark_deg_btdc"] + case["delay_deg"]
    return start, start + case["duration_10_90_deg"] / (y_of(0.9) - y_of(0.1))


def mesh(engine, start, end, step, motored):
    if motored:
        knots = [engine.closing, engine.opening]
    else:
        total = end - start
        knots = [engine.closing, start, start + y_of(0.5) * total, start + y_of(0.9) * total, end, engine.opening]
    least = [1, 60, 60, 60, 1] if len(knots) > 2 else [1]
    parts = [
        np.linspace(a, b, 1 + max(n, math.ceil((b - a) / step)))[:-1]
        for a, b, n in zip(knots, knots[1:], least, strict=False)
    ]
    return np.append(np.concatenate(parts), engine.opening)


@dataclass
class _State:
    """One crank angle: pressure; unburned T, h, v and heat per kg; burned T and its extensive H, V and heat."""

    p: float
    T_u: float
    h_u: float
    v_u: float
    T_b: float = 0.0
    H_b: float = 0.0
    V_b: float = 0.0
    q_u: float = 0.0  # W/kg
    Q_b: float = 0.0  # W


class _March:
    """The steps of one case."""

    def __init__(self, engine, case, *, step, heat, burns):
        self.engine, self.case, self.heat, self.burns = engine, case, heat, burns
        self.mix = mixture(case)
        self.fresh, self.burned = Unburned(self.mix), Burned(self.mix)
        self.start, self.end = burn_angles(case)
        self.theta = mesh(engine, self.start, self.end, step, not burns)
        self.volume, self.area = engine.volume(self.theta), engine.area(self.theta)
        self.x = share((self.theta - self.start) / (self.end - self.start)) * burns
        self.x[self.theta >= self.end - 1e-12] = float(burns)
        self.seconds = (self.theta - self.theta[0]) / (6 * case["rpm"])
        self.mass = case["P_ivc"] * self.volume[0] / (self.fresh.R * case["T_ivc"])
        self.swirl = 3.24e-3 * engine.swept * case["T_ivc"] / (case["P_ivc"] * self.volume[0])
        self.fired = None  # at the start of burning: pressure, volume, exponent
        self.slope = None

    def run(self):
        T, p = self.case["T_ivc"], self.case["P_ivc"]
        first = _State(p, T, self.fresh.h_cp(T)[0], self.fresh.R * T / p)
        first.q_u, _ = self.rates(0, first)
        self.states, self.lost = [first], [0.0]
        for k in range(1, len(self.theta)):
            old = self.states[-1]
            if self.burns and self.fired is None and self.theta[k - 1] >= self.start - 1e-12:
                V = self.volume[k - 1]
                self.fired = old.p, V, math.log(old.p / p) / math.log(self.volume[0] / V)
            new = self.step(k, old)
            dt = self.seconds[k] - self.seconds[k - 1]
            unburned = self.mass * (1 - 0.5 * (self.x[k] + self.x[k - 1]))
            self.lost.append(self.lost[-1] + 0.5 * dt * (new.Q_b + old.Q_b + (new.q_u + old.q_u) * unburned))
            self.states.append(new)
        return self

    def rates(self, k, s):
        """Heat to the wall: unburned per kg [W/kg], burned [W]."""
        if not self.heat:
            return 0.0, 0.0
        w = 2.28 * 2 * self.engine.stroke * self.case["rpm"] / 60
        if self.fired is not None:
            p0, V0, exponent = self.fired
            w += self.swirl * max(0.0, s.p - p0 * (V0 / self.volume[k]) ** exponent)
        T_mean = (1 - self.x[k]) * s.T_u + self.x[k] * s.T_b
        flux = woschni(self.engine.bore, s.p, T_mean, w) * self.area[k] / self.volume[k]
        return flux * s.v_u * (s.T_u - T_WALL), flux * s.V_b * (s.T_b - T_WALL)

    def trial(self, k, old, new, p):
        """Bring `new` to pressure p; return the volume its charge asks for, less the cylinder's."""
        dt, dp = self.seconds[k] - self.seconds[k - 1], p - old.p
        m0, m1 = self.mass * self.x[k - 1], self.mass * self.x[k]
        T_u = self.fresh.compressed(old.h_u, old.v_u, old.p, p, 0.5 * (old.q_u + new.q_u) * dt, new.T_u)
        h_u, v_u = self.fresh.h_cp(T_u)[0], self.fresh.R * T_u / p
        T_b, H_b, V_b = 0.0, 0.0, 0.0
        if m1 > 0:
            V_b = new.V_b * new.p / p  # of the last trial
            H_b = old.H_b + 0.5 * (old.h_u + h_u) * (m1 - m0) - 0.5 * (old.Q_b + new.Q_b) * dt
            H_b += 0.5 * (old.V_b + V_b) * dp
            T_b, v_b = self.burned.at(H_b / m1, p)
            V_b = m1 * v_b
        new.p, new.T_u, new.h_u, new.v_u, new.T_b, new.H_b, new.V_b = p, T_u, h_u, v_u, T_b, H_b, V_b
        new.q_u, new.Q_b = self.rates(k, new)
        return (self.mass - m1) * v_u + V_b - self.volume[k]

    def step(self, k, old):
        """One implicit step by secants in the pressure."""
        V = self.volume[k]
        p = old.p * (self.volume[k - 1] / V) ** 1.3 if k < 2 else old.p**2 / self.states[-2].p
        new = replace(old)
        if self.x[k] > 0:
            m0, m1 = self.mass * self.x[k - 1], self.mass * self.x[k]
            new.V_b = old.V_b * m1 / m0 if m0 > 0 else m1 * 300.0 * 2300.0 / old.p
        self.trial(k, old, new, p)
        off = self.trial(k, old, new, p)
        slope = self.slope or -V / (1.3 * p)
        for turn in range(60):
            last, p = p, p - off / slope
            if abs(p - last) < (1e-10 if turn < 15 else 3e-8) * p:
                break
            before, off = off, self.trial(k, old, new, p)
            if abs(off) < 1e-11 * V:
                break
            if abs(p - last) > 1e-7 * p:
                slope = (off - before) / (p - last)
        else:
            raise RuntimeError(f"no pressure at {self.theta[k]:.2f} deg")
        self.slope = slope
        return new

    def column(self, name):
        return np.array([getattr(s, name) for s in self.states])

    def node(self, angle):
        """Index of the mesh node at an angle."""
        return int(np.argmin(abs(self.theta - angle)))


def integrate(engine, case, *, step=0.1, heat=True, burns=True):
    """Integrate one case.

    Returns
    -------
    dict
        The kernel's columns, and `trace`, the arrays over the mesh.
    """
    m = _March(engine, case, step=step, heat=heat, burns=burns).run()
    theta, volume, x = m.theta, m.volume, m.x
    P, Tu, Tb = m.column("p"), m.column("T_u"), m.column("T_b")
    Tb[x == 0] = np.nan
    top, where = _peak(theta, P)
    total = m.end - m.start
    i90 = m.node(m.start + y_of(0.9) * total) if burns else len(theta) - 1
    i50 = m.node(m.start + y_of(0.5) * total)
    knock = 1 / induction(P, Tu, case["octane_ron"])
    work = _trapezoid(P, volume)
    spark = -case["spark_deg_btdc"]
    return {
        "P_max": top,
        "theta_P_max_deg": where,
        "imep": work / engine.swept,
        "imep_gross": (work + _ends(engine, case["P_ivc"], P[-1])) / engine.swept,
        "ca50_deg": m.start + y_of(0.5) * total,
        "T_end_max": Tu[theta <= m.end + 1e-9].max() if burns else Tu.max(),
        "T_burned_evo": Tb[-1],
        "T_burned_max": np.nanmax(Tb) if burns else np.nan,
        "knock_integral": _trapezoid(knock[: i90 + 1], m.seconds[: i90 + 1]),
        "heat_loss": m.lost[-1],
        "mass": m.mass,
        "P_50": P[i50],
        "T_50": Tu[i50],
        "P_spark": math.exp(np.interp(spark, theta, np.log(P))),
        "T_spark": float(np.interp(spark, theta, Tu)),
        "P_start": P[m.node(m.start)],
        "energy_error": abs(m.lost[-1] + work + _energy(m, -1) - _energy(m, 0)) / _heat_of_fuel(m),
        "trace": {"theta_deg": theta, "volume": volume, "P": P, "burned_share": x, "T_unburned": Tu, "T_burned": Tb},
    }


def _energy(m, k):
    s = m.states[k]
    return m.mass * (1 - m.x[k]) * (s.h_u - s.p * s.v_u) + s.H_b - s.p * s.V_b


def _heat_of_fuel(m):
    return m.mass * m.mix.heat_released * (1 - m.case["residual_fraction"])


def _ends(engine, P_intake, P_open):
    """Work of the two ends of the strokes, outside the closed part."""
    tail = np.linspace(engine.opening, 180.0, 2001)
    fall = 0.5 * (1 + np.cos(np.pi * (tail - engine.opening) / (180.0 - engine.opening)))
    before = P_intake * (engine.volume(engine.closing) - engine.volume(-180.0))
    return before + _trapezoid(P_intake + (P_open - P_intake) * fall, engine.volume(tail))


def _peak(theta, P):
    """Largest value, by a parabola through the three nodes about it."""
    i = int(np.argmax(P))
    if i in (0, len(P) - 1):
        return P[i], theta[i]
    a, b, c = np.polyfit(theta[i - 1 : i + 2] - theta[i], P[i - 1 : i + 2], 2)
    return c - b * b / (4 * a), theta[i] - b / (2 * a)


def _trapezoid(y, x):
    """Integral over a mesh that need not be even."""
    return float(np.sum(0.5 * (y[1:] + y[:-1]) * np.diff(x)))


# The third way


class _Network:
    """Two reactors, a wall between them that gives way, the piston on the burned one, a flow through the flame."""

    def __init__(self, engine, case, before, *, heat, faster, from_share, to_share):
        self.engine, self.case = engine, case
        self.start, self.end = burn_angles(case)
        self.theta0 = self.start + y_of(from_share) * (self.end - self.start)
        self.stop = self.start + y_of(to_share) * (self.end - self.start)
        self.last_share, self.mass, self.speed = to_share, before["mass"], 6 * case["rpm"]
        V_start, V_closing = engine.volume(self.start), engine.volume(engine.closing)
        p_start = before["P_start"]
        self.fired = p_start, V_start, math.log(p_start / case["P_ivc"]) / math.log(V_closing / V_start)
        self.swirl = 3.24e-3 * engine.swept * case["T_ivc"] / (case["P_ivc"] * V_closing)
        self._gases(before["trace"], faster)
        self._reactors(heat, from_share)

    def _gases(self, trace, faster):
        p, T = (float(np.interp(self.theta0, trace["theta_deg"], trace[key])) for key in ("P", "T_unburned"))
        X = {"AR" if name == "Ar" else name: x for name, x in mixture(self.case).X.items()}
        self.fresh, self.burned = ct.Solution("gri30.yaml"), ct.Solution("gri30.yaml")
        self.fresh.TPX = T, p, X
        self.burned.TPX = T, p, X
        self.burned.equilibrate("HP")
        self.burned.set_multiplier(faster)

    def _reactors(self, heat, from_share):
        self.zone_u = ct.IdealGasReactor(self.fresh, clone=False)
        self.zone_b = ct.IdealGasReactor(self.burned, clone=False)
        self.zone_u.chemistry_enabled = False
        self.zone_u.volume = (1 - from_share) * self.mass / self.fresh.density
        self.zone_b.volume = self.engine.volume(self.theta0) - self.zone_u.volume
        outside = ct.Reservoir(ct.Solution("gri30.yaml"), clone=False)
        self.devices = [
            ct.Wall(self.zone_b, outside, A=1.0, velocity=self.volume_rate),
            ct.Wall(self.zone_u, self.zone_b, A=1.0, K=2e-3),
            ct.MassFlowController(self.zone_u, self.zone_b, mdot=self.burn_rate),
        ]
        if heat:
            for zone, gas in ((self.zone_u, self.fresh), (self.zone_b, self.burned)):
                self.devices.append(ct.Wall(zone, outside, A=1.0, Q=self.wall_heat(zone, gas)))

    def volume_rate(self, t):
        angle, h = self.theta0 + self.speed * t, 1e-3
        return (self.engine.volume(angle + h) - self.engine.volume(angle - h)) / (2 * h) * self.speed

    def burn_rate(self, t):
        angle = self.theta0 + self.speed * t
        if angle >= self.stop:
            return 0.0
        y = (angle - self.start) / (self.end - self.start)
        slope = 3 * WIEBE_A * y * y * math.exp(-WIEBE_A * y**3) / -math.expm1(-WIEBE_A)
        return self.mass * slope * self.speed / (self.end - self.start)

    def wall_heat(self, zone, gas):
        """Function of time; the states are those the integrator set last."""

        def rate(t):
            angle = self.theta0 + self.speed * t
            V, p, (p0, V0, exponent) = self.engine.volume(angle), self.burned.P, self.fired
            w = 2.28 * 2 * self.engine.stroke * self.case["rpm"] / 60
            w += self.swirl * max(0.0, p - p0 * (V0 / V) ** exponent)
            x = min(float(share((angle - self.start) / (self.end - self.start))), self.last_share)
            T_mean = (1 - x) * self.fresh.T + x * self.burned.T
            flux = woschni(self.engine.bore, p, T_mean, w) * self.engine.area(angle) / V
            return flux * zone.volume * (gas.T - T_WALL)

        return rate

    def run(self, step):
        net = ct.ReactorNet([self.zone_u, self.zone_b])
        net.rtol, net.atol = 1e-8, 1e-16
        theta = np.append(np.arange(self.theta0, self.engine.opening, step), self.engine.opening)
        P, T = [self.burned.P], [self.burned.T]
        for angle in theta[1:]:
            net.advance((angle - self.theta0) / self.speed)
            gas = self.zone_b.phase
            P.append(gas.P)
            T.append(gas.T)
        return theta, np.array(P), np.array(T)


def reactor_network(engine, case, *, step=0.25, heat=True, faster=1.0, from_share=1e-3, to_share=0.999):
    """Two reactors and a wall between them, from where 0.1 % is burned to exhaust opening.

    The compression before, and the 0.1 % that has burned, are taken from `integrate`. The unburned gas is frozen, the burned gas reacts at
    the rates of GRI-Mech 3.0; propane only. The flow through the flame ends at 99.9 % burned, where the unburned reactor would vanish.
    `faster` multiplies every rate: towards equilibrium.
    """
    before = integrate(engine, case, heat=heat)
    net = _Network(engine, case, before, heat=heat, faster=faster, from_share=from_share, to_share=to_share)
    theta, P, T_b = net.run(step)
    trace = before["trace"]
    early = trace["theta_deg"] < net.theta0
    angle, pressure = np.append(trace["theta_deg"][early], theta), np.append(trace["P"][early], P)
    return {
        "P_max": _peak(angle, pressure)[0],
        "imep": _trapezoid(pressure, engine.volume(angle)) / engine.swept,
        "T_burned_evo": T_b[-1],
        "trace": {"theta_deg": theta, "P": P, "T_burned": T_b},
    }
