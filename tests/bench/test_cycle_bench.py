"""Cycles against the same cycles with a Cantera equilibrium in every half degree, and against a reactor network; a whole plan.

All timed in the same run on the same machine. The alternatives are those of the tests (tests/engine/reference_cycle.py) and share nothing with the
kernel. Asked: 500 cycles in 0.2 s, 5000 in 1 s, a plan with bands for 8 speeds and three criteria in 1.5 s, all warm; ratios are asserted, seconds
are printed.

Run: ``python -m pytest tests/bench/test_cycle_bench.py --benchmark-only -s`` (some minutes, idle machine).
"""

from itertools import count
from time import perf_counter

import numpy as np
import pandas as pd
import pytest

from kernel_lib import BuildSheet, plan_shot
from kernel_lib.engine.cycle import run_cycles
from kernel_lib.engine.cylinder import Cylinder
from kernel_lib.thermo import fuels
from tests.engine import reference_cycle as reference

FASTER_THAN_STEPS, FASTER_THAN_NETWORK = 200, 500  # times, a cycle
TEN = 10
ENGINE = Cylinder(0.092, 0.0994, 0.163, 9.4, 52.0, 54.0)


def cases(number, shift=0.0):
    """Sweeps of speed, spark and nitrous on one fuel."""
    k = np.arange(number)
    return pd.DataFrame(
        {
            "rpm": 2000.0 + 4000.0 * (k % 17) / 17 + shift,
            "P_ivc": 1.0e5 + 1e4 * (k % 5),
            "T_ivc": 330.0 + 5.0 * (k % 7),
            "fuel": "gasoline",
            "lambda": 0.864,
            "nitrous_fraction": 0.02 * (k % 13),
            "residual_fraction": 0.05,
            "spark_deg_btdc": 12.0 + (k % 19),
            "delay_deg": 6.0,
            "duration_10_90_deg": 24.0 + 0.5 * (k % 9),
            "octane_ron": 95.0,
        }
    )


def seconds(function, *arguments, **options):
    began = perf_counter()
    function(*arguments, **options)
    return perf_counter() - began


@pytest.fixture(scope="module")
def plain():
    """Seconds a cycle of the two alternatives, ten cycles each."""
    engine = reference.Engine(0.092, 0.0994, 0.163, 9.4, 52.0, 54.0)
    rows = [row | {"fuel": fuels.get("gasoline")} for row in cases(TEN).to_dict("records")]
    steps = sum(seconds(reference.integrate, engine, row, step=0.5) for row in rows) / TEN
    # GRI-Mech has no gasoline: the network burns propane
    network = (
        sum(seconds(reference.reactor_network, engine, row | {"fuel": fuels.get("propane")}) for row in rows) / TEN
    )
    return steps, network


@pytest.mark.parametrize("number", [500, 5000])
def test_many_cycles(benchmark, plain, number):
    run_cycles(ENGINE, cases(number))  # tables are made, code is compiled
    rounds = count(1)

    def another():
        """Cases no earlier call had."""
        return (ENGINE, cases(number, shift=1e-3 * next(rounds))), {}

    benchmark.pedantic(run_cycles, setup=another, rounds=10)
    each = benchmark.stats.stats.median / number
    steps, network = plain[0] / each, plain[1] / each
    benchmark.extra_info.update(per_cycle=each, times_faster_than_steps=steps, times_faster_than_network=network)
    print(
        f"\n{number} cycles {benchmark.stats.stats.median:.3f} s; a Cantera equilibrium in every half degree takes {plain[0]:.2f} s a cycle ({steps:.0f} "
        f"times as long), a reactor network {plain[1]:.1f} s ({network:.0f} times)"
    )
    assert steps >= FASTER_THAN_STEPS
    assert network >= FASTER_THAN_NETWORK


@pytest.mark.parametrize("name", BuildSheet.demo_names())
def test_a_whole_plan(benchmark, plain, name):
    """Warm: tables of the same fuel and day are there, the shot is new every time."""
    sheet = BuildSheet.demo(name).replace(
        {"nitrous.nozzle_diameter_mm": None, "nitrous.fuel_jet_diameter_mm": None}
        | {f"nitrous.discharge_{k}": None for k in ("coefficient", "error", "temperature_c", "bore_mm")}
    )
    rounds = count(1)

    def another():
        return (sheet.replace({"nitrous.shot_hp": 60.0 + 0.5 * next(rounds)}),), {}

    plan_shot(sheet.replace({"nitrous.shot_hp": 60.0}))
    benchmark.pedantic(plan_shot, setup=another, rounds=10)
    ratio = benchmark.stats.stats.median / plain[0]
    benchmark.extra_info.update(in_plain_cycles=ratio)
    print(
        f"\nplan of {name}: {benchmark.stats.stats.median:.2f} s, as long as {ratio:.1f} cycles with Cantera in every half degree"
    )
    assert ratio < 20
