"""Run by `mdf.py` in a process of its own: an MDF file comes in on standard input, its channels of numbers go out on standard output.

A damaged file can bring the compiled part of asammdf down, or hold it for ever; so it does not run where the kernel runs. Out goes
one line of JSON, then the values of the clocks and channels it names, as doubles.
"""

from __future__ import annotations

import io
import json
import os
import sys
from typing import Any

import numpy as np

MEMORY = 3 * 1024**3
"""Address space it may take over what it has taken at its start, where the system can hold it to that."""


def channels(file: Any, most: int) -> tuple[dict, list[np.ndarray]]:
    """Return what there is, and the arrays.

    Parameters
    ----------
    file : asammdf.MDF
    most : int
        Values; of more nothing is read.
    """
    told: dict = {"clocks": [], "channels": [], "words": [], "broken": [], "too many": False}
    clocks: list[np.ndarray] = []
    found: list[np.ndarray] = []
    if sum(int(g.channel_group.cycles_nr) * len(g.channels) for g in file.groups) > most:
        told["too many"] = True
        return told, []
    masters = dict(file.masters_db)
    for g, group in enumerate(file.groups):
        clock = None
        for k, channel in enumerate(group.channels):
            if masters.get(g) == k or int(group.channel_group.cycles_nr) == 0:
                continue
            label = str(channel.name)
            try:
                signal = file.get(group=g, index=k, raw=True, ignore_invalidation_bits=True)
                signal = signal.physical(ignore_value2text_conversions=True)
                time, values = np.asarray(signal.timestamps, float), np.asarray(signal.samples)
            except Exception:  # whatever a damaged file does inside a foreign package
                told["broken"].append(label)
                continue
            if values.ndim != 1 or values.dtype.kind not in "biuf" or len(values) != len(time):
                told["words"].append(label)
                continue
            values = values.astype(float)
            lost = signal.invalidation_bits
            if lost is not None and len(lost) == len(values):
                values[np.asarray(lost, bool)] = np.nan
            if clock is None or len(time) != told["clocks"][clock]:
                clock = len(told["clocks"])
                told["clocks"].append(len(time))
                clocks.append(time)
            told["channels"].append([label, str(signal.unit or ""), clock])
            found.append(values)
    return told, clocks + found


def _hold_memory() -> None:
    try:
        import resource

        with open("/proc/self/statm", encoding="ascii") as file:
            taken = int(file.read().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (taken + MEMORY, taken + MEMORY))
    except (ImportError, OSError, ValueError):
        return  # no such limit on this system


def main() -> int:
    """Read, write, and return 0; asammdf's own words go nowhere."""
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    from asammdf import MDF

    _hold_memory()
    told, arrays = channels(MDF(io.BytesIO(sys.stdin.buffer.read())), int(sys.argv[1]))
    out.write(json.dumps(told).encode() + b"\n")
    for array in arrays:
        out.write(array.astype("<f8").tobytes())
    out.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
