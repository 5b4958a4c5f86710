"""Pulses: closed form against a fine march in time, mass kept, ends and limits, and what goes back and forth."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernel_lib import BuildSheet, InputError
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.plan import delivery as dv
from kernel_lib.plan import fuel as pf
from kernel_lib.plan.fuel_system import open_share
from kernel_lib.plan.plan import full_flow

WREN, BADGER = BuildSheet.demo("wren_five"), BuildSheet.demo("badger_eight")
SETUP = Setup.of(WREN)
PORT = WREN.replace({"nitrous.delivery": "port"})
taus, rates, parts, speeds = (
    st.floats(0.005, 1.0),
    st.floats(2.0, 50.0),
    st.floats(0.02, 0.98),
    st.floats(1500.0, 8000.0),
)


# The valve.


def test_valve_by_hand():
    """Closes in 10 ms, opens in 15: at 10 Hz half the flow takes 55 % valve duty."""
    v = dv.valve(WREN)
    assert (v.open_s, v.close_s, v.pulse_hz) == (0.015, 0.010, 10.0)
    assert dv.duty_of_share(v, [0.0, 0.5, 1.0]) == pytest.approx([0.0, 0.55, 1.0])
    assert dv.deliverable(v) == pytest.approx((0.10, 0.85))


@given(hz=st.floats(2.0, 30.0), place=st.floats(0.0, 1.0))
def test_valve_there_and_back(hz, place):
    v = dv.valve(WREN, hz)
    low, high = dv.deliverable(v)
    share = low + place * (high - low)
    duty = dv.duty_of_share(v, share)
    assert dv.share_of_duty(v, duty) == pytest.approx(share, abs=1e-12)
    assert open_share(duty, 5.0, hz) == pytest.approx(share, abs=1e-12)


@given(share=st.floats(0.0, 1.0))
def test_band_of_a_share(share):
    low, high = dv.share_band(WREN, share)
    assert 0 <= low <= share <= high <= 1
    if 0.05 < share < 0.95:
        assert (low, high) == pytest.approx((share - 0.05, share + 0.05))


def test_no_band_open_or_shut():
    assert np.array_equal(dv.share_band(WREN, [0.0, 1.0]), [[0.0, 1.0], [0.0, 1.0]])


@pytest.mark.parametrize("share", [0.05, 0.9])
def test_share_beyond_the_valve(share):
    with pytest.raises(InputError, match=r"allowed: 0, 0.1 to 0.85, or 1"):
        dv.duty_of_share(dv.valve(WREN), [0.5, share])


@pytest.mark.parametrize("duty", [0.1, 0.95])
def test_duty_beyond_the_valve(duty):
    with pytest.raises(InputError, match=r"allowed: 0, 0.15 to 0.9, or 1"):
        dv.share_of_duty(dv.valve(WREN), duty)


def test_valve_without_room_for_a_pulse():
    with pytest.raises(InputError, match=r"pulse_hz is 50 Hz; allowed: up to 40 Hz"):
        dv.deliverable(dv.valve(WREN, 50.0))


def test_valve_that_opens_too_early():
    with pytest.raises(InputError, match="before it is told to"):
        dv.valve(WREN.replace({"nitrous.nitrous_valve_lag_ms": -15.0}))


# The manifold.


def test_mixing_time_by_hand():
    """Without nitrous the engine draws VE x displacement every second turn, whatever the density."""
    drawn = 0.94 * WREN.displacement_l * 4500 / 120
    assert dv.mixing_time(SETUP, 4500.0, 6.2e-3) == pytest.approx(6.2 / drawn, rel=1e-6)
    assert dv.mixing(PORT, SETUP, [2500.0, 4500.0]) == pytest.approx([0.0, 0.0])


def test_mixing_time_goes_with_volume_and_speed():
    tau = dv.mixing_time(SETUP, [2000.0, 4000.0], 6.2e-3)
    assert tau[0] / tau[1] == pytest.approx(2 * 0.94 / 0.82)
    assert dv.mixing_time(SETUP, 2000.0, 12.4e-3) == pytest.approx(2 * tau[0])


@given(tau=taus, hz=rates, share=parts)
@settings(deadline=None, max_examples=30)
def test_closed_form_solves_the_equation(tau, hz, share):
    """tau dc/dt = u - c on both branches, and the content joins up."""
    phase = np.concatenate([np.linspace(0.1, 0.9, 9) * share, share + np.linspace(0.1, 0.9, 9) * (1 - share)])
    step = 1e-4 * min(share, 1 - share)
    slope = (
        (dv.pulse_train(tau, hz, share, phase + step) - dv.pulse_train(tau, hz, share, phase - step)) / (2 * step) * hz
    )
    u = (phase < share).astype(float)
    assert tau * slope == pytest.approx(u - dv.pulse_train(tau, hz, share, phase), abs=1e-6)
    for joint in (0.0, share):
        gap = dv.pulse_train(tau, hz, share, joint + 1e-12) - dv.pulse_train(tau, hz, share, joint - 1e-12)
        assert abs(gap) < 1e-6


@pytest.mark.parametrize(("tau", "hz", "share"), [(0.05, 10.0, 0.5), (0.11, 5.0, 0.2), (0.04, 30.0, 0.8)])
def test_against_a_march_in_time(tau, hz, share):
    """Explicit steps from an empty manifold until it repeats, within 0.1 %."""
    n = 20000
    u, c, step = np.arange(n) < share * n, 0.0, 1 / (hz * tau * n)
    for _ in range(int(10 * tau * hz) + 2):
        course = []
        for now in u:
            course.append(c)
            c += step * (now - c)
    phase = np.arange(n) / n
    closed = dv.pulse_train(tau, hz, share, phase)
    assert np.array(course) == pytest.approx(closed, rel=1e-3)
    assert np.mean(course) == pytest.approx(share, rel=1e-3)
    width = 30 * hz / 4500
    two = np.concatenate([course, course])
    drawn = [two[k : k + round(width * n)].mean() for k in range(0, n, 50)]
    assert max(drawn) == pytest.approx(float(dv.peak_share(tau, hz, share, 4500.0)), rel=1e-3)
    assert min(drawn) == pytest.approx(float(dv.trough_share(tau, hz, share, 4500.0)), rel=1e-3)


@given(tau=st.floats(0.0, 1e3), hz=rates, share=st.floats(0.0, 1.0), begin=st.floats(-3.0, 3.0))
def test_nitrous_is_conserved(tau, hz, share, begin):
    """Over a whole pulse as much goes in as was sprayed, wherever it begins."""
    through = dv.sprayed(tau, hz, share, begin + 1.0) - dv.sprayed(tau, hz, share, begin)
    assert through == pytest.approx(share, abs=1e-9)


@given(tau=st.floats(0.0, 1.0), hz=rates, share=parts, rpm=speeds)
@settings(deadline=None, max_examples=60)
def test_no_phase_beats_the_peak(tau, hz, share, rpm):
    drawn = dv.cycle_share(tau, hz, share, rpm, np.linspace(0.0, 1.0, 301))
    peak, trough = dv.peak_share(tau, hz, share, rpm), dv.trough_share(tau, hz, share, rpm)
    assert drawn.max() <= peak + 1e-9
    assert drawn.min() >= trough - 1e-9
    assert trough - 1e-9 <= share <= peak + 1e-9
    assert drawn.max() == pytest.approx(peak, abs=0.02)


@given(tau=taus, hz=rates, share=parts, rpm=speeds)
@settings(deadline=None, max_examples=60)
def test_mean_for_peak_goes_back(tau, hz, share, rpm):
    peak = dv.peak_share(tau, hz, share, rpm)
    mean = dv.mean_for_peak(tau, hz, peak, rpm)
    assert dv.peak_share(tau, hz, mean, rpm) == pytest.approx(peak, abs=1e-9)
    if peak < 0.99:  # nearer to 1 many a share has all but the same peak
        assert mean == pytest.approx(share, abs=1e-6)


@given(tau=taus, hz=rates, share=st.floats(0.02, 0.9), rpm=speeds)
@settings(deadline=None, max_examples=60)
def test_which_way_the_peak_goes(tau, hz, share, rpm):
    """Up with the share, down with mixing."""
    peak = dv.peak_share(tau, hz, share, rpm)
    assert dv.peak_share(tau, hz, share + 0.05, rpm) > peak or peak > 1 - 1e-9
    assert dv.peak_share(2 * tau, hz, share, rpm) <= peak + 1e-12


def test_ends_have_no_pulses():
    for tau in (0.0, 0.05, 1e4):
        ends = np.array([0.0, 1.0])
        assert dv.peak_share(tau, 10.0, ends, 4500.0) == pytest.approx(ends, abs=1e-12)
        assert dv.trough_share(tau, 10.0, ends, 4500.0) == pytest.approx(ends, abs=1e-12)
        assert np.array_equal(dv.mean_for_peak(tau, 10.0, ends, 4500.0), ends)


def test_limits_of_mixing():
    """A port is a plenum of no volume; an endless plenum has no pulses."""
    port = dv.peak_share(0.0, 10.0, 0.5, 4500.0)
    assert port == pytest.approx(1.0)
    assert dv.peak_share(1e-7, 10.0, 0.5, 4500.0) == pytest.approx(port, abs=1e-5)
    assert dv.peak_share(1e5, 10.0, 0.5, 4500.0) == pytest.approx(0.5, abs=1e-6)
    # Pulses shorter than the drawing quarter: what fits into it.
    assert dv.peak_share(0.0, 10.0, 0.02, 3000.0) == pytest.approx(0.02 / 0.1)


# Lambda.


def test_ripple_by_hand():
    """Dry, speed-density: the fuel stays, so lambda goes with the oxygen atoms."""
    rpm, full = np.array([2500.0, 4500.0]), full_flow(WREN)
    ripple = dv.lambda_ripple(WREN, SETUP, rpm, 0.5, 10.0)
    atoms = [fresh_charge(SETUP, rpm, s * full).oxygen_atoms for s in (ripple.trough, 0.5, ripple.peak)]
    assert ripple.leanest == pytest.approx(0.864 * atoms[2] / atoms[1])
    assert ripple.richest == pytest.approx(0.864 * atoms[0] / atoms[1])


@pytest.mark.parametrize("sheet", [WREN, BADGER], ids=["dry", "wet"])
def test_no_ripple_open_or_mixed(sheet):
    setup, rpm = Setup.of(sheet), np.array([3000.0, 5000.0])
    for share in (0.0, 1.0):
        still = dv.lambda_ripple(sheet, setup, rpm, share, 10.0)
        assert still.leanest == pytest.approx(still.richest, abs=1e-9)
    swing = [
        np.ptp([r.leanest, r.richest], axis=0)
        for r in (dv.lambda_ripple(sheet, setup, rpm, 0.5, hz) for hz in (5, 10, 20, 40))
    ]
    assert (np.diff(swing, axis=0) < 0).all()


def test_wet_fuel_pulses_along():
    """With the jet's fuel in step the cycles differ less than if it stayed."""
    setup, rpm, full = Setup.of(BADGER), np.array([4000.0]), full_flow(BADGER)
    ripple = dv.lambda_ripple(BADGER, setup, rpm, 0.5, 10.0)
    stays = pf.lambda_at_flow(BADGER, setup, rpm, 0.5 * full, ripple.peak * full)
    assert abs(ripple.leanest - 0.85) < abs(stays - 0.85)


