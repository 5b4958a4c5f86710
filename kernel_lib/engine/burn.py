"""How the charge burns over crank angle: a Wiebe function that ends exactly at one."""

from __future__ import annotations

import numpy as np

SHAPE_A, SHAPE_M = 5.0, 2.0
"""Constants a and m of the Wiebe function [Heywood eq. 9.27]."""

_END = 1.0 - np.exp(-SHAPE_A)


def burned_share(y) -> np.ndarray:
    """Share of the charge that has burned.

    Parameters
    ----------
    y : float or array
        Crank angle since the burn began over its whole duration.

    Returns
    -------
    array
        0 before the burn, 1 after.

    Notes
    -----
    x = (1 - exp(-a y^(m+1))) / (1 - exp(-a)) [Heywood eq. 9.27], divided by its end so that nothing is left over.
    """
    y = np.clip(np.asarray(y, float), 0.0, 1.0)
    return (1.0 - np.exp(-SHAPE_A * y ** (SHAPE_M + 1))) / _END


def when_burned(share) -> np.ndarray:
    """Inverse of `burned_share`: the y at which a share, 0 to 1, has burned."""
    share = np.asarray(share, float)
    return (-np.log1p(-share * _END) / SHAPE_A) ** (1 / (SHAPE_M + 1))


Y10, Y50, Y90 = (float(when_burned(x)) for x in (0.1, 0.5, 0.9))
RAPID = Y90 - Y10
"""The 10-90 % burn duration over the whole duration."""
