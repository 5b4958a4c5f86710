"""Make the demo logs in this folder, and truth.toml with what is true behind them.

Run ``python data/logs/make_logs.py`` (some seconds). Nothing here is measured: every log comes from the forward simulation in kernel_lib.logs.simulate,
which drives the invented car wren_five as its own tune sheet says, with a truth drawn from the seeds below and at most one fault a log. All logs are of one
car (CAR: its nozzle, injectors, air, sensor), each on a day of its own (its seed: bottle, wheel spin, noise). The dialects (delimiter, decimal sign,
units, rates, names) are those of `kernel_lib.logs.sim_write.STYLES`, invented, each log in another. truth.toml is for tests and for whoever wants to know:
the review is never shown it.

    wren_clean              the whole planned dose, nothing wrong
    wren_half_step          the first step of the ladder, half the dose, nothing wrong
    wren_three_quarter_step the second step, nothing wrong
    wren_late_fuel          added fuel commanded 370 ms after the valve, so that it arrives about 250 ms after the nitrous; no lean stop
    wren_cold_bottle        bottle at 16 degrees instead of 32
    wren_injector_limit     rail pressure sags with the flow, the controller answers with longer openings until the injectors stay open; no lean stop
    wren_shift              a gear change inside the spray: throttle lifted for 0.25 s, the valve stays commanded
    wren_false_start        0.35 s of spray, then lifted
    wren_base               no nitrous, the whole range
"""

import sys
from dataclasses import fields, replace
from pathlib import Path

from kernel_lib.logs.sim_write import text_of
from kernel_lib.logs.simulate import SCENARIOS, Simulated, simulate

FOLDER = Path(__file__).parent
CAR = 4
LOGS = {
    "wren_clean": ("clean", 11, "plain"),
    "wren_half_step": ("clean_half", 12, "semicolon"),
    "wren_three_quarter_step": ("clean_three_quarters", 13, "tab"),
    "wren_late_fuel": ("late_fuel", 14, "us row"),
    "wren_cold_bottle": ("cold_bottle", 15, "us names"),
    "wren_injector_limit": ("injector_limit", 16, "slow blank"),
    "wren_shift": ("shift", 17, "semicolon slow"),
    "wren_false_start": ("false_start", 18, "tab afr"),
    "wren_base": ("base", 19, "preamble"),
}
"""File -> scenario, seed of the day, dialect."""
LONGER = {"cruise_s": 2.5, "tail_s": 2.5}


def make(name: str) -> Simulated:
    """Simulate one of the logs."""
    scenario, seed, _ = LOGS[name]
    return simulate(replace(SCENARIOS[scenario], **LONGER), seed, car=CAR)


def log_text(name: str, simulated: Simulated) -> str:
    """Return a log as it stands in its file."""
    return text_of(simulated.log, LOGS[name][2])


def truth_text(name: str, simulated: Simulated) -> str:
    """Return the truth behind a log as a table of TOML."""
    scenario, seed, style = LOGS[name]
    truth = simulated.truth
    lines = [f"[{name}]", f'scenario = "{scenario}"', f"seed = {seed}", f"car = {CAR}", f'dialect = "{style}"']
    for field in fields(truth):
        if field.name != "events":
            lines.append(f"{field.name} = {float(getattr(truth, field.name)):.6g}")
    events = ", ".join(f'"{key}" = {value:.3f}' for key, value in truth.events.items())
    return "\n".join([*lines, f"events_s = {{ {events} }}", ""])


def main() -> None:
    parts = [
        "# What is true behind the simulated demo logs; made by make_logs.py, names and units in kernel_lib/logs/sim_scenario.py (Truth).",
        "",
    ]
    for k, name in enumerate(LOGS, 1):
        simulated = make(name)
        (FOLDER / f"{name}.csv").write_text(log_text(name, simulated), encoding="utf-8", newline="\n")
        parts.append(truth_text(name, simulated))
        print(f"\r{k}/{len(LOGS)} {name:<30}", end="", file=sys.stderr, flush=True)
    (FOLDER / "truth.toml").write_text("\n".join(parts), encoding="utf-8", newline="\n")
    print(file=sys.stderr)


if __name__ == "__main__":
    main()
