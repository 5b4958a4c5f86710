"""Nothing breaks the review: logs damaged as loggers damage them, channels that are missing, faults of our own; warnings are errors."""

import functools
import itertools
import json
import re

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError
from kernel_lib.logs import fit as fit_module
from kernel_lib.logs import review as review_module
from kernel_lib.logs.channels import CHANNELS, WANTED
from kernel_lib.logs.cut import cut
from kernel_lib.logs.finding import GO, GO_BACK, REPEAT, STOP, VERDICTS
from kernel_lib.logs.fit_noise import noise_of
from kernel_lib.logs.fit_solve import NoNumber
from kernel_lib.logs.judge_case import widened
from kernel_lib.logs.log import Log
from kernel_lib.logs.mapping import apply, propose
from kernel_lib.logs.read import read_log
from kernel_lib.logs.review import FAULT, fit_of, review
from kernel_lib.logs.sim_write import STYLES, text_of
from kernel_lib.logs.simulate import SCENARIOS, simulate
from kernel_lib.plan.tune import tune_of
from kernel_lib.sheets.review_sheet import review_html
from kernel_lib.text import lowered

pytestmark = pytest.mark.filterwarnings("error")

HOLE = re.compile(r"(?<![\w-])(nan|inf)(?!\w)|\bNone\b")
NAMES = ("clean", "late_fuel", "shift", "base", "knock", "misfire_rich", "trimmed", "false_start", "badger_hit", "badger_base")  # fmt: skip


@functools.cache
def planned(name):
    sheet = BuildSheet.demo(SCENARIOS[name].car)
    return sheet, tune_of(sheet)


@functools.cache
def log_of(name):
    return simulate(SCENARIOS[name], 1).log


def made(log, data, step=0.01, rate=None):
    n = len(next(iter(data.values()), log.time_s))
    return Log(log.name, np.arange(n) * step, data, log.rate_hz if rate is None else rate)


def judged(log, name, *, paper=False):
    """The review of a log, looked through: verdict, JSON, fit, words, and the printed page."""
    sheet, tune = planned(name)
    got = review(log, sheet, tune=tune)
    assert got.verdict in VERDICTS
    found = fit_of([got]) if got.kind != "nothing" else None  # not Review.fit, which swallows faults of our own
    json.loads(got.to_json(), parse_constant=pytest.fail)
    words = [got.headline, *got.gates, *(c.sentence for c in got.changes)]
    words += [text for f in got.findings for text in (f.title, f.sentence)]
    words += [*found.in_words, *found.notes, *(p.because for p in found.parameters)] if found else []
    holes = [text for text in words if HOLE.search(text)]
    if paper:
        holes += HOLE.findall(re.sub(r"<style.*?</style>", "", review_html(got), flags=re.S))
    assert holes == []
    return got


# --- damage -----------------------------------------------------------------------------------------------------------------


def some(rng, log, most=4):
    return list(rng.choice(list(log.data), size=rng.integers(1, most + 1)))


