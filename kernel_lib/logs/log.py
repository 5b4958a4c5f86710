"""A log on one clock, in the units of the kernel."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


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
    """

    name: str
    time_s: np.ndarray
    data: dict[str, np.ndarray]
    rate_hz: dict[str, float] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    spoilt: dict[str, np.ndarray] = field(default_factory=dict)

    @property
    def step_s(self) -> float:
        """Step of the clock [s]."""
        return float(self.time_s[1] - self.time_s[0])

    def has(self, *keys: str) -> bool:
        """Whether every one of these channels is there with any value at all."""
        return all(key in self.data and np.isfinite(self.data[key]).any() for key in keys)

    def get(self, key: str) -> np.ndarray:
        """Return a channel; all NaN where the log has none."""
        return self.data.get(key, np.full(len(self.time_s), np.nan))
