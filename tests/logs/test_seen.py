"""What is seen in a hit beside the mixture: bottle, guards, knock, misfire."""

import numpy as np
import pytest
from small_log import Ride, log_of

from kernel_lib.build_sheet import BuildSheet
from kernel_lib.logs.bottle_pass import bottle_course
from kernel_lib.logs.cut import Hit, Pull, cut
from kernel_lib.logs.guards_seen import FIRED, MISSED, UNCHECKED, guards_missed
from kernel_lib.logs.knock_seen import COUNT, LEVEL, RETARD, knock_activity
from kernel_lib.logs.log import Log
from kernel_lib.logs.misfire import can_tell, misfire_suspicion
from kernel_lib.plan.bottle_day import bottle_of
from kernel_lib.plan.supply import flow_law
from kernel_lib.thermo.blowdown import Content, spray

WREN = BuildSheet.demo("wren_five")
FULL = {"fuel_kpa": 300.0, "coolant_c": 85.0, "bottle_kpa": 6500.0, "gear": 3.0, "lambda_": 0.87}
HIT = Ride(spray=(3000, 5800), extra=FULL, rise=600.0)


# --- bottle -----------------------------------------------------------------------------------------------------------------


def drawn(celsius, fill, share=0.55, flow=1.0, seed=0):
    """A log whose bottle is a blowdown, and its hit."""
    log = log_of(HIT, noise=1.0, seed=seed)
    hit = cut(log, WREN)[0].hits[0]
    law, T = flow_law(WREN), celsius + 273.15
    run = spray(bottle_of(WREN), Content(T, T, fill), (hit.command.stop - hit.command.start) * 0.01, lambda T, P: flow * share * law(T, P), T_air=299.0)  # fmt: skip
    t = log.time_s - log.time_s[hit.command.start]
    log.data["bottle_kpa"] = (
        np.interp(t, run.t, run.P / 1e3) - 99.6 + 6 * np.random.default_rng(seed).standard_normal(len(t))
    )
    return log, hit, run


@pytest.mark.parametrize("celsius", [12.0, 22.0, 30.0, 33.0])
def test_a_bottle_that_does_as_bottles_do_lies_in_its_band(celsius):
    log, hit, run = drawn(celsius, 4.54)
    seen = bottle_course(log, hit, WREN)
    assert seen.temperature_c == pytest.approx(celsius, abs=0.3)
    assert seen.drawn_kg == pytest.approx(run.mass[0] - run.mass[-1], rel=0.15)  # the flow falls with the pressure
    clean = np.interp(seen.time_s - seen.time_s[0], run.t, run.P / 1e3) - 99.6
    assert (clean >= seen.low_kpa - 10).all()
    assert (clean <= seen.high_kpa + 10).all()
    assert np.abs(clean - seen.best_kpa).max() < 0.05 * (clean[0] - clean[-1]) + 25
    assert not seen.fell_faster
    assert seen.liquid_full == (run.P[0] > 1.001 * run.P[-1] and celsius > 30.6)


@pytest.mark.parametrize("seed", range(4))
def test_a_bottle_that_empties_faster_than_any_model_is_told(seed):
    log, hit, _ = drawn(24.0, 4.54, seed=seed)
    assert not bottle_course(log, hit, WREN).fell_faster
    t = np.clip(log.time_s - log.time_s[hit.command.start], 0, 3)
    log.data["bottle_kpa"] = log.data["bottle_kpa"] - 60 * t
    assert bottle_course(log, hit, WREN).fell_faster


def test_a_cold_bottle_flows_less_and_lies_out_of_its_window():
    cold, planned = (bottle_course(*drawn(c, 3.5)[:2], WREN) for c in (16.0, 31.5))
    assert cold.flow_relative < 0.9
    assert not cold.window_ok
    assert planned.flow_relative == pytest.approx(1.0, abs=0.02)
    assert planned.window_ok
    assert cold.flow_band.low <= cold.flow_relative <= cold.flow_band.high


def test_a_bottle_that_cannot_be_is_said_and_one_that_is_not_logged_is_none():
    log, hit, _ = drawn(24.0, 4.54)
    log.data["bottle_kpa"] = np.full(len(log.time_s), 12.0)
    seen = bottle_course(log, hit, WREN)
    assert np.isnan(seen.best_kpa).all()
    assert seen.notes
    assert not seen.fell_faster
    del log.data["bottle_kpa"]
    assert bottle_course(log, hit, WREN) is None


# --- guards -----------------------------------------------------------------------------------------------------------------


