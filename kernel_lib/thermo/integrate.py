"""Integration over time up to an event: Dormand & Prince 5(4) on plain floats.

Ours, because the bottle changes its regime in the middle: scipy's solve_ivp takes four times as long for so small a system, and its
search for an event sometimes does not come to an end.
"""

from __future__ import annotations

from collections.abc import Callable

_TOLERANCE = 1e-6  # of each variable
State = list[float]


def integrate(
    change: Callable[[State], State],
    t: float,
    y: State,
    end: float,
    events: Callable[[State], tuple[float, ...]],
    *,
    most_step: float,
) -> tuple[int | None, list[tuple[float, ...]]]:
    """Integrate dy/dt = change(y) until `end` or until an event.

    Parameters
    ----------
    change : callable
        State -> its slope.
    t, y
        Where it begins.
    end : float
    events : callable
        State -> numbers of which each is positive until its event.
    most_step : float

    Returns
    -------
    tuple
        Index of the event that came first, or None; and (t, *y) after every step, the last of them at the end or at the event.

    Notes
    -----
    [Dormand & Prince 1980] with local extrapolation; an event is found by shortening the step that passed it.
    """
    rows, h, slope, at = [], min(most_step, 0.1, end - t), change(y), events(y)
    while end - t > 1e-12 * end:
        h = min(h, end - t, most_step)
        new, new_slope, error = _step(change, y, slope, h)
        if error > 1.0:
            h *= max(0.2, 0.9 * error**-0.2)
            continue
        values = events(new)
        hit = [k for k, value in enumerate(values) if value <= 0 and at[k] > 0]
        if hit:
            k, h, new = _shorten(change, events, y, slope, h, hit, at, values)
            return k, [*rows, (t + h, *new)]
        t, y, slope, at = t + h, new, new_slope, values
        rows.append((t, *y))
        h *= min(5.0, 0.9 * max(error, 1e-6) ** -0.2)
    return None, rows


def _step(f, y: State, k1: State, h: float) -> tuple[State, State, float]:
    """One step: the new state, its slope, and the error over what is allowed."""
    k2 = f([v + h * a / 5 for v, a in zip(y, k1, strict=True)])
    k3 = f([v + h * (3 * a + 9 * b) / 40 for v, a, b in zip(y, k1, k2, strict=True)])
    k4 = f([v + h * (44 / 45 * a - 56 / 15 * b + 32 / 9 * c) for v, a, b, c in zip(y, k1, k2, k3, strict=True)])
    k5 = f(
        [
            v + h * (19372 / 6561 * a - 25360 / 2187 * b + 64448 / 6561 * c - 212 / 729 * d)
            for v, a, b, c, d in zip(y, k1, k2, k3, k4, strict=True)
        ]
    )
    k6 = f(
        [
            v + h * (9017 / 3168 * a - 355 / 33 * b + 46732 / 5247 * c + 49 / 176 * d - 5103 / 18656 * e)
            for v, a, b, c, d, e in zip(y, k1, k2, k3, k4, k5, strict=True)
        ]
    )
    new = [
        v + h * (35 / 384 * a + 500 / 1113 * c + 125 / 192 * d - 2187 / 6784 * e + 11 / 84 * g)
        for v, a, c, d, e, g in zip(y, k1, k3, k4, k5, k6, strict=True)
    ]
    k7 = f(new)
    misses = (
        h * (71 / 57600 * a - 71 / 16695 * c + 71 / 1920 * d - 17253 / 339200 * e + 22 / 525 * g - i / 40)
        for a, c, d, e, g, i in zip(k1, k3, k4, k5, k6, k7, strict=True)
    )
    return new, k7, max(abs(m) / (_TOLERANCE * (abs(v) + 1.0)) for m, v in zip(misses, new, strict=True))


def _shorten(change, events, y, slope, h, hit, at, values) -> tuple[int, float, State]:
    """The event that comes first within a step, and the step that ends just beyond it (regula falsi, Illinois)."""
    first = None
    for k in hit:
        a, b, low, high = 0.0, h, at[k], values[k]
        new = None
        for _ in range(60):
            c = b - high * (b - a) / (high - low)
            if not a < c < b:
                c = 0.5 * (a + b)
            new, _, _ = _step(change, y, slope, c)
            value = events(new)[k]
            if value > 0:
                a, low, high = c, value, 0.5 * high
            else:
                b, high, low = c, value, 0.5 * low
            if b - a <= 1e-9 * h or abs(value) < 1e-12 * abs(at[k]):
                break
        if first is None or b < first[1]:
            first = (k, b)
    k, b = first
    return k, b, _step(change, y, slope, b)[0]
