"""A log on one clock, in the units of the kernel."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

LONGEST_NAME = 60
"""Letters of a column's name that a sentence holds; of a longer one the begin and the end, which tells columns apart. A choice of our own, no source."""

LEAN_END = 1.3
"""Lambda from which a gauge may have its lean end, and that is read at least where it says that it is there and gives no number; a choice of our own, no source."""
END_READINGS = 5
"""Readings of one and the same largest lambda that make it the end of a gauge; a choice of our own, no source."""


def in_quotes(name: str) -> str:
    """Write the name of a column into a sentence."""
    return f"'{name}'" if len(name) <= LONGEST_NAME else f"'{name[: LONGEST_NAME - 16]}…{name[-15:]}'"


@dataclass(frozen=True, eq=False)
class Log:
    """What a log holds of the quantities in `channels.CHANNELS`.

    Attributes
    ----------
    name : str
        What to call it; plain text out of the file's name.
    time_s : array
        Uniform clock from 0 [s].
    data : dict of str to array
        By the key of a channel, on that clock; NaN in gaps and where the value made no sense. Without time_s.
    rate_hz : dict of str to float
        How often each was really sampled.
    notes : list of str
        What was mended or left out on the way, in sentences.
    spoilt : dict of str to array
        By the key of a channel: where something was measured that nobody could write or that makes no sense. Channels without such are not in it.
    beyond : dict of str to array
        Of ``lambda_`` and ``lambda_2``: where a gauge was beyond its lean end and gave no number; what stands there is that end, or what the log showed at most.
    lambdas : dict of str to array
        Every lambda sensor by the name of its column, on the clock, the first one first; empty where there is one alone. ``lambda_2`` is the leanest of all but the first.
    """

    name: str
    time_s: np.ndarray
    data: dict[str, np.ndarray]
    rate_hz: dict[str, float] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    spoilt: dict[str, np.ndarray] = field(default_factory=dict)
    beyond: dict[str, np.ndarray] = field(default_factory=dict)
    lambdas: dict[str, np.ndarray] = field(default_factory=dict)

    @property
    def step_s(self) -> float:
        """Step of the clock [s]."""
        return float(self.time_s[1] - self.time_s[0])

    def has(self, *keys: str) -> bool:
        """Whether every one of these channels is there with any value at all."""
        return all(key in self.data and np.isfinite(self.data[key]).any() for key in keys)

    @property
    def sensors(self) -> dict[str, np.ndarray]:
        """Every lambda sensor by its name, in quotes where the log names it; the first one first."""
        keys = [key for key in ("lambda_", "lambda_2") if self.has(key)]
        if len(keys) < 2 or not self.lambdas:
            named = {"lambda_": "the first sensor", "lambda_2": "the second sensor"}
            return {named[key]: self.data[key] for key in keys}
        first, second, *more = ((in_quotes(name), values) for name, values in self.lambdas.items())
        pair = {first[0]: self.data["lambda_"], second[0]: second[1] if more else self.data["lambda_2"]}
        return pair | dict(more)

    @property
    def past_end(self) -> np.ndarray:
        """Where any gauge was beyond its lean end and gave no number."""
        return np.any([np.zeros(len(self.time_s), bool), *self.beyond.values()], axis=0)

    @property
    def at_lean_end(self) -> np.ndarray:
        """Where any gauge was at or beyond its lean end: it gave no number, or again and again the largest that it gives at all."""
        out = self.past_end.copy()
        for key in ("lambda_", "lambda_2"):
            values = self.get(key)
            top = np.nanmax(values, initial=-np.inf)
            at_top = values >= top - 1e-6
            out |= at_top & (top >= LEAN_END and int(at_top.sum()) >= END_READINGS)
        return out

    def ends_between(self, begin_s: float, end_s: float) -> bool:
        """Whether a gauge was at or beyond its lean end between two times [s], or within a tenth of a second of them."""
        return bool(self.at_lean_end[(self.time_s >= begin_s - 0.1) & (self.time_s <= end_s + 0.1)].any())

    def get(self, key: str) -> np.ndarray:
        """Return a channel; all NaN where the log has none."""
        return self.data.get(key, np.full(len(self.time_s), np.nan))