def guards(log):
    return {g.guard: g for g in guards_missed(log, cut(log, WREN), WREN)}


@pytest.mark.parametrize("seed", range(6))
def test_a_clean_hit_misses_no_guard(seed):
    assert [g for g in guards(log_of(HIT, noise=1.0, seed=seed)).values() if g.state == MISSED] == []


def planted(key, value, seconds, after_s=1.0):
    """A clean hit with one channel somewhere else for some time."""
    log = log_of(HIT, noise=1.0)
    first = cut(log, WREN)[0].hits[0].command.start + round(after_s / 0.01)
    log.data[key] = log.data[key].copy()
    log.data[key][first : first + round(seconds / 0.01)] = value
    return log, first * 0.01


@pytest.mark.parametrize(
    ("key", "value", "guard"),
    [
        ("throttle_percent", 87.8, "throttle"),
        ("fuel_kpa", 270.0, "fuel pressure"),
        ("coolant_c", 40.0, "coolant"),
        ("gear", 1.0, "gear"),
        ("lambda_", 1.05, "lean stop"),
    ],
)
def test_a_guard_that_lasts_too_long_is_missed_and_a_short_one_is_not(key, value, guard):
    log, begin = planted(key, value, 0.6)
    missed = guards(log)[guard]
    assert missed.state == MISSED
    assert missed.begin_s == pytest.approx(begin, abs=0.12)  # the lean stop acts behind the controller's filter
    assert missed.seconds == pytest.approx(0.6, abs=0.15)
    assert missed.seconds > missed.allowed_s
    assert missed.value == pytest.approx(value, rel=0.02)
    assert missed.depth > 0
    assert guard not in guards(planted(key, value, 0.05)[0])


def test_speed_is_held_against_window_and_limit():
    above = guards(log_of(Ride(spray=(3000, 6400), last=6450, extra=FULL)))
    assert above["speed above the window"].state == MISSED
    below = guards(log_of(Ride(spray=(2250, 5000), extra=FULL)))
    assert below["speed below the window"].state == MISSED
    assert guards(log_of(Ride(spray=(3000, 6000), last=6300, extra=FULL)))["speed above the window"].state == FIRED


def test_the_bottle_counts_at_the_start_only():
    log, _ = planted("bottle_kpa", 5500.0, 3.0)
    assert "bottle window" not in guards(log)
    log.data["bottle_kpa"][:] = 5500.0
    assert guards(log)["bottle window"].state == MISSED


def test_a_rich_reading_counts_once_armed_and_a_lean_stop_that_acts_is_told():
    rich = log_of(HIT, noise=1.0)
    hit = cut(rich, WREN)[0].hits[0]
    rich.data["lambda_"][hit.command.start : hit.command.start + 40] = 0.70  # the fuel that comes first
    assert "rich stop" not in guards(rich)
    rich.data["lambda_"][hit.command.start + 150 : hit.command.start + 250] = 0.70
    assert guards(rich)["rich stop"].state == MISSED
    acted = log_of(HIT)
    acted.data["lambda_"][hit.command.stop - 10 : hit.command.stop + 60] = 1.1
    assert guards(acted)["lean stop"].state == FIRED


def test_what_is_not_logged_is_unchecked():
    log = log_of(Ride(spray=(3000, 5800)))
    found = guards_missed(log, cut(log, WREN), WREN)
    assert {g.guard for g in found if g.state == UNCHECKED} == {"fuel pressure", "coolant", "bottle window", "gear"}
    assert guards_missed(log_of(Ride()), cut(log_of(Ride()), WREN), WREN) == []


def test_fuel_pressure_that_follows_the_manifold_is_not_missed_behind_a_shut_throttle():
    log = log_of(Ride(spray=(3000, 5800), extra=FULL))
    hit = cut(log, WREN)[0].hits[0]
    shut = slice(hit.command.start + 100, hit.command.start + 130)
    log.data["throttle_percent"][shut], log.data["manifold_kpa"][shut], log.data["fuel_kpa"][shut] = 5.0, 35.0, 237.0
    found = guards(log)
    assert found["throttle"].state == MISSED
    assert "fuel pressure" not in found


# --- knock ------------------------------------------------------------------------------------------------------------------


