"""A small made-up log of one car: pulls, nitrous, shifts, loose wheels; no mixture in it."""

from dataclasses import dataclass, field

import numpy as np

from kernel_lib.logs.log import Log

LIMIT, IDLE = 6500.0, 850.0


@dataclass
class Ride:
    """One pull after some seconds of cruise: speeds, rise, nitrous from and to a speed, what goes wrong."""

    first: float = 2200.0
    last: float = 6100.0
    rise: float = 900.0
    spray: tuple[float, float] | None = None
    spray_s: float | None = None
    duty: float = 60.0
    shift_at: float | None = None
    ratio: float = 0.72
    spin_at: float | None = None
    cruise_s: float = 3.0
    follow: float = 0.0
    extra: dict = field(default_factory=dict)


def ride(r, step=0.01):
    """Return one ride, column by column."""
    n, t = round(r.cruise_s / step), []
    rpm, throttle, duty, timing = [np.full(n, 2200.0)], [np.full(n, 18.0)], [np.zeros(n)], [np.full(n, 32.0)]
    speed, now, on_since = [], r.first, None
    thr, dut, tim, spun, shifted = [], [], [], 0.0, False
    while now < r.last:
        full = 99.0
        angle = 28.0
        if r.shift_at and not shifted and now >= r.shift_at:
            shifted = True
            steps = round(0.3 / step)
            fall = np.linspace(now, now * r.ratio, steps)
            speed += fall.tolist()
            thr += [20.0] * steps
            tim += [5.0] * steps
            dut += [0.0] * steps
            now = now * r.ratio
        now += r.rise * step
        shown = now
        if r.spin_at and now >= r.spin_at and spun < 0.4:
            spun += step
            shown = now + 700 * np.sin(np.pi * spun / 0.4)
        on = bool(r.spray and r.spray[0] <= now <= r.spray[1])
        if on and on_since is None:
            on_since = len(speed)
        if on and r.spray_s and (len(speed) - on_since) * step > r.spray_s:
            on = False
        speed.append(shown)
        thr.append(full)
        tim.append(angle - 12 if on else angle)
        dut.append(r.duty if on else 0.0)
    after = round(2.0 / step)
    follow = round(r.follow / step)
    speed += np.linspace(now, 2200.0, after).tolist()
    thr += [8.0] * after
    tim += [10.0] * after
    dut += [dut[-1]] * follow + [0.0] * (after - follow)
    (
        rpm.append(np.array(speed)),
        throttle.append(np.array(thr)),
        duty.append(np.array(dut)),
        timing.append(np.array(tim)),
    )
    t = sum(len(p) for p in rpm)
    return {
        "rpm": np.concatenate(rpm),
        "throttle_percent": np.concatenate(throttle),
        "nitrous_duty_percent": np.concatenate(duty),
        "timing_deg_btdc": np.concatenate(timing),
        "manifold_kpa": np.where(np.concatenate(throttle) > 90, 97.8, 40.0),
        "lambda_": np.full(t, 0.875),
    } | {key: np.full(t, value, float) for key, value in r.extra.items()}


def log_of(*rides, step=0.01, noise=0.0, seed=0, drop=()):
    """Return a log of rides one after the other, with noise."""
    parts = [ride(r, step) for r in rides]
    data = {key: np.concatenate([p[key] for p in parts]) for key in parts[0] if key not in drop}
    rng, n = np.random.default_rng(seed), len(parts[0]["rpm"]) if len(parts) == 1 else sum(len(p["rpm"]) for p in parts)
    scale = {
        "rpm": 12.0,
        "throttle_percent": 0.6,
        "nitrous_duty_percent": 0.4,
        "timing_deg_btdc": 0.3,
        "manifold_kpa": 0.7,
    }
    for key, size in scale.items():
        if noise and key in data:
            data[key] = data[key] + noise * size * rng.standard_normal(n)
    return Log("small", np.arange(n) * step, data)


def pulses(log, hz=10.0):
    """Return the same log with the valve duty as raw on and off."""
    duty = log.data["nitrous_duty_percent"]
    raw = np.where((log.time_s * hz + 1e-6) % 1 < duty / 100 - 1e-3, 100.0, 0.0)
    return Log(log.name, log.time_s, {**log.data, "nitrous_duty_percent": raw}, log.rate_hz, log.notes)


def part(log, start, stop):
    """Return a piece of a log, on its own clock."""
    data = {key: values[start:stop] for key, values in log.data.items()}
    return Log(log.name, log.time_s[: stop - start], data, log.rate_hz, log.notes)


HEADS = {
    "time_s": ("Time (s)", 2),
    "rpm": ("RPM", 0),
    "throttle_percent": ("TPS (%)", 1),
    "lambda_": ("Lambda", 3),
    "timing_deg_btdc": ("Timing (deg)", 1),
    "nitrous_duty_percent": ("N2O Duty (%)", 1),
    "bottle_kpa": ("Bottle (kPa)", 0),
    "fuel_kpa": ("Fuel (kPa)", 1),
    "injector_ms": ("Inj PW (ms)", 2),
    "manifold_kpa": ("MAP (kPa)", 1),
}
"""Names of columns and decimals under which a test writes a log, by channel."""
