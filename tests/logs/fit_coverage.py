"""How often the fit's 95 % intervals hold the truth of the forward simulation, for two logs of a car: a base pull and a clean hit.

    python tests/logs/fit_coverage.py [seeds, 200] [first seed, 7000] [whole, or likely]

"whole" draws the cars from all of the sheet's errors and of the bands, as the fit takes them to be; "likely" as the demo logs are drawn, more narrowly.
Of 200 whole cars from 7000 on none is refused: volumetric efficiency over injectors 0.98, trend 0.97 (bias -0.0004), nozzle 0.97, nozzle over injectors 0.95 (of 195
cars; in five the lean stop ends the hit before the mixture settles). Not run by the tests: it takes 80 to 100 s of one core, most of it reviewing the logs. `test_fit` holds
the same with a truth of its own.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from kernel_lib import BuildSheet
from kernel_lib.logs import fit_solve as fs
from kernel_lib.logs.course import course
from kernel_lib.logs.cut import cut
from kernel_lib.logs.delay import estimate
from kernel_lib.logs.fit import fit
from kernel_lib.logs.fit_told import SURE, ratio, sd_of, slope
from kernel_lib.logs.sensor import dead_s
from kernel_lib.logs.simulate import SCENARIOS, simulate
from kernel_lib.plan.tune import tune_of

SCENES = ("base", "clean")


def one(sheet: BuildSheet, seed: int, whole: bool = True) -> dict[str, tuple[float, float]] | str:
    """Estimate less truth, and the stated error, of every quantity for one car; the sentence where the fit was refused."""
    tune, courses, delay, truth = tune_of(sheet), [], None, None
    for k, scene in enumerate(SCENES):
        simulated = simulate(replace(SCENARIOS[scene], whole=whole), 10 * seed + k, car=seed)
        log, truth = simulated.log, simulated.truth
        pulls = cut(log, sheet)
        delay = estimate([course(log, pull, sheet, tune) for pull in pulls], sheet)
        courses += [course(log, pull, sheet, tune, delay) for pull in pulls]
    found = fit(courses, sheet, delay=delay)
    if found.refused:
        return found.refused
    table = sheet.engine.full_throttle.rpm
    middle, half = (table[0] + table[-1]) / 2, (table[-1] - table[0]) / 2
    air = float(truth.air(middle))
    solved = found.solved
    k = found.names.index(fs.TREND)
    trend = solved.steps[k], SURE * sd_of(solved, slope(solved, air_trend=1.0))
    told = {
        "volumetric efficiency over injectors": (*ratio(solved, fs.LEVEL), air / truth.injector_scale),
        "trend": (*trend, truth.air_slope * half / 1e3 / air),
    }
    if fs.NOZZLE in found.names:  # else the lean stop ended the hit before the mixture had settled
        nozzle = solved.steps[found.names.index(fs.NOZZLE)], SURE * sd_of(solved, slope(solved, nozzle=1.0))
        told["nozzle"] = (1 + nozzle[0], nozzle[1], truth.coefficient)
        told["nozzle over injectors"] = (*ratio(solved, fs.NOZZLE), truth.coefficient / truth.injector_scale)
    if delay.identifiable:
        there, here = (float(dead_s(sheet, rpm, 0.0)) for rpm in (truth.delay_rpm, delay.rpm))
        told["delay [s]"] = delay.total_s + delay.dead_scale * (there - here), delay.error_s, truth.delay_total_s
    return {name: (value - true, error) for name, (value, error, true) in told.items()}


def main(seeds: int = 200, first: int = 7000, drawn: str = "whole") -> None:
    """Print a row a quantity."""
    sheet, rows, refused = BuildSheet.demo("wren_five"), {}, []
    for seed in range(first, first + seeds):
        found = one(sheet, seed, drawn == "whole")
        if isinstance(found, str):
            refused.append((seed, found))
            continue
        for name, pair in found.items():
            rows.setdefault(name, []).append(pair)
    print(f"{seeds} cars, {len(refused)} refused")
    for seed, sentence in refused:
        print(f"  {seed}: {sentence}")
    print(f"{'':38s}{'within':>8s}{'of':>5s}{'bias':>9s}{'sd':>9s}{'error':>9s}")
    for name, pairs in rows.items():
        off, error = np.array(pairs).T
        within = float(np.mean(np.abs(off) <= error))
        print(f"{name:38s}{within:8.3f}{len(off):5d}{off.mean():+9.4f}{off.std():9.4f}{error.mean():9.4f}")


if __name__ == "__main__":
    main(*(int(v) for v in sys.argv[1:3]), *sys.argv[3:4])