def noisy(kind, rng, pulls=8, base=2, n=600):
    """Pulls of clean noise that grows with speed, nitrous in all but the first ones."""
    rpm = np.tile(np.linspace(2500, 6000, n), pulls + base)
    ground = 0.5 + (rpm / 4000) ** 2
    noise = rng.standard_normal(len(rpm))
    signal = (
        ground + 0.15 * noise
        if kind == "normal"
        else ground * np.exp(0.2 * (rng.standard_t(6, len(rpm)) if kind == "heavy" else noise))
    )
    log = Log("noise", np.arange(len(rpm)) * 0.01, {"rpm": rpm, "knock": signal})
    return log, made_pulls(pulls, base, n)


def made_pulls(pulls, base, n):
    out = [Pull(k * n, (k + 1) * n, "base") for k in range(base)]
    for k in range(base, base + pulls):
        a, b = k * n + 5, (k + 1) * n
        out.append(
            Pull(a - 5, b, "nitrous", (Hit(slice(a, b), slice(a, b), slice(a, a), slice(a, b), slice(b, b), "lift"),))
        )
    return out


@pytest.mark.parametrize(("kind", "base"), [("normal", 2), ("normal", 0), ("in proportion", 2), ("in proportion", 0)])
def test_clean_noise_is_no_knock(kind, base):
    """200 seeds of 10 or 8 pulls: none may alarm, so that the rate is below 1e-3 a pull with 84 % trust a case, 99.9 % in all four."""
    alarms = [
        seed for seed in range(200) if knock_activity(*noisy(kind, np.random.default_rng(seed), base=base)).bursts
    ]
    assert alarms == []


@pytest.mark.parametrize("kind", ["normal", "in proportion"])
def test_a_burst_is_found_at_its_time_and_speed(kind):
    for seed in range(20):
        log, pulls = noisy(kind, np.random.default_rng(seed))
        at = 4 * 600 + 350
        log.data["knock"][at] *= 12
        (burst,) = knock_activity(log, pulls).bursts
        assert (burst.begin_s, burst.pull, burst.nitrous) == (pytest.approx(at * 0.01), 4, True)
        assert burst.rpm == pytest.approx(log.data["rpm"][at], abs=30)
        assert burst.times > 1


def test_a_louder_signal_scale_changes_nothing():
    log, pulls = noisy("normal", np.random.default_rng(1))
    log.data["knock"][[3000, 3300]] *= 8
    few = knock_activity(log, pulls)
    log.data["knock"] = 500 * log.data["knock"]
    assert [b.begin_s for b in knock_activity(log, pulls).bursts] == [b.begin_s for b in few.bursts]


def test_knock_at_one_speed_throughout_does_not_become_its_own_background():
    log, pulls = noisy("in proportion", np.random.default_rng(2), pulls=1, base=0)
    rpm = log.data["rpm"]
    log.data["knock"][(rpm > 4000) & (rpm < 4500)] *= 12
    seen = knock_activity(log, pulls)
    assert seen.own
    assert seen.bursts


def test_counts_and_retard_are_recognised_and_any_rise_counts():
    log, pulls = noisy("normal", np.random.default_rng(3))
    n = len(log.time_s)
    log.data["knock"] = np.where(np.arange(n) >= 2500, 3.0, 2.0)
    seen = knock_activity(log, pulls)
    assert (seen.kind, len(seen.bursts), seen.bursts[0].times) == (COUNT, 1, 1.0)
    log.data["knock"] = np.where((np.arange(n) >= 2500) & (np.arange(n) < 2600), -1.5, 0.0)
    seen = knock_activity(log, pulls)
    assert (seen.kind, len(seen.bursts), seen.bursts[0].times) == (RETARD, 1, 1.5)
    log.data["knock"] = np.zeros(n)
    seen = knock_activity(log, pulls)
    assert seen.bursts == ()
    assert "never moves" in seen.unjudged


def test_no_background_is_no_judgement_but_a_base_log_gives_one():
    log, pulls = noisy("normal", np.random.default_rng(4), pulls=1, base=0, n=100)
    assert knock_activity(log, pulls).unjudged
    base, base_pulls = noisy("normal", np.random.default_rng(5), pulls=0, base=3)
    seen = knock_activity(log, pulls, base, base_pulls)
    assert (seen.kind, seen.unjudged, seen.own) == (LEVEL, "", False)
    assert knock_activity(Log("none", log.time_s, {"rpm": log.data["rpm"]}), pulls).unjudged


# --- misfire ----------------------------------------------------------------------------------------------------------------


