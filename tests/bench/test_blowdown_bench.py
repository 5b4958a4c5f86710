"""A day of ten passes against its plain alternative, both timed in the same run on the same machine.

Ten sprays of 10 s through a nozzle, twenty minutes on a heater between them. The alternative is written out here and shares
nothing with the kernel: energies, fixed steps of Runge and Kutta (0.1 s drawing, 2 s waiting) and CoolProp's PropsSI in every
one of them. Both draw by the same law of flow, so that the bottle alone is compared.

Run: ``python -m pytest tests/bench/test_blowdown_bench.py --benchmark-only -s`` (some seconds; not part of the default tests).
"""

from itertools import count
from time import perf_counter

import CoolProp.CoolProp as cp
import numpy as np

from kernel_lib.thermo.blowdown import Bottle, Content, spray, warm

N2O = "NitrousOxide"
VOLUME, WALL, INNER, OUTER = 6.6e-3, 4000.0, 30.0, 2.0
ROOM, HEATER, PASSES, DRAWING, WAITING = 295.0, 15.0, 10, 10.0, 1200.0
START = Content(297.0, 297.0, 4.3)
RATIO, KELVIN, KG = 20, 1e-3, 1e-5


def flow(T, P):  # noqa: ARG001
    """Liquid drawn [kg/s]; any law will do, this one grows with the bottle's pressure."""
    return 0.02 * np.sqrt(P / 5e6)


def day(start):
    now = start
    for _ in range(PASSES):
        now = spray(BOTTLE, now, DRAWING, flow, T_air=ROOM, heater=HEATER).content
        now = warm(BOTTLE, now, WAITING, T_air=ROOM, heater=HEATER).content
    return now


BOTTLE = Bottle(VOLUME, WALL, INNER, OUTER)


def rates(y, drawing):
    U, T_wall, mass = y
    T = cp.PropsSI("T", "U", U / mass, "D", mass / VOLUME, N2O)
    drawn = flow(T, cp.PropsSI("P", "T", T, "Q", 0, N2O)) if drawing else 0.0
    inner = INNER * (T_wall - T)
    carried = drawn * cp.PropsSI("H", "T", T, "Q", 0, N2O) if drawing else 0.0
    return np.array([inner - carried, (HEATER + OUTER * (ROOM - T_wall) - inner) / WALL, -drawn])


def stepped(y, seconds, step, drawing):
    for _ in range(round(seconds / step)):
        a = rates(y, drawing)
        b = rates(y + step / 2 * a, drawing)
        c = rates(y + step / 2 * b, drawing)
        d = rates(y + step * c, drawing)
        y = y + step / 6 * (a + 2 * b + 2 * c + d)
    return y


def plain_day(start):
    U = start.mass * cp.PropsSI("U", "T", start.T, "D", start.mass / VOLUME, N2O)
    y = np.array([U, start.T_wall, start.mass])
    for _ in range(PASSES):
        y = stepped(y, DRAWING, 0.1, True)
        y = stepped(y, WAITING, 2.0, False)
    return Content(cp.PropsSI("T", "U", y[0] / y[2], "D", y[2] / VOLUME, N2O), y[1], y[2])


def test_ten_passes_are_fast_and_true(benchmark):
    day(START)  # tables are made once
    began = perf_counter()
    plain = plain_day(START)
    plain_seconds = perf_counter() - began
    found = day(START)
    rounds = count(1)

    def another_day():
        """A start no earlier call had, so that an answer kept from one cannot be handed out again."""
        shift = 1e-4 * next(rounds)
        return (Content(START.T + shift, START.T_wall + shift, START.mass - shift),), {}

    benchmark.pedantic(day, setup=another_day, rounds=10)
    ratio = plain_seconds / benchmark.stats.stats.median
    off_T, off_mass = abs(found.T - plain.T), abs(found.mass - plain.mass)
    benchmark.extra_info.update(ratio=ratio, plain_seconds=plain_seconds, off_K=off_T, off_kg=off_mass)
    print(
        f"ten passes {benchmark.stats.stats.median:.3f} s, plain {plain_seconds:.1f} s: {ratio:.0f} times as fast; "
        f"off by {off_T:.2g} K and {off_mass:.2g} kg at {found.T:.2f} K, {found.mass:.2f} kg"
    )
    assert off_T <= KELVIN
    assert abs(found.T_wall - plain.T_wall) <= KELVIN
    assert off_mass <= KG
    assert ratio >= RATIO