# Standing spread.


def direct_spread(tau, hz, share, rpm, cylinders, window_s):
    """One cylinder after the other, cycle after cycle, over many begins of the pulses."""
    cycles = max(1, round(window_s * rpm / 120))
    turn = hz * 120 / rpm
    begin = np.arange(400)[:, None, None] / 400
    phase = begin + np.arange(cylinders)[:, None] * turn / cylinders + np.arange(cycles) * turn
    means = dv.cycle_share(tau, hz, share, rpm, phase).mean(axis=2)
    return float((means - means.mean(axis=1, keepdims=True)).max()) / share


@pytest.mark.parametrize(
    ("tau", "hz", "share", "rpm"),
    [
        (0.05, 30.0, 0.5, 3600.0),
        (0.05, 29.0, 0.5, 3600.0),
        (0.03, 10.0, 0.3, 6000.0),
        (0.1, 41.7, 0.7, 2500.0),
        (0.05, 15.0, 0.4, 3600.0),
    ],
)
def test_spread_cycle_by_cycle(tau, hz, share, rpm):
    spread = float(dv.standing_spread(tau, hz, share, rpm, 5))
    assert spread == pytest.approx(direct_spread(tau, hz, share, rpm, 5, 0.5), rel=0.02, abs=2e-4)


def test_spread_where_pulse_meets_cycle():
    """At the cycle rate it never averages out; at the firing rate all cylinders meet the same."""
    at_rate = dv.standing_spread(0.05, 30.0, 0.5, 3600.0, 5)
    assert dv.standing_spread(0.05, 30.0, 0.5, 3600.0, 5, 5.0) == pytest.approx(at_rate, rel=1e-9)
    assert dv.standing_spread(0.05, 29.0, 0.5, 3600.0, 5, 5.0) < 0.1 * at_rate
    assert dv.standing_spread(0.05, 30.0, 0.5, 3600.0, 1) == pytest.approx(0.0, abs=1e-12)
    assert dv.standing_spread(0.01, 150.0, 0.5, 3600.0, 5) == pytest.approx(0.0, abs=1e-9)
    assert dv.standing_spread(0.05, 30.0, [0.0, 1.0], 3600.0, 5) == pytest.approx([0.0, 0.0])


