"""What a log does not show may not pass for quiet: blanks, a command that is blank as it begins, an end in the nitrous, timing that is read too rarely."""

from dataclasses import replace

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.logs.clock import bridged_s
from kernel_lib.logs.command import commanded, commanded_share
from kernel_lib.logs.cut import UNSEEN_S, cut
from kernel_lib.logs.review import review, review_log
from kernel_lib.logs.sim_scenario import Scenario
from kernel_lib.logs.simulate import simulate
from kernel_lib.plan.tune import tune_of

SHEET = BuildSheet.demo("wren_five")
PLUGS = dict.fromkeys(range(1, 6), "clean")
HEADS = {
    "time_s": "Time (s)",
    "rpm": "Engine Speed (rpm)",
    "throttle_percent": "Throttle (%)",
    "lambda_": "Lambda",
    "timing_deg_btdc": "Ignition Timing (deg BTDC)",
    "fuel_kpa": "Fuel Pressure (kPa)",
    "injector_duty_percent": "Injector Duty (%)",
    "intake_c": "Intake Temp (C)",
    "coolant_c": "Coolant Temp (C)",
    "knock": "Knock",
    "manifold_kpa": "MAP (kPa)",
    "nitrous_duty_percent": "Nitrous Duty (%)",
    "nitrous_on": "Nitrous Switch",
    "bottle_kpa": "Bottle Pressure (kPa)",
}
EVERY = {"rpm": 2, "throttle_percent": 2, "lambda_": 5, "timing_deg_btdc": 5, "knock": 5, "fuel_kpa": 20, "bottle_kpa": 25, "coolant_c": 100, "intake_c": 50}  # fmt: skip


@pytest.fixture(scope="module")
def tune():
    return tune_of(SHEET)


@pytest.fixture(scope="module")
def log():
    return simulate(Scenario("x", step=0.75, spin=0.0, spread=0.0), 3).log


@pytest.fixture(scope="module")
def judge(tune):
    base = simulate(Scenario("b", nitrous=False, lift_rpm=6200.0, spin=0.0, spread=0.0), 4).log

    def judged(log):
        if isinstance(log, str):
            return review_log(log.encode(), SHEET, tune=tune, plugs=PLUGS, base=base)
        return review(log, SHEET, tune=tune, plugs=PLUGS, base=base)

    return judged


def text(log, blank, word="---"):
    """The log as a file, with a word in the rows of a channel that are blank."""
    rows = [",".join(HEADS.values())]
    for k in range(len(log.time_s)):
        cells = {key: f"{(log.time_s if key == 'time_s' else log.get(key))[k]:.5g}" for key in HEADS}
        rows.append(",".join(word if key in blank and blank[key][k] else cell for key, cell in cells.items()))
    return "\n".join(rows) + "\n"


def but(log, **channels):
    return replace(log, data=log.data | channels)


def until(log, end_s):
    here = log.time_s <= end_s
    return replace(log, time_s=log.time_s[here], data={key: values[here] for key, values in log.data.items()})


def spray(log):
    on = np.flatnonzero(log.get("nitrous_duty_percent") > 4)
    return log.time_s[on[0]], log.time_s[on[-1]]


def told(got, key):
    return " ".join(f"{f.title} {f.sentence}" for f in got.findings if f.key == key and f.asks != "go")


@pytest.mark.parametrize("word", ["---", "N/A"])
def test_blank_lambda_is_not_bridged(judge, log, word):
    """As numbers 0.15 s of it are a stop; as a blank it was a line and a go."""
    t = log.time_s
    got = judge(text(log, {"lambda_": (t > 5) & (t < 5.15)}, word))
    assert got.verdict == "repeat"
    assert "is blank from 5.0" in told(got, "samples")


def test_blanks_of_lambda_add_up(judge, log):
    """Each too short to count as a gap."""
    got = judge(text(log, {"lambda_": (log.time_s % 0.5 < 0.1) & (log.time_s > 2.3)}))
    assert got.verdict == "repeat"
    assert "Lambda is missing for" in told(got, "lean")


