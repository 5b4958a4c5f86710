"""Make flames.csv: laminar flame speeds of propane with air and nitrous oxide, by Cantera.

Run ``python data/flame_speed/make_table.py`` (about an hour on two cores). It resumes: rows that stand in flames.csv are
not computed again; delete the file to start anew. Origin of every number: one-dimensional free flames, Cantera, mechanism GRI-Mech
3.0 as it ships with Cantera (gri30.yaml), mixture-averaged transport, propane in place of gasoline, no burned gas, no water. phi counts
the O atoms of O2 and N2O; nitrous_fraction is moles of N2O per mole of (dry air + N2O).
"""

import csv
import itertools
import multiprocessing
import random
import sys
import time
from pathlib import Path

import cantera as ct

PHI = (0.7, 0.9, 1.0, 1.1, 1.3, 1.5)
T_UNBURNED = (330.0, 400.0, 550.0, 700.0, 825.0, 950.0)  # K
PRESSURE = (5.0, 10.0, 20.0, 40.0, 80.0, 120.0)  # atm
NITROUS = (0.0, 0.05, 0.12, 0.22, 0.37, 0.55)
LEFT_OUT = 40  # pairs of flames off the grid, to show how well the table interpolates
FILE = Path(__file__).with_name("flames.csv")
HEAD = ("phi", "T_unburned_K", "p_atm", "nitrous_fraction", "S_L_cm_s", "T_burned_K", "use")
DRY_AIR = {"O2": 0.2095, "N2": 0.7812, "AR": 0.0093}


def fresh(phi: float, nitrous: float) -> dict[str, float]:
    """Moles of the charge; C3H8 needs 10 O atoms."""
    moles = {k: x * (1 - nitrous) for k, x in DRY_AIR.items()} | {"N2O": nitrous}
    return moles | {"C3H8": phi * (2 * moles["O2"] + nitrous) / 10}


def thickness(p_atm: float, T: float) -> float:
    """Rough flame thickness [m], only to size the first domain."""
    return 4e-4 / p_atm**0.8 * (300.0 / T) ** 0.5


def new_flame(phi: float, T: float, p_atm: float, nitrous: float) -> ct.FreeFlame:
    gas = ct.Solution("gri30.yaml")
    gas.TPX = T, p_atm * ct.one_atm, fresh(phi, nitrous)
    flame = ct.FreeFlame(gas, width=60 * thickness(p_atm, T))
    flame.transport_model = "mixture-averaged"
    flame.set_refine_criteria(ratio=3, slope=0.06, curve=0.1, prune=0.01)
    return flame


def chain(job: tuple) -> list[tuple]:
    """Speeds at one (phi, T, p) along the nitrous fraction, each flame started from the one before."""
    phi, T, p_atm, fractions, use = job
    rows, flame = [], None
    for nitrous in fractions:
        warm = flame is not None
        try:
            if warm:
                flame.inlet.X = fresh(phi, nitrous)
                flame.solve(loglevel=0, refine_grid=True)
            else:
                raise ct.CanteraError("cold")
        except ct.CanteraError:
            flame = new_flame(phi, T, p_atm, nitrous)
            try:
                flame.solve(loglevel=0, auto=True)
            except ct.CanteraError as exc:
                print(f"\nno flame at {phi, T, p_atm, nitrous}: {str(exc).splitlines()[-1]}", file=sys.stderr)
                flame = None
                continue
        rows.append((phi, T, p_atm, nitrous, f"{100 * flame.velocity[0]:.5g}", f"{flame.T[-1]:.2f}", use))
    return rows


def jobs() -> list[tuple]:
    grid = [(*point, NITROUS, "grid") for point in itertools.product(PHI, T_UNBURNED, PRESSURE)]
    draw = random.Random(1)
    out = []
    for _ in range(LEFT_OUT):
        point = (round(draw.uniform(0.7, 1.5), 3), round(draw.uniform(400, 950), 1), round(5 * 16 ** draw.random(), 2))
        out.append((*point, (0.0, round(draw.uniform(0.02, 0.55), 3)), "left out"))
    return grid + out


def main() -> None:
    ct.suppress_thermo_warnings()
    done = set()
    if FILE.exists():
        with FILE.open(newline="") as file:
            done = {tuple(float(row[k]) for k in HEAD[:4]) for row in csv.DictReader(file)}
    todo = [job for job in jobs() if any((*job[:3], x) not in done for x in job[3])]
    total, made, start = sum(len(j[3]) for j in todo), 0, time.monotonic()
    with FILE.open("a", newline="") as file, multiprocessing.Pool() as pool:
        out = csv.writer(file)
        if not done:
            out.writerow(HEAD)
        for rows in pool.imap_unordered(chain, todo):
            out.writerows(row for row in rows if tuple(float(v) for v in row[:4]) not in done)
            file.flush()
            made += len(rows)
            left = (time.monotonic() - start) / max(made, 1) * (total - made)
            bar = "#" * (40 * made // total)
            print(f"\r[{bar:<40}] {made}/{total} flames, {left / 60:.0f} min left", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)


if __name__ == "__main__":
    main()
