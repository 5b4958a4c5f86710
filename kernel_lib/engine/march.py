"""The closed cycle, step by step, compiled: two zones at one pressure. `cycle` is the door to it.

Marched over crank angle are pressure, temperature of the unburned gas, and the enthalpy of the burned gas above that of as much unburned
gas, extensive (a temperature, or an enthalpy per kg, of the burned gas would be singular where it begins). Fourth-order Runge-Kutta; the steps end exactly where the burn begins and ends.
"""

from __future__ import annotations

import math

import numba

from ..thermo.burned import LN_P, SPAN, STEPS
from .burn import SHAPE_A, SHAPE_M, Y50, Y90
from .heat import C1, C2, PRESSURE_POWER, SPEED_POWER, T_POWER, WALL_TEMPERATURE
from .knock import ACTIVATION, OCTANE_EXPONENT, PRESSURE_EXPONENT
from .knock import A as KNOCK_A

# What a case brings, by column:
RPM, P_IVC, T_IVC, MASS, R_FRESH, START, TOTAL, RON, SPARK, LOWEST, TABLE, GAS = range(12)
CASE_COLUMNS = 12
# What comes back:
(
    P_MAX, THETA_MAX, WORK, WORK_END, T_END_MAX, T_EVO, T_BURNED_MAX, KNOCK, ENERGY, HEAT, P_50, T_50, P_SPARK, T_SPARK, P_EVO, OUTSIDE,
) = range(16)  # fmt: skip
OUT_COLUMNS = 16
RECORD_COLUMNS = 7
"""Of a recorded cycle: theta [deg], P, volume, burned share, T unburned, T burned, knock integral."""

_R = 8.31446261815324
_DEG = math.pi / 180
_LN0, _LN_STEP, _LN_COUNT = float(LN_P[0]), float(LN_P[1] - LN_P[0]), len(LN_P)
_H_STEP = SPAN / STEPS
_END = 1.0 - math.exp(-SHAPE_A)
_KNOCK = KNOCK_A * 101325.0**-PRESSURE_EXPONENT
_FAST = {"contract", "reassoc", "arcp", "nsz"}  # NaN stays NaN: it is how a lost state is noticed


def _can_cache() -> bool:
    """Whether compiled code can be kept on this disk; without it every process compiles anew."""
    try:
        numba.njit(cache=True)(_can_cache)
    except RuntimeError:
        return False
    return True


_compiled = numba.njit(cache=_can_cache(), nogil=True, error_model="numpy", fastmath=_FAST)
_inline = numba.njit(nogil=True, error_model="numpy", fastmath=_FAST, inline="always")


@_inline
def _volume(theta, geo):
    """Volume [m3] and its slope [m3/deg]; geo is piston area, crank radius, rod, clearance volume, bore, `heat.FILM` x bore^-0.2."""
    s, c = math.sin(theta * _DEG), math.cos(theta * _DEG)
    root = math.sqrt(geo[2] ** 2 - (geo[1] * s) ** 2)
    travel = geo[2] + geo[1] - geo[1] * c - root
    return geo[3] + geo[0] * travel, geo[0] * geo[1] * s * (1.0 + geo[1] * c / root) * _DEG


@_inline
def _fresh(T, gas):
    """Heat capacity [J/(kg K)] and enthalpy [J/kg] of the frozen charge; gas holds two ranges of polynomials."""
    a = gas[0] if T < 1000.0 else gas[1]
    cp = a[0] + T * (a[1] + T * (a[2] + T * (a[3] + T * a[4])))
    h = a[5] + T * (a[0] + T * (a[1] / 2 + T * (a[2] / 3 + T * (a[3] / 4 + T * a[4] / 5))))
    return cp, h


@_inline
def _weights(t):
    """Cubic through four evenly spaced points, read at t between the middle two: weights of value and slope."""
    w = (
        -t * (t - 1) * (t - 2) / 6,
        (t + 1) * (t - 1) * (t - 2) / 2,
        -(t + 1) * t * (t - 2) / 2,
        (t + 1) * t * (t - 1) / 6,
    )
    d = (-(3 * t * t - 6 * t + 2) / 6, (3 * t * t - 4 * t - 1) / 2, -(3 * t * t - 2 * t - 2) / 2, (3 * t * t - 1) / 6)
    return w, d  # fmt: skip


