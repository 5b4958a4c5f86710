"""Reading a log against plain pandas, both timed in the same run on the same machine, turn by turn.

Thirty minutes at 100 Hz of 40 channels (7.2 million values), in five ways of writing. The baseline is told by hand what the reader
has to find out: delimiter, decimal mark, and which line to leave out. Memory is that of a process which imports the kernel and reads.

Run: ``python -m pytest tests/bench/test_log_bench.py --benchmark-only -s`` (a minute; not part of the default tests).
"""

import subprocess
import sys
from time import perf_counter

import numpy as np
import pandas as pd
import pytest

from kernel_lib.logs.read import read_log

ROWS, COLUMNS, ROUNDS = 180_000, 40, 9
RATIO, GIGABYTES = 2.0, 1.5
FORMS = ("%.0f", "%.1f", "%.3f", "%.2f", "%d")
CHILD = """
import sys
import kernel_lib
from kernel_lib.logs.read import read_log

def most():
    with open("/proc/self/status") as file:
        return next(line.split()[1] for line in file if line.startswith("VmHWM"))

before = most()
log = read_log(sys.argv[1])
print(before, most())
"""
"""The system's own count of a process begins with what its parent had; this one does not."""


def _rows(by, forms):
    rng = np.random.default_rng(7)
    columns = [np.char.mod("%.2f", np.arange(ROWS) / 100)]
    for k in range(1, COLUMNS):
        form = forms[k % len(forms)]
        values = 3000 + 2000 * np.sin(np.arange(ROWS) / 900) if form == "%.0f" else rng.normal(80, 15, ROWS)
        columns.append(np.char.mod(form, np.abs(values)))
    return "\n".join(by.join(row) for row in zip(*(c.tolist() for c in columns), strict=True)) + "\n"


@pytest.fixture(scope="module", params=["plain", "decimal comma", "units row", "three decimals", "Windows line ends"])
def log_file(request, tmp_path_factory):
    """The file, and what plain pandas must be told of it."""
    by = ";" if request.param == "decimal comma" else ","
    names = by.join(f"channel {k}" for k in range(COLUMNS))
    text = _rows(by, ["%.3f"] if request.param == "three decimals" else FORMS)
    path, told = tmp_path_factory.mktemp("log") / "log.csv", {}
    if request.param == "decimal comma":
        text, told = text.replace(".", ","), {"sep": ";", "decimal": ","}
    if request.param == "units row":
        names, told = f"{names}\n{by.join(['kPa'] * COLUMNS)}", {"skiprows": [1]}
    path.write_text(f"{names}\n{text}", newline="\r\n" if request.param == "Windows line ends" else "\n")
    return request.param, path, told


def test_a_long_log_is_read_at_most_in_twice_the_time_of_pandas(benchmark, log_file):
    kind, path, told = log_file
    wanted = pd.read_csv(path, **told)
    log = read_log(path)
    assert log.rows == ROWS
    for name, column in zip(log.names, log.columns, strict=True):
        np.testing.assert_array_equal(column, wanted[name].to_numpy(float))
    plain = []

    def plain_first():
        began = perf_counter()
        pd.read_csv(path, **told)
        plain.append(perf_counter() - began)

    benchmark.pedantic(read_log, args=(path,), setup=plain_first, rounds=ROUNDS)
    seconds, plain_seconds = benchmark.stats.stats.median, float(np.median(plain))
    done = subprocess.run([sys.executable, "-c", CHILD, str(path)], capture_output=True, text=True, check=True)
    before, peak = (int(word) for word in done.stdout.split())
    ratio = seconds / plain_seconds
    benchmark.extra_info.update(ratio=ratio, plain_seconds=plain_seconds, peak_gb=peak / 2**20)
    print(
        f"{kind}: {seconds:.2f} s, plain {plain_seconds:.2f} s: {ratio:.2f} times as long; "
        f"peak {peak / 2**20:.2f} GB, {before / 2**20:.2f} GB before reading"
    )
    assert ratio <= RATIO
    assert peak / 2**20 <= GIGABYTES
