"""The lag of a reading: forward by its law, back out within the stated error, and found in a log."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from kernel_lib import BuildSheet, InputError
from kernel_lib.engine.setup import Setup
from kernel_lib.logs.delay import estimate
from kernel_lib.logs.sensor import Delay, dead_s, lagged, lagged_rows, transport_s, undelayed
from kernel_lib.plan.stopping import _transport

TIME = np.arange(0.0, 6.0, 0.01)


def test_step_has_63_percent_after_dead_time_and_time_constant():
    time = np.arange(0.0, 2.0, 0.001)
    read = lagged(time, np.where(time >= 0.5, 2.0, 1.0), 0.03, 0.08)
    assert np.interp(0.5 + 0.03 + 0.08, time, read) - 1 == pytest.approx(1 - np.exp(-1), abs=0.005)
    assert read[time < 0.52].max() == pytest.approx(1.0, abs=1e-9)
    assert read[-1] == pytest.approx(2.0, abs=1e-6)


def test_lag_is_the_solution_of_its_equation():
    def phi(t):
        return 1.1 + 0.1 * np.sin(5 * t)

    solved = solve_ivp(lambda t, y: (phi(t - 0.03) - y) / 0.08, (0, 3), [phi(0.0)], rtol=1e-9, dense_output=True)
    late = TIME[(TIME > 1.0) & (TIME < 3.0)]
    read = lagged(TIME, phi(TIME), 0.03, 0.08)
    np.testing.assert_allclose(np.interp(late, TIME, read), solved.sol(late)[0], atol=2e-4)


def test_lag_delays_the_mean_by_dead_time_and_time_constant():
    ramp = 1.0 + 0.02 * TIME
    read = lagged(TIME, ramp, 0.04, 0.09)
    assert read[300:] == pytest.approx(ramp[300:] - 0.02 * 0.13, abs=1e-9)


def test_no_lag_is_none_and_gaps_stay():
    phi = 1 + 0.1 * np.sin(TIME)
    np.testing.assert_allclose(lagged(TIME, phi, 0.0, 0.0), phi)
    phi[200:230] = np.nan
    read = lagged(TIME, phi, 0.0, 0.08)
    assert np.isnan(read[202:228]).all()
    assert np.isfinite(read[:200]).all()
    assert np.isfinite(read[232:]).all()


def test_several_courses_are_lagged_as_one_is():
    rows = [1.1 + 0.1 * np.sin(3 * TIME), np.where(TIME > 2, 1.2, 0.0)]
    dead = 0.03 + 0.01 * np.cos(TIME)
    each = [lagged(TIME, row, dead, 0.08) for row in rows]
    np.testing.assert_allclose(lagged_rows(TIME, rows, dead, 0.08), each, atol=1e-12)


def test_undelayed_turns_lagged_round():
    phi = 1.1 + 0.1 * np.sin(3 * TIME)
    back, _ = undelayed(TIME, lagged(TIME, phi, 0.03, 0.08), 0.03, 0.08)
    known = np.isfinite(back)
    assert known.mean() > 0.95
    np.testing.assert_allclose(back[known], phi[known], atol=2e-3)
    same, _ = undelayed(TIME, np.full(len(TIME), 1.14), 0.03, 0.08)
    np.testing.assert_allclose(same[np.isfinite(same)], 1.14, atol=1e-12)


def lean_step(time):
    """Target, 0.25 s of 0.15 lambda leaner, target, then leaner for good."""
    phi = np.where((time > 2) & (time < 2.25), 1 / 1.014, 1 / 0.864)
    return np.where(time > 4, 1 / 1.014, phi)


def test_lean_step_over_pulses_comes_back_within_its_error():
    """Time constant and dead time off by their own errors, noise of 0.005 lambda, pulses of 10 Hz: 19 of 20 within twice the error."""
    fine = np.arange(-0.5, 6.0, 0.001)
    hits, peaks = [], []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        pulses = 0.03 * np.sign(np.sin(2 * np.pi * 10 * fine + seed))
        read = lagged(
            fine, lean_step(fine) + pulses, 0.03 + 0.003 * rng.standard_normal(), 0.08 + 0.004 * rng.standard_normal()
        )
        shown = np.interp(TIME, fine, read) + 0.006 * rng.standard_normal(len(TIME))
        back, error = undelayed(TIME, shown, 0.03, 0.08, tau_error=0.004, dead_error=0.003)
        known = np.isfinite(back)
        hits.append((np.abs(back - lean_step(TIME)) <= 2 * error)[known])
        peak = 1 / back[(TIME > 2.1) & (TIME < 2.2)].min()
        peaks.append(peak)
    assert 0.95 <= np.concatenate(hits).mean() <= 0.998
    assert np.mean(peaks) == pytest.approx(1.014, abs=0.03)
    raw = 1 / lagged(fine, lean_step(fine), 0.03, 0.08)[(fine > 2) & (fine < 2.4)].min()
    assert raw < 1.008  # the gauge alone does not get there


def test_more_noise_states_more_error():
    rng = np.random.default_rng(1)
    noise = rng.standard_normal(len(TIME))
    small, large = (np.nanmedian(undelayed(TIME, 1.15 + s * noise, 0.03, 0.08)[1]) for s in (0.002, 0.01))
    assert 2 < large / small < 8


def test_gaps_in_a_reading_stay_gaps():
    shown = 1.15 + 0.004 * np.random.default_rng(2).standard_normal(len(TIME))
    shown[300:340] = np.nan
    back, error = undelayed(TIME, shown, 0.03, 0.08)
    assert np.isnan(back[298:336]).all()
    assert np.isfinite(back[:280][10:]).all()
    assert np.isfinite(error[350:590]).all()


def test_a_slow_sensor_log_is_read_by_its_own_samples():
    """Readings every 0.05 s, drawn out to 100 Hz on lines: the error counts what was really read."""
    rng = np.random.default_rng(3)
    coarse = TIME[::5]
    shown = np.interp(TIME, coarse, 1.15 + 0.006 * rng.standard_normal(len(coarse)))
    back, error = undelayed(TIME, shown, 0.03, 0.08, sample_s=0.05)
    known = np.isfinite(back)
    assert (np.abs(back - 1.15) <= 2 * error)[known].mean() > 0.9


def test_bad_input_is_told():
    with pytest.raises(InputError):
        lagged(TIME, TIME[:-1], 0.0, 0.1)
    with pytest.raises(InputError):
        lagged(TIME, TIME, 0.0, -0.1)
    with pytest.raises(InputError):
        undelayed(TIME[::-1], TIME, 0.0, 0.1)
    with pytest.raises(InputError):
        undelayed(TIME, TIME, np.full(len(TIME), np.nan), 0.1)


@pytest.mark.parametrize("name", ["wren_five", "badger_eight"])
def test_transport_is_that_of_the_stop_budget(name):
    sheet = BuildSheet.demo(name)
    from kernel_lib.plan.plan import full_flow

    for rpm in (3000.0, 5000.0):
        planned = _transport(sheet, Setup.of(sheet), rpm, 1.0)
        assert transport_s(sheet, rpm, full_flow(sheet)) == pytest.approx(planned.best, rel=1e-4)
        assert dead_s(sheet, rpm, 0.0) - transport_s(sheet, rpm, 0.0) == pytest.approx(0.75 * 120 / rpm)
    assert np.isnan(transport_s(sheet, 200.0, 0.0))


def test_without_a_course_the_sheet_speaks():
    sheet = BuildSheet.demo("wren_five")
    delay = estimate([], sheet)
    assert not delay.identifiable
    assert delay.tau_s == 0.08
    assert "no injector channel" in delay.because
    again = Delay.of_sheet(sheet, delay.rpm)
    assert (delay.total_s, delay.error_s) == (again.total_s, again.error_s)
    assert 0.02 < delay.error_s < 0.06