@_inline
def _burned(h, ln_p, lowest, table):
    """T, moles per kg, and their slopes over h and ln p; and whether the table holds the point."""
    u, v = (h - lowest) / _H_STEP, (ln_p - _LN0) / _LN_STEP
    i, j = min(max(int(u), 1), STEPS - 2), min(max(int(v), 1), _LN_COUNT - 3)
    w, dw = _weights(u - i)
    z, dz = _weights(v - j)
    T = n = T_h = n_h = T_l = n_l = 0.0
    for a in range(4):
        t = q = t_l = q_l = 0.0
        for b in range(4):
            x, y = table[i - 1 + a, j - 1 + b, 0], table[i - 1 + a, j - 1 + b, 1]
            t += z[b] * x
            q += z[b] * y
            t_l += dz[b] * x
            q_l += dz[b] * y
        T += w[a] * t
        n += w[a] * q
        T_h += dw[a] * t
        n_h += dw[a] * q
        T_l += w[a] * t_l
        n_l += w[a] * q_l
    inside = 0.0 <= u <= STEPS and 0.0 <= v <= _LN_COUNT - 1
    return T, n, T_h / _H_STEP, n_h / _H_STEP, T_l / _LN_STEP, n_l / _LN_STEP, inside


@_inline
def _share(theta, case, part):
    """Burned share and its slope [1/deg]; part 0 lies before the burn, 1 in it, 2 after it."""
    if part != 1:
        return (1.0, 0.0) if part == 2 else (0.0, 0.0)
    y = min(max((theta - case[START]) / case[TOTAL], 0.0), 1.0)
    power = SHAPE_A * y**SHAPE_M
    e = math.exp(-power * y)
    return (1.0 - e) / _END, power * (SHAPE_M + 1.0) * e / _END / case[TOTAL]


@_inline
def _film(p, T, V, case, geo, motored, heat):
    """Heat transfer coefficient x wall area / volume x time of a degree [W.. per m3 K deg -> J/(m3 K deg)]."""
    if not heat:
        return 0.0
    w = C1 * geo[1] * case[RPM] / 15.0
    if motored[0] > 0.0:
        above = p - motored[0] * (motored[1] / V) ** motored[2]
        w += C2 * geo[0] * 2 * geo[1] * case[T_IVC] / (case[P_IVC] * motored[3]) * max(above, 0.0)
    film = geo[5] * (p / 1e3) ** PRESSURE_POWER * T**T_POWER * w**SPEED_POWER
    area = 2 * geo[0] + math.pi * geo[4] * V / geo[0]
    return film * area / V / (6.0 * case[RPM])


@_inline
def _slopes(theta, y, case, gas, table, geo, motored, heat, x, dx):
    """Slopes per degree of pressure, T unburned, excess enthalpy of the burned gas, work, heat; whether the table holds the state; burned T."""
    p, Tu, excess = y[0], y[1], y[2]
    V, dV = _volume(theta, geo)
    m = case[MASS]
    m_u, m_b, dm = (1.0 - x) * m, x * m, dx * m
    cp, h_u = _fresh(Tu, gas)
    v_u = case[R_FRESH] * Tu / p
    V_u = m_u * v_u
    h, T_b, v_b, V_b, v_h, v_p, inside = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, True
    if x > 0.0 or dx > 0.0:
        h = h_u + excess / m_b if x > 0.0 else h_u
        T_b, n, T_h, n_h, T_l, n_l, inside = _burned(h, math.log(p), case[LOWEST], table)
        v_b = n * _R * T_b / p
        V_b = m_b * v_b
        v_h = _R / p * (n_h * T_b + n * T_h)
        v_p = _R / p * (n_l * T_b + n * T_l) / p - v_b / p
    film = _film(p, (m_u * Tu + m_b * T_b) / m, V, case, geo, motored, heat)
    q_u, q_b = film * V_u * (Tu - WALL_TEMPERATURE), film * V_b * (T_b - WALL_TEMPERATURE)
    # volume closes: dV = burning + heat + pressure
    per_T = case[R_FRESH] / (p * cp)  # V_u / (T_u m_u cp)
    burning = (v_b - v_u) * dm + v_h * (h_u - h) * dm
    stiff = v_h * V_b + m_b * v_p + V_u * (per_T - 1.0 / p)
    dp = (dV - burning + v_h * q_b + per_T * q_u) / stiff
    dT = (v_u * dp - film * v_u * (Tu - WALL_TEMPERATURE)) / cp
    return dp, dT, V_b * dp - q_b - m_b * cp * dT, p * dV, q_u + q_b, inside, T_b