def test_beats():
    assert dv.beat_frequencies(3600.0, 5) == pytest.approx([15.0, 30.0, 45.0])
    assert 150.0 not in dv.beat_frequencies(3600.0, 5, 200.0)
    rpm = 4200.0
    bad = dv.beat_frequencies(rpm, 5, 40.0)[1]
    assert dv.standing_spread(0.05, bad, 0.5, rpm, 5) > 5 * dv.standing_spread(0.05, bad + 3.0, 0.5, rpm, 5)


@pytest.mark.parametrize(
    "call",
    [
        lambda: dv.peak_share(-0.1, 10.0, 0.5, 4500.0),
        lambda: dv.peak_share(0.1, 0.0, 0.5, 4500.0),
        lambda: dv.peak_share(0.1, 10.0, 1.2, 4500.0),
        lambda: dv.peak_share(0.1, 10.0, 0.5, 0.0),
        lambda: dv.mean_for_peak(0.1, 10.0, -0.2, 4500.0),
        lambda: dv.pulse_train(0.1, 10.0, np.nan, 0.0),
        lambda: dv.standing_spread(0.1, 10.0, 0.5, 4500.0, 0),
        lambda: dv.share_band(WREN, 2.0),
        lambda: dv.mixing_time(SETUP, 4500.0, 1.0),
        lambda: dv.beat_frequencies(0.0, 5),
    ],
)
def test_bad_input_is_refused(call):
    with pytest.raises(InputError):
        call()