def blanked(rng, log):
    """Stretches without a value, in some channels."""
    data, n = {k: v.copy() for k, v in log.data.items()}, len(log.time_s)
    for key in some(rng, log, 6):
        a = rng.integers(0, n)
        data[key][a : a + rng.integers(1, max(n // 3, 2))] = np.nan
    return made(log, data)


def gap(rng, log):
    """Nothing at all was logged for a while, maybe in a hit."""
    data, n = {k: v.copy() for k, v in log.data.items()}, len(log.time_s)
    a = rng.integers(n // 4, n - 1)
    for values in data.values():
        values[a : a + rng.integers(2, 120)] = np.nan
    return made(log, data)


def empty(rng, log):
    return made(log, log.data | {k: np.full(len(log.time_s), np.nan) for k in some(rng, log, 5)})


def constant(rng, log):
    ends = {k: float(rng.choice([np.nanmin(log.data[k]), np.nanmax(log.data[k]), 0.0])) for k in some(rng, log)}
    return made(log, log.data | {k: np.full(len(log.time_s), v) for k, v in ends.items()})


def single(rng, log):
    """Hardly a value in a channel."""
    data = dict(log.data)
    for key in some(rng, log, 3):
        at, data[key] = rng.integers(0, len(log.time_s), rng.integers(1, 6)), np.full(len(log.time_s), np.nan)
        data[key][at] = log.data[key][at]
    return made(log, data)


def spikes(rng, log):
    data = {k: v.copy() for k, v in log.data.items()}
    for key in some(rng, log, 6):
        at = rng.integers(0, len(log.time_s), rng.integers(1, 60))
        data[key][at] = rng.choice([CHANNELS[key].low, CHANNELS[key].high], len(at))
    return made(log, data)


def clipped(rng, log):
    low = rng.uniform(0.6, 0.95)
    data = log.data | {"lambda_": np.clip(log.data["lambda_"], low, rng.uniform(low, 1.6))}
    for key in some(rng, log, 2):
        data[key] = np.clip(log.data[key], *np.sort(rng.choice(log.data[key], 2)))
    return made(log, data)


def scaled(rng, log):
    return made(log, log.data | {k: log.data[k] * rng.uniform(0.3, 1.7) for k in some(rng, log, 2)})


def noisy(rng, log):
    n = len(log.time_s)
    return made(log, log.data | {k: log.data[k] + log.data[k].std() * rng.standard_normal(n) for k in some(rng, log)})


def slower(rng, log):
    """5 to 50 samples a second: the clock itself, or values held."""
    every = int(rng.choice([2, 3, 5, 10, 20]))
    if rng.random() < 0.5:
        rate = dict.fromkeys(log.data, 100 / every)
        return made(log, {k: v[::every] for k, v in log.data.items()}, 0.01 * every, rate)
    held = {k: np.repeat(log.data[k][::every], every)[: len(log.time_s)] for k in some(rng, log, 5)}
    return made(log, log.data | held, rate=log.rate_hz | dict.fromkeys(held, 100 / every))


def short(rng, log):
    a = rng.integers(0, len(log.time_s))
    b = a + rng.choice([0, 1, 2, 3, 5, 8, 13, 30, 80, 150, 300])
    return made(log, {k: v[a:b] for k, v in log.data.items()})


def long(rng, log):
    times = int(rng.integers(2, 5))
    return made(log, {k: np.tile(v, times) for k, v in log.data.items()})


def throttle(rng, log):
    """Full throttle for single samples, or broken."""
    values = log.data["throttle_percent"].copy()
    if rng.random() < 0.3:
        values = np.where(np.isin(np.arange(len(values)), rng.integers(0, len(values), 12)), 100.0, 20.0)
    for a in rng.integers(0, len(values), 6):
        values[a : a + rng.integers(1, 200)] = rng.choice([0.0, 15.0, 60.0, 89.0, 100.0])
    return made(log, log.data | {"throttle_percent": values})


def speed(rng, log):
    """Engine speed beyond the full-throttle table, or flat."""
    flat = np.full(len(log.time_s), rng.choice([0.0, 500.0, 4000.0, 9000.0]))
    wrong = np.clip(log.data["rpm"] * rng.choice([0.1, 0.5, 1.15, 1.3, 1.6, 2.2]), 0, 15000)
    return made(log, log.data | {"rpm": flat if rng.random() < 0.4 else wrong})


def sprayed(rng, log):
    """Nitrous in the cruise, all the time, or as noise."""
    n, how, a = len(log.time_s), rng.integers(0, 3), rng.integers(0, len(log.time_s))
    duty = np.zeros(n) if how == 0 else np.full(n, rng.choice([3.0, 5.0, 50.0, 100.0])) if how == 1 else rng.choice([0.0, 60.0], n)  # fmt: skip
    duty[a : a + rng.integers(1, 300)] = rng.uniform(20, 100)
    return made(log, log.data | {"nitrous_duty_percent": duty, "nitrous_on": 1.0 * (duty > 4)})


def missing(rng, log):
    gone = set(rng.choice(list(log.data), size=rng.integers(1, 8), replace=False))
    return made(log, {k: v for k, v in log.data.items() if k not in gone})


DAMAGE = (blanked, gap, empty, constant, single, spikes, clipped, scaled, noisy, slower, short, long, throttle, speed, sprayed)  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_a_damaged_log_is_judged(name):
    """Every kind of damage in two scenarios, half of them on top of channels that are missing."""
    which = NAMES.index(name)
    for k in range(which % 5, len(DAMAGE), 5):
        rng = np.random.default_rng([which, k])
        log = DAMAGE[k](rng, log_of(name))
        log = missing(rng, log) if rng.random() < 0.5 else log
        judged(log, name, paper=k < 5)


def torn(rng, text):
    """A file that stops, lost lines, wrote some twice, began anew, or left lines half written."""
    lines, how = text.split("\n"), rng.integers(0, 5)
    if how == 0:
        lines = [line for line in lines for _ in range(1 + (rng.random() < 0.05))]
    elif how == 1:
        lines = lines[: (k := int(rng.integers(2, len(lines))))] + lines[k + 200 :]
    elif how == 2:
        for k in rng.integers(0, len(lines), 20):
            lines[k] = lines[k][: rng.integers(0, len(lines[k]) + 1)]
    elif how == 3:
        lines = lines[: rng.integers(1, len(lines))]
    else:
        lines += lines[3:]
    return "\n".join(lines)


@pytest.mark.parametrize("seed", range(0, 15, 2))
def test_a_damaged_file_is_judged_or_refused_in_a_sentence(seed):
    rng = np.random.default_rng([77, seed])
    name = NAMES[seed % len(NAMES)]
    log = DAMAGE[seed](rng, log_of(name))
    text = torn(rng, text_of(log, list(STYLES)[seed % len(STYLES)]))
    sheet, log, refused = planned(name)[0], None, None
    try:
        raw = read_log(text.encode(), "torn.csv")
        log = apply(raw, propose(raw, sheet), sheet)
    except InputError as error:
        refused = error
    if refused is None:
        judged(log, name)
    else:
        assert refused.reason.endswith((".", "?"))


# --- channels that are missing ----------------------------------------------------------------------------------------------

ALONE = {"no_retard": "", "knock": "knock", "cold_bottle": "bottle_kpa", "shift": "", "badger_hit": ""}
"""Faults, and the channel in which alone each shows and without which the verdict may be go."""


@pytest.mark.parametrize("name", list(ALONE))
def test_a_channel_less_never_makes_a_bad_log_good(name):
    """What is no longer seen is unjudged, and a gate names it."""
    log, (sheet, tune) = log_of(name), planned(name)
    whole = review(log, sheet, tune=tune)
    keys = [key for key in ("rpm", *WANTED) if key in log.data]
    pairs = list(itertools.combinations(keys, 2))
    for gone in [*((key,) for key in keys), *(pairs[k] for k in np.random.default_rng(5).choice(len(pairs), 2))]:
        got = review(made(log, {k: v for k, v in log.data.items() if k not in gone}), sheet, tune=tune)
        if VERDICTS.index(got.verdict) >= VERDICTS.index(whole.verdict):
            continue
        assert got.verdict != GO or ALONE[name] in gone, gone
        unjudged = [f.title for f in got.findings if f.state == "unjudged"]
        if got.kind != "nothing":
            assert any(lowered(title) in gate for title in unjudged for gate in got.gates), gone
        assert unjudged, gone
        assert got.gates, gone


def test_a_log_of_nothing_has_no_pull():
    sheet, _ = planned("clean")
    for n in (0, 1, 2, 5):
        log = made(log_of("clean"), {k: v[:n] for k, v in log_of("clean").data.items()})
        assert cut(log, sheet) == ()
        assert (judged(log, "clean").kind, judged(log, "clean").verdict) == ("nothing", REPEAT)
    blank = {k: np.full(900, np.nan) for k in log_of("clean").data}
    assert judged(made(log_of("clean"), blank), "clean").kind == "nothing"


def test_what_is_widened_keeps_its_length():
    mask = np.zeros(3, bool)
    mask[0] = True
    assert widened(mask, 9).tolist() == [True] * 3
    assert widened(np.eye(9, dtype=bool)[4], 2).tolist() == [False] * 2 + [True] * 5 + [False] * 2


def test_a_fuel_pressure_that_reads_nothing_is_no_steady_one():
    log = log_of("clean")
    got = judged(made(log, log.data | {"fuel_kpa": np.zeros(len(log.time_s))}), "clean")
    assert got.verdict in (STOP, GO_BACK)


# --- the fit ----------------------------------------------------------------------------------------------------------------


def test_a_gap_beside_used_readings_leaves_the_noise_known():
    w = fit_of([judged(log_of("base"), "base")]).windows[0]
    modelled, bins = 1 / w.shown, len(w.bins[1])
    modelled[int(np.flatnonzero(np.diff(w.use.astype(int)) == 1)[0])] = np.nan
    residual = 0.003 * np.random.default_rng(1).standard_normal(bins)
    assert np.isfinite(noise_of(w, residual, np.ones((bins, 1)), modelled)).all()


def failing(error):
    def raised(*_args, **_more):
        raise error

    return raised


def test_only_a_named_condition_refuses_a_fit(monkeypatch):
    got = judged(log_of("base"), "base")
    monkeypatch.setattr(fit_module, "solve", failing(NoNumber()))
    assert fit_of([got]).refused == fit_module.NO_SUCH_CAR
    monkeypatch.setattr(fit_module, "solve", failing(ValueError("a fault of our own")))
    with pytest.raises(ValueError, match="of our own"):
        fit_of([got])


def test_a_fault_of_our_own_is_written_down_and_leaves_the_judgement(monkeypatch, caplog):
    sheet, tune = planned("base")
    got = review(log_of("base"), sheet, tune=tune)
    monkeypatch.setattr(review_module, "fit", failing(ZeroDivisionError("a fault of our own")))
    assert json.loads(got.to_json())["fit"]["refused"] == FAULT
    assert got.verdict == GO
    assert "a fault of our own" in caplog.text