@_inline
def _step(theta, d, y, case, gas, table, geo, motored, heat, part):
    """One Runge-Kutta step of d degrees: the new state, whether the table held it, and burned T where it began (0 before the burn)."""
    h = d / 2
    x, dx = _share(theta, case, part)
    a = _slopes(theta, y, case, gas, table, geo, motored, heat, x, dx)
    x, dx = _share(theta + h, case, part)
    z = (y[0] + h * a[0], y[1] + h * a[1], y[2] + h * a[2])
    b = _slopes(theta + h, z, case, gas, table, geo, motored, heat, x, dx)
    z = (y[0] + h * b[0], y[1] + h * b[1], y[2] + h * b[2])
    c = _slopes(theta + h, z, case, gas, table, geo, motored, heat, x, dx)
    x, dx = _share(theta + d, case, part)
    z = (y[0] + d * c[0], y[1] + d * c[1], y[2] + d * c[2])
    e = _slopes(theta + d, z, case, gas, table, geo, motored, heat, x, dx)
    s = d / 6
    return (
        y[0] + s * (a[0] + 2 * (b[0] + c[0]) + e[0]),
        y[1] + s * (a[1] + 2 * (b[1] + c[1]) + e[1]),
        y[2] + s * (a[2] + 2 * (b[2] + c[2]) + e[2]),
        y[3] + s * (a[3] + 2 * (b[3] + c[3]) + e[3]),
        y[4] + s * (a[4] + 2 * (b[4] + c[4]) + e[4]),
        a[5] and b[5] and c[5] and e[5],
        a[6],
    )


@_inline
def _burned_T(x, y, case, gas, table):
    if x <= 0.0:
        return math.nan
    return _burned(_fresh(y[1], gas)[1] + y[2] / (x * case[MASS]), math.log(y[0]), case[LOWEST], table)[0]


@_inline
def _knock_rate(y, factor):
    return y[0] ** -PRESSURE_EXPONENT * math.exp(-ACTIVATION / y[1]) * factor


@_inline
def _top(a, b, c, left, right):
    """Peak of the parabola through three values and how far it lies from the middle one; the middle one where spacing is too uneven."""
    if left > 3 * right or right > 3 * left:
        return b, 0.0
    up, down = (b - a) / left, (c - b) / right
    bend = (down - up) / (left + right)
    if bend >= 0.0:
        return b, 0.0
    slope = (up * right + down * left) / (left + right)
    return b - slope**2 / (4 * bend), -slope / (2 * bend)


@_compiled
def march(lo, hi, cases, gases, tables, geo, closing, opening, step, heat, burns, out, record):
    """Run the cases lo to hi and write a row of `out` for each; write every step of the last one if `record` has rows."""
    for k in range(lo, hi):
        _cycle(cases[k], gases[int(cases[k, GAS])], tables[int(cases[k, TABLE])], geo, closing, opening, step, heat, burns, out[k], record)  # fmt: skip