def test_rates_of_their_own_are_no_gaps(judge, log):
    """Each channel slower than the rows, blank between: nothing is missing, and a hole in one of them still is."""
    rows = np.arange(len(log.time_s))
    blank = {key: rows % every != 0 for key, every in EVERY.items()}
    got = judge(text(log, blank, ""))
    assert got.verdict == "go", got.headline
    assert not [f.title for f in got.findings if "blank" in f.title or "missing" in f.title]
    hole = (log.time_s > 5) & (log.time_s < 5.3)
    got = judge(text(log, blank | {key: blank[key] | hole for key in ("lambda_", "timing_deg_btdc", "knock")}, ""))
    assert got.verdict == "repeat"
    assert "is blank from 5.0" in told(got, "samples")


@pytest.mark.parametrize("own_step", [0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0])
def test_no_channel_loses_its_own_rate_and_lambda_none_of_its_readings(own_step):
    for key in ("lambda_", "lambda_2", "knock", "timing_deg_btdc", "fuel_kpa", "rpm"):
        assert bridged_s(key, own_step) > 1.4 * own_step
    assert bridged_s("lambda_", own_step) < max(UNSEEN_S, 2 * own_step)


@pytest.mark.parametrize(
    ("key", "whose", "asks"),
    [("timing_deg_btdc", "retard", "repeat"), ("knock", "knock", "repeat"), ("fuel_kpa", "fuel_pressure", "go")],
)
def test_one_blank_stretch_in_the_nitrous_is_told(judge, log, key, whose, asks):
    """No more than a tenth of the hit, but an engine breaks in less."""
    t = log.time_s
    got = judge(text(log, {key: (t > 5) & (t < 5.3)}))
    found = [f for f in got.findings if f.key == whose and f.state == "unjudged" and "blank" in f.title]
    assert [f.asks for f in found] == [asks], got.headline
    assert "from 5.0" in found[0].title
    assert got.verdict == asks


def test_a_blank_before_the_nitrous_is_not_told(judge, log):
    begin = spray(log)[0]
    t = log.time_s
    got = judge(but(log, knock=np.where(t < begin - 1.0, np.nan, log.get("knock"))))
    assert not [f.title for f in got.findings if "blank" in f.title]


def test_a_second_sensor_may_not_go_blank(judge, log):
    t, lambda_ = log.time_s, log.get("lambda_")
    second = lambda_ + np.random.default_rng(1).normal(0, 0.003, len(t))
    got = judge(but(log, lambda_2=np.where((t > 5) & (t < 5.4), np.nan, second)))
    assert got.verdict == "repeat"
    assert "blank for 0.39 s" in told(got, "lean")


@pytest.mark.parametrize("blank_s", [0.5, 0.9, 1.3])
def test_a_duty_that_is_blank_as_the_nitrous_comes_in(judge, log, blank_s):
    """The switch says that it flows: what lies there is judged, and how much flowed is asked for."""
    (begin, _), t = spray(log), log.time_s
    blank = (t > begin - 0.02) & (t < begin + blank_s)
    clean = but(log, nitrous_duty_percent=np.where(blank, np.nan, log.get("nitrous_duty_percent")))
    got = judge(clean)
    first = got.pulls[0].hits[0].command.start
    assert abs(t[first] - begin) < 0.05
    assert got.verdict == "repeat", got.headline
    assert "as the nitrous came in" in told(got, "samples")
    assert not told(got, "bottle") + told(got, "retard")
    if blank_s > 0.8:
        bad = judge(
            but(
                clean,
                timing_deg_btdc=log.get("timing_deg_btdc") + np.where(blank, 9.0, 0.0),
                lambda_=log.get("lambda_") + np.where(blank & (t > begin + 0.2), 0.12, 0.0),
            )
        )
        assert bad.verdict == "stop", bad.headline
        assert told(bad, "retard")


