"""Pulls and hits: found where they are, whatever the noise, the clock, the missing channel."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from small_log import Ride, log_of, part, pulses

from kernel_lib.build_sheet import BuildSheet
from kernel_lib.logs.command import commanded_share
from kernel_lib.logs.cut import cut, step_seen, times
from kernel_lib.logs.log import Log
from kernel_lib.plan.passage import course
from kernel_lib.plan.pulsing import Pulsing
from kernel_lib.plan.stopping import wash_out

WREN, BADGER = BuildSheet.demo("wren_five"), BuildSheet.demo("badger_eight")
HIT, BASE, SHORT = Ride(spray=(3000, 5800)), Ride(), Ride(spray=(3000, 5000), spray_s=0.35)
SHIFT, SPIN = Ride(spray=(3000, 5800), shift_at=5000.0), Ride(spray=(3000, 5900), spin_at=4000.0)
MANY = (HIT, BASE, SHIFT, SPIN, SHORT, BASE)
LAST_S = 2.0  # of a ride: the coast


def told(pulls):
    """Everything of pulls that does not depend on where they begin."""
    return [(p.kind, len(p.hits), [e.kind for e in p.events], [h.ended_by for h in p.hits]) for p in pulls]


def indices(pulls):
    return [k for p in pulls for k in (p.start, p.stop, *(k for h in p.hits for k in (h.command.start, h.flow.start, h.spray.start, h.spray.stop, h.flow.stop)))]  # fmt: skip


def test_pulls_are_found_where_they_were_made():
    log = log_of(*MANY)
    pulls, full = cut(log, WREN), log.data["throttle_percent"] > 90
    assert [p.kind for p in pulls] == ["nitrous", "base", "nitrous", "nitrous", "false start", "base"]
    inside = np.zeros(len(full), bool)
    for p in pulls:
        inside[p.start : p.stop] = True
    assert (inside == full).mean() > 0.99  # but for the lift of the shift
    on = np.zeros(len(full), bool)
    for p in pulls:
        for h in p.hits:
            on[h.command] = True
    assert np.array_equal(on, log.data["nitrous_duty_percent"] > 0)


@pytest.mark.parametrize("seed", range(12))
def test_noise_changes_no_count(seed):
    clean, noisy = (cut(log_of(*MANY, noise=n, seed=seed), WREN) for n in (0.0, 1.0))
    assert told(clean) == told(noisy)
    assert np.abs(np.subtract(indices(clean), indices(noisy))).max() <= 8


@pytest.mark.parametrize("later", [1, 137, 1501])
def test_a_log_that_begins_earlier_only_shifts_everything(later):
    log = log_of(*MANY, noise=1.0, seed=3)
    before = {key: np.full(later, values[0]) for key, values in log.data.items()}
    shifted = Log("later", np.arange(len(log.time_s) + later) * 0.01, {k: np.concatenate([before[k], v]) for k, v in log.data.items()})  # fmt: skip
    here, there = cut(log, WREN), cut(shifted, WREN)
    assert told(here) == told(there)
    assert np.array_equal(np.add(indices(here), later), indices(there))


def test_cutting_a_log_between_pulls_gives_the_same_pulls():
    log = log_of(*MANY, noise=1.0, seed=5)
    whole = cut(log, WREN)
    between = (whole[2].stop + whole[3].start) // 2
    first, second = (cut(part(log, a, b), WREN) for a, b in ((0, between), (between, len(log.time_s))))
    assert told(first) + told(second) == told(whole)
    assert indices(first) + [k + between for k in indices(second)] == indices(whole)


@pytest.mark.parametrize("duty", [20.0, 35.0, 60.0, 85.0])
def test_raw_pulses_are_one_hit_of_their_mean_duty(duty):
    log = pulses(
        log_of(Ride(spray=(3000, 5800), duty=duty), BASE), hz=9.93
    )  # in step with the log, ten samples a pulse would hide 5 %
    pulls = cut(log, WREN)
    assert [len(p.hits) for p in pulls] == [1, 0]
    assert pulls[0].hits[0].share == pytest.approx(
        duty / 100 - 0.05, abs=0.03
    )  # 5 ms slower to open than to close, at 10 Hz


@pytest.mark.parametrize("drop", [("throttle_percent",), ("throttle_percent", "manifold_kpa")])
@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_a_missing_throttle_finds_the_same_pulls(drop, noise):
    whole, less = (cut(log_of(*MANY, noise=noise, drop=d), WREN) for d in ((), drop))
    assert [p.kind for p in less] == [p.kind for p in whole]
    assert all(abs(a.start - b.start) <= 30 and a.notes for a, b in zip(less, whole, strict=True))


def test_throttle_that_is_blank_for_one_pull_is_replaced_by_pressure():
    log = log_of(*MANY, noise=1.0)
    whole = cut(log, WREN)
    log.data["throttle_percent"][whole[1].start - 150 : whole[1].stop + 120] = np.nan
    assert told(cut(log, WREN)) == told(whole)


def test_a_gap_in_the_data_is_bridged_and_told_and_a_long_one_is_not():
    log = log_of(HIT, noise=1.0)
    whole = cut(log, WREN)[0]
    for key in log.data:
        log.data[key][whole.start + 200 : whole.start + 240] = np.nan
    pulls = cut(log, WREN)
    assert [(p.kind, len(p.hits)) for p in pulls] == [("nitrous", 1)]
    assert [e.kind for e in pulls[0].events] == ["gap"]
    assert (pulls[0].start, pulls[0].stop) == (whole.start, whole.stop)
    for key in log.data:
        log.data[key][whole.start + 140 : whole.start + 250] = np.nan
    assert len(cut(log, WREN)) == 2


def test_a_log_without_nitrous_channel_says_so():
    pulls = cut(log_of(HIT, BASE, drop=("nitrous_duty_percent",)), WREN)
    assert [p.kind for p in pulls] == ["base", "base"]
    assert all("not known" in " ".join(p.notes) for p in pulls)


def test_nitrous_off_full_throttle_is_found():
    log = log_of(HIT, BASE, noise=1.0)
    log.data["nitrous_duty_percent"][100:160] = 50.0  # in the cruise
    pulls = cut(log, WREN)
    assert [p.kind for p in pulls] == ["part throttle", "nitrous", "base"]
    assert pulls[0].hits[0].outside_s == pytest.approx(0.6, abs=0.02)
    followed = cut(log_of(Ride(spray=(3000, 6400), follow=1.0)), WREN)[0].hits[0]
    assert followed.outside_s == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("name", ["wren_five", "badger_eight"])
def test_phases_follow_each_other_and_the_plan(name):
    sheet = BuildSheet.demo(name)
    log = log_of(Ride(spray=(3000, 5500), duty=60.0 if name == "wren_five" else 100.0))
    h = cut(log, sheet)[0].hits[0]
    assert h.flow == slice(h.ramp_in.start, h.wash_out.stop)
    assert (h.ramp_in.stop, h.spray.stop, h.wash_out.start) == (h.spray.start, h.command.stop, h.command.stop)
    share = 0.6 if name == "wren_five" else 1.0  # to the next tenth
    way, gone = course(sheet, 3000.0, share), wash_out(sheet, 5500.0, "open", share)["all"].best
    assert (h.flow.start - h.command.start) * 0.01 == pytest.approx(way.arrives_s, abs=0.011)
    assert (h.spray.start - h.flow.start) * 0.01 == pytest.approx(
        3 * way.mixing_s, abs=0.021
    )  # a step: 95 % after three
    assert (h.flow.stop - h.command.stop) * 0.01 == pytest.approx(gone, abs=0.011)


def test_a_throttle_that_shuts_makes_the_wash_out_longer():
    open_, shut = (cut(log_of(Ride(spray=(4500, end))), WREN)[0].hits[0] for end in (6000, 9000))
    assert (open_.ended_by, shut.ended_by) == ("window", "lift")
    assert shut.wash_out.stop - shut.wash_out.start > open_.wash_out.stop - open_.wash_out.start


@pytest.mark.parametrize(
    ("ride", "end"),
    [
        (Ride(spray=(3000, 9000)), "lift"),
        (Ride(spray=(3000, 6000), last=6300), "window"),
        (Ride(spray=(3000, 5000)), "switch"),
        (Ride(spray=(3000, 6430), last=6480), "limiter"),
        (Ride(spray=(3000, 9000), shift_at=5000.0), "shift"),
    ],
)
@pytest.mark.parametrize("seed", range(3))
def test_what_ended_it(ride, end, seed):
    assert cut(log_of(ride, noise=1.0, seed=seed), WREN)[0].hits[0].ended_by == end


def test_the_log_ended_it():
    log = log_of(HIT)
    h = cut(log, WREN)[0].hits[0]
    assert cut(part(log, 0, h.command.stop - 50), WREN)[0].hits[0].ended_by == "end of log"


def test_a_pause_of_two_pulses_is_bridged_but_not_with_the_throttle_lifted():
    log = log_of(HIT)
    h = cut(log, WREN)[0].hits[0]
    log.data["nitrous_duty_percent"][h.command.start + 100 : h.command.start + 120] = 0.0
    one = cut(log, WREN)[0]
    assert len(one.hits) == 1
    assert one.hits[0].breaks == (slice(h.command.start + 100, h.command.start + 120),)
    log.data["throttle_percent"][h.command.start + 100 : h.command.start + 112] = 10.0
    assert len(cut(log, WREN)[0].hits) == 2


def test_a_spike_of_the_duty_is_no_hit():
    log = log_of(BASE)
    log.data["nitrous_duty_percent"][500] = 100.0  # 10 ms: no valve opens
    assert cut(log, WREN)[0].kind == "base"


def test_the_switch_arms_where_a_duty_is_logged_and_commands_where_none_is():
    log = log_of(HIT)
    log.data["nitrous_on"] = np.ones(len(log.time_s))
    assert cut(log, WREN)[0].hits[0].command == cut(log_of(HIT), WREN)[0].hits[0].command
    log.data["nitrous_on"] = (log.data.pop("nitrous_duty_percent") > 0).astype(float)
    pull = cut(log, WREN)[0]
    assert pull.hits[0].command == cut(log_of(HIT), WREN)[0].hits[0].command
    assert np.isnan(pull.hits[0].share)
    assert "no valve duty" in " ".join(pull.notes)
    assert cut(log, BADGER)[0].hits[0].share == 1.0  # not pulsed: open is open


def test_a_false_start_is_one_until_a_reading_can_settle():
    arrives, mixing, _ = times(WREN, 3000.0, 0.55)
    needed = arrives + 3 * mixing + 3 * (WREN.controller.sensor_delay_ms + WREN.controller.filter_ms) / 1e3 + 0.3
    kinds = [cut(log_of(Ride(spray=(3000, 6000), spray_s=needed + d)), WREN)[0].kind for d in (-0.06, 0.06)]
    assert kinds == ["false start", "nitrous"]


def tune(share=(0.5, 0.8)):
    """A plan of two points over speed, as far as the ladder needs one."""
    steps = [SimpleNamespace(share=s) for s in (0.3, 0.5, 0.75, 1.0)]
    at = np.array([2500.0, 6000.0])
    return SimpleNamespace(sheet=WREN, pulsed=True, room=SimpleNamespace(rpm=at), ladder=SimpleNamespace(steps=steps), share_at=lambda rpm: np.interp(rpm, at, share))  # fmt: skip


@pytest.mark.parametrize("raw", [False, True])
@pytest.mark.parametrize(("part_of", "index"), [(0.3, 0), (0.5, 1), (0.75, 2), (1.0, 3), (0.62, None)])
def test_the_step_of_the_ladder_is_read_off_the_valve_duty(part_of, index, raw):
    plan = tune()
    log = log_of(HIT)
    on, rpm = log.data["nitrous_duty_percent"] > 0, log.data["rpm"]
    log.data["nitrous_duty_percent"] = np.where(on, 100 * Pulsing.of(WREN).duty(part_of * plan.share_at(rpm)), 0.0)
    log = pulses(log, hz=9.93) if raw else log
    seen = step_seen(log, cut(log, WREN)[0], plan)
    assert seen.index == index
    assert seen.share == pytest.approx(part_of, abs=0.03 if raw else 0.005)


def test_the_step_is_not_guessed():
    plan = tune()
    base, hit = log_of(BASE), log_of(HIT)
    assert step_seen(base, cut(base, WREN)[0], plan).index is None
    plan.pulsed = False
    assert step_seen(hit, cut(hit, WREN)[0], plan).index is None


def test_share_is_kept_for_one_log_and_sheet_only():
    log = log_of(HIT)
    first = commanded_share(log, WREN)
    assert commanded_share(log, WREN) is first
    assert commanded_share(replace(log), WREN) is not first
    assert commanded_share(log, BADGER) is not first