@_compiled
def _cycle(case, gas, table, geo, closing, opening, step, heat, burns, out, record):
    V0, _ = _volume(closing, geo)
    y = (case[P_IVC], case[T_IVC], 0.0, 0.0, 0.0, True, 0.0)
    factor = 1.0 / (_KNOCK * (case[RON] / 100) ** OCTANE_EXPONENT * 6.0 * case[RPM])
    motored = (0.0, 1.0, 1.0, V0)
    t90, t50, end = case[START] + Y90 * case[TOTAL], case[START] + Y50 * case[TOTAL], case[START] + case[TOTAL]
    edges = (closing, case[START], end, opening) if burns else (closing, opening, opening, opening)
    theta, rate, knock, row, held = closing, _knock_rate(y, factor), 0.0, 0, True
    before = last = (y[0], y[1], step)
    out[:] = 0.0
    for part in range(3):
        length = edges[part + 1] - edges[part]
        if length <= 0.0:
            continue
        if part == 1 and burns:
            V, _ = _volume(edges[part], geo)
            slope = math.log(y[0] / case[P_IVC]) / math.log(V0 / V) if V < 0.999 * V0 else 1.3
            motored = (y[0], V, slope, V0)
        count = max(math.ceil(length / step - 1e-9), 24 if part == 1 else 1)
        d = length / count
        for i in range(count):
            theta = edges[part] + i * d
            x, _ = _share(theta, case, part)
            if row < record.shape[0]:
                V, _ = _volume(theta, geo)
                record[row, :] = (theta, y[0], V, x, y[1], _burned_T(x, y, case, gas, table), knock)
                row += 1
            z = _step(theta, d, y, case, gas, table, geo, motored, heat, part)
            held = held and z[5]
            new = _knock_rate(z, factor)
            if not burns or theta < t90:
                span = d if not burns else min(d, t90 - theta)
                reached = rate + (new - rate) * span / d
                knock += 0.5 * (rate + reached) * span
            if theta <= t50 < theta + d:
                f = (t50 - theta) / d
                out[P_50], out[T_50] = y[0] + f * (z[0] - y[0]), y[1] + f * (z[1] - y[1])
            if theta <= case[SPARK] < theta + d:
                f = (case[SPARK] - theta) / d
                out[P_SPARK], out[T_SPARK] = y[0] + f * (z[0] - y[0]), y[1] + f * (z[1] - y[1])
            _peaks(out, before, last, (z[0], z[1], d), theta, x)
            out[T_BURNED_MAX] = max(out[T_BURNED_MAX], z[6])
            before, last = last, (z[0], z[1], d)
            y, rate = z, new
    _close(case, gas, table, geo, closing, opening, y, burns, out)
    out[KNOCK], out[OUTSIDE] = knock, 0.0 if held else 1.0
    if row < record.shape[0]:
        V, _ = _volume(opening, geo)
        record[row, :] = (opening, y[0], V, 1.0 if burns else 0.0, y[1], out[T_EVO], knock)


@_inline
def _close(case, gas, table, geo, closing, opening, y, burns, out):
    """Write the end state, work, heat, and what energy is missing [J]."""
    V0, _ = _volume(closing, geo)
    V, _ = _volume(opening, geo)
    out[WORK], out[HEAT], out[P_EVO] = y[3], y[4], y[0]
    out[T_EVO] = _burned_T(1.0, y, case, gas, table) if burns else y[1]
    before = case[MASS] * _fresh(case[T_IVC], gas)[1] - case[P_IVC] * V0
    out[ENERGY] = case[MASS] * _fresh(y[1], gas)[1] + y[2] - y[0] * V - before + y[3] + y[4]


@_inline
def _peaks(out, before, last, new, theta, x):
    """Keep the highest pressure with its angle, and the hottest unburned gas while there is any; `last` stands at theta, x burned."""
    if last[0] >= before[0] and last[0] >= new[0]:
        top, off = _top(before[0], last[0], new[0], last[2], new[2])
        if top > out[P_MAX]:
            out[P_MAX], out[THETA_MAX] = top, theta + off
    if x < 1.0:
        if last[1] >= before[1] and last[1] >= new[1]:
            top, _ = _top(before[1], last[1], new[1], last[2], new[2])
            out[T_END_MAX] = max(out[T_END_MAX], top)
        out[T_END_MAX] = max(out[T_END_MAX], new[1])