def test_a_switch_that_only_arms_makes_no_hit_of_a_blank(log):
    t, armed = log.time_s, np.ones(len(log.time_s))
    begin = spray(log)[0]
    blank = (t > begin - 1.5) & (t < begin - 0.8)
    held = but(log, nitrous_on=armed, nitrous_duty_percent=np.where(blank, np.nan, log.get("nitrous_duty_percent")))
    assert not commanded(held, SHEET)[0][t < begin - 0.1].any()
    assert not np.nan_to_num(commanded_share(held, SHEET))[t < begin - 0.1].any()


def test_the_switch_ends_a_blank_duty(log):
    """Held on, the throttle would seem not to have shut the nitrous off."""
    (_, end), t = spray(log), log.time_s
    blank = (t > end - 0.4) & (t < end + 0.3)
    held = but(log, nitrous_duty_percent=np.where(blank, np.nan, log.get("nitrous_duty_percent")))
    stop = np.flatnonzero(commanded(held, SHEET)[0])[-1]
    assert abs(t[stop] - end) < 0.03


@pytest.mark.parametrize("after_s", [-1.5, -0.1, 0.05, 0.2])
def test_a_log_that_ends_in_the_nitrous(judge, log, after_s):
    """Its last readings may rise as they like: nobody sees where to."""
    end = spray(log)[1] + after_s
    t = log.time_s
    rising = np.where(t > end - 0.12, np.clip((t - end + 0.12) / 0.12, 0, 1) * 0.08, 0.0)
    got = judge(until(but(log, lambda_=log.get("lambda_") + rising), end))
    assert got.verdict in ("repeat", "go back", "stop"), got.headline
    assert "The log ends" in told(got, "samples")
    plain = judge(until(log, end))
    assert plain.verdict == "repeat"
    assert "the log ends" in plain.headline


def test_a_log_that_runs_on_misses_nothing(log):
    for seconds in (1.2, 2.0):
        hits = [hit for pull in cut(until(log, spray(log)[1] + seconds), SHEET) for hit in pull.hits]
        assert hits
        assert not any(hit.missing_s for hit in hits)


@pytest.mark.parametrize("lines", [False, True])
@pytest.mark.parametrize("every", [20, 25])
def test_timing_read_too_rarely_shows_no_lost_retard(judge, log, every, lines):
    """Lost for nearly as long as from one reading to the next, and as planned in each of them."""
    t, rows = log.time_s, np.arange(len(log.time_s))
    first = rows[t > 5][0] // every * every
    lost = (rows > first) & (rows < first + every)
    timing = np.where(lost, log.get("timing_deg_btdc") + 12.0, log.get("timing_deg_btdc"))
    kept = np.interp(t, t[::every], timing[::every]) if lines else timing[rows // every * every]
    got = judge(but(log, timing_deg_btdc=kept))
    assert got.verdict == "repeat", got.headline
    assert f"{100 / every:.0f} times a second" in told(got, "retard")


@pytest.mark.parametrize("digit", [0.5, 1.0])
def test_coarse_timing_is_not_slow(judge, log, digit):
    timing = np.floor(log.get("timing_deg_btdc") / digit) * digit
    assert "a second" not in told(judge(but(log, timing_deg_btdc=timing)), "retard")


def test_timing_ten_times_a_second_is_enough(judge, log):
    rows = np.arange(len(log.time_s)) // 10 * 10
    assert judge(but(log, timing_deg_btdc=log.get("timing_deg_btdc")[rows])).verdict == "go"


@pytest.mark.parametrize(("every", "state"), [(20, "holds"), (50, "unjudged")])
def test_fuel_pressure_read_too_rarely_shows_no_sag(judge, log, every, state):
    """Five readings a second are a channel of its own rate, two a second miss a pump that gives in."""
    t, rows = log.time_s, np.arange(len(log.time_s))
    sag = np.where((t > 5.02) & (t < 5.02 + 0.0085 * every), 0.7, 1.0)
    got = judge(text(but(log, fuel_kpa=log.get("fuel_kpa") * sag), {"fuel_kpa": rows % every != 0}, ""))
    found = [f for f in got.findings if f.key == "fuel_pressure"]
    assert [f.state for f in found] == [state], found
