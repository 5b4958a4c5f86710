"""Long logs with one short pull, readings that are not there, and files whose name says something else: none may change a verdict."""

from dataclasses import replace

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.logs.read import read_log
from kernel_lib.logs.review import review
from kernel_lib.logs.simulate import SCENARIOS, simulate
from kernel_lib.plan.tune import tune_of

SHEET = BuildSheet.demo("wren_five")
CRUISE = 150_000
"""Samples of cruise before the pull, 25 minutes."""


@pytest.fixture(scope="module")
def log():
    return simulate(SCENARIOS["clean"], 3).log


def behind_a_cruise(log):
    """The same pull after a long and quiet drive at a throttle that is nearly shut."""
    data = {key: np.concatenate([np.resize(values[:100], CRUISE), values]) for key, values in log.data.items()}
    time_s = np.arange(CRUISE + len(log.time_s)) * log.step_s
    return replace(log, time_s=time_s, data=data)


def reviewed(log):
    return review(log, SHEET, tune=tune_of(SHEET))


def titles(found):
    return [f.title for f in found.findings if f.asks != "go"]


@pytest.mark.parametrize("scenario", ["clean", "base"])
def test_a_long_cruise_does_not_hide_the_pull(scenario):
    long = behind_a_cruise(simulate(SCENARIOS[scenario], 3).log)
    lambda_ = long.get("lambda_").copy()
    lambda_[:CRUISE] = 0.855 + 0.005 * np.sin(np.arange(CRUISE))  # a rich and even cruise, near the pull's own mixture
    found = reviewed(replace(long, data=long.data | {"lambda_": lambda_}))
    assert found.verdict == "go"
    assert not [t for t in titles(found) if "hrottle" in t or "lambda reading moves" in t]


def test_a_dead_reading_is_seen_in_a_long_log(log):
    still = replace(log, data=log.data | {"lambda_": 0.86 + 0.002 * np.sin(np.arange(len(log.time_s)))})
    assert any("lambda reading" in t for t in titles(reviewed(behind_a_cruise(still))))


def test_no_guard_is_judged_on_blanks(log):
    began = int(np.argmax(np.nan_to_num(log.get("nitrous_duty_percent")) > 4))
    lambda_ = log.get("lambda_").copy()
    lambda_[began : began + 3], lambda_[began + 3 :] = 0.99, np.nan
    found = reviewed(replace(log, data=log.data | {"lambda_": lambda_}))
    assert found.verdict != "go"
    assert not [t for t in titles(found) if "ean stop" in t and "did not" in t]


def test_a_retard_short_for_a_moment_is_not_called_kept():
    late = simulate(SCENARIOS["no_retard"], 3).log
    began = int(np.argmax(np.nan_to_num(late.get("nitrous_duty_percent")) > 4))
    part = slice(0, began + 24)
    cut = replace(late, time_s=late.time_s[part], data={k: v[part] for k, v in late.data.items()})
    found = reviewed(cut)
    assert found.verdict != "go"
    assert not [f.title for f in found.findings if f.title.startswith("Retard as planned")]


@pytest.mark.parametrize("ending", [".zip", ".xz", ".gz", ".tar", ".zst"])
def test_a_plain_file_is_read_whatever_its_name_ends_in(ending, tmp_path):
    rows = 120_000
    body = "\n".join(
        f"{k / 100:.2f},{3000 + k % 700},{0.85 + k % 9 / 100:.3f},{k % 100:.1f},{k % 37:.4f},{k % 41:.4f},{k % 43:.4f}"
        for k in range(rows)
    )
    path = tmp_path / f"log.csv{ending}"
    path.write_text("Time (s),RPM,Lambda,TPS (%),a,b,c\n" + body)
    assert path.stat().st_size > 5 * 1024**2
    assert read_log(path).rows == rows