def stumbling(lean=0.2, loses=0.8, seconds=0.5, seed=0, fuel=1.0):
    """A hit in which speed gains less for some time and the reading leans 0.15 s later."""
    log = log_of(HIT, noise=0.5, seed=seed)
    hit = cut(log, WREN)[0].hits[0]
    a, n = hit.command.start + 200, round(seconds / 0.01)
    lost = np.zeros(len(log.time_s))
    lost[a : a + n] = loses * HIT.rise * 0.01
    log.data["rpm"] = log.data["rpm"] - np.cumsum(lost)
    log.data["lambda_"][a + 15 : a + 15 + n] += lean
    log.data["injector_ms"] = np.full(len(log.time_s), 9.0)
    log.data["injector_ms"][a : a + n] *= fuel
    return log, a * 0.01


@pytest.mark.parametrize("seed", range(8))
def test_a_lean_reading_with_a_stumble_is_suspect_and_either_alone_is_not(seed):
    log, begin = stumbling(seed=seed)
    pull = cut(log, WREN)[0]
    assert can_tell(log, pull) == (True, "")
    (suspect,) = misfire_suspicion(log, pull, WREN)
    assert suspect.begin_s == pytest.approx(begin + 0.15, abs=0.1)
    assert suspect.leans == pytest.approx(0.2, abs=0.03)
    assert suspect.drop > 0.4
    for less in ({"lean": 0.0}, {"loses": 0.0}, {"fuel": 0.8}):
        log, _ = stumbling(seed=seed, **less)
        assert misfire_suspicion(log, cut(log, WREN)[0], WREN) == []


def test_a_lean_spike_in_a_rich_mixture_is_suspect_by_itself():
    log, _ = stumbling(loses=0.0, seconds=0.3)
    pull = cut(log, WREN)[0]
    rich = np.full(pull.stop - pull.start, WREN.limits.misfire_rich_lambda + 0.02)
    (suspect,) = misfire_suspicion(log, pull, WREN, lambda_model=rich)
    assert suspect.rich
    assert np.isfinite(suspect.leans)


def test_shifts_and_loose_wheels_are_no_misfire():
    for seed in range(6):
        for extra in ({"shift_at": 5000.0}, {"spin_at": 4200.0}):
            log = log_of(Ride(spray=(3000, 5800), extra=FULL, rise=600.0, **extra), noise=1.0, seed=seed)
            pull = cut(log, WREN)[0]
            event = pull.events[0]
            log.data["lambda_"][event.start : event.stop + 30] += 0.2
            assert misfire_suspicion(log, pull, WREN) == []


def test_speed_that_is_sampled_slowly_or_scatters_tells_nothing():
    log, _ = stumbling()
    pull = cut(log, WREN)[0]
    slow = Log("slow", log.time_s, log.data, {"rpm": 10.0})
    assert not can_tell(slow, pull)[0]
    rng = np.random.default_rng(0)
    rough = Log("rough", log.time_s, {**log.data, "rpm": log.data["rpm"] + 60 * rng.standard_normal(len(log.time_s))})
    told, why = can_tell(rough, pull)
    assert not told
    assert "scatters" in why


# --- any log ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(25))
def test_no_log_makes_any_of_it_fail(seed):
    """Pieces of a log, thinned, with channels missing, blank for a while, or at rest at 0."""
    rng = np.random.default_rng(seed)
    whole = log_of(HIT, Ride(spray=(3000, 5800), shift_at=5000.0, extra=FULL), noise=1.0)
    whole.data["knock"] = 1.0 + rng.random(len(whole.time_s))
    whole.data["injector_ms"] = np.full(len(whole.time_s), 8.0)
    every, first = int(rng.choice([1, 2, 10, 50])), int(rng.integers(0, 700))
    data = {k: v[first::every].copy() for k, v in whole.data.items() if rng.random() > 0.2 or k == "rpm"}
    n = len(data["rpm"])
    for values in data.values():
        if rng.random() < 0.4:
            at = int(rng.integers(0, n))
            values[at : at + int(rng.integers(1, n + 1))] = np.nan
        if rng.random() < 0.1:
            values[:] = rng.choice([0.0, np.nan])
    log = Log("any", np.arange(n) * 0.01 * every, data)
    pulls = cut(log, WREN)
    for pull in pulls:
        assert 0 <= pull.start < pull.stop <= n
        for hit in pull.hits:
            assert 0 <= hit.flow.start <= hit.spray.start <= hit.spray.stop == hit.command.stop <= hit.flow.stop <= n
            bottle_course(log, hit, WREN)
        misfire_suspicion(log, pull, WREN)
    guards_missed(log, pulls, WREN)
    knock_activity(log, pulls)
