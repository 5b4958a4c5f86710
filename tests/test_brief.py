"""The customer's brief: what it says first, where its numbers come from, what it must never hold; and its pictures."""

import ast
import datetime
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from functools import lru_cache
from html import unescape
from pathlib import Path

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError
from kernel_lib.doubts import doubts
from kernel_lib.plan.bottle_day import least_fill
from kernel_lib.plan.proposals import entry_ends
from kernel_lib.plan.ramp import Ramp
from kernel_lib.plan.room import dose_map, nothing_fits
from kernel_lib.plan.tune import Tune, tune_of, tune_rows
from kernel_lib.sheets import brief_open, svg
from kernel_lib.sheets import brief_words as words
from kernel_lib.sheets.brief import QUESTION, brief_body, brief_html
from kernel_lib.sheets.brief_asked import asked, asked_table, flowing
from kernel_lib.sheets.brief_open import open_items
from kernel_lib.sheets.brief_words import Units
from kernel_lib.sheets.plan_sheet import CAUTIONS
from kernel_lib.sheets.tune_sheet import _assumed

WREN, BADGER = (BuildSheet.demo(name) for name in ("wren_five", "badger_eight"))
HOSTILE = "<script>alert(1)</script>\"'&<img src=x onerror=y>"
DAY = datetime.date(2026, 11, 26)
MOST_WORDS = 1100
KPA_PER_PSI, KG_PER_LB, KW_PER_HP = 6.894757, 0.45359237, 0.74569987  # NIST SP 811
US, METRIC = Units(metric=False), Units(metric=True)


@lru_cache(maxsize=16)
def tune(sheet):
    return tune_of(sheet)


@lru_cache(maxsize=32)
def page(sheet, metric=False):
    return brief_html(tune(sheet), metric=metric, date=DAY)


def said(html):
    """The words a reader reads, without those in pictures."""
    html = re.sub(r"<style>.*?</style>|<svg.*?</svg>|<title>.*?</title>", " ", html, flags=re.S)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def pictures(html):
    return [ET.fromstring(text) for text in re.findall(r"<svg.*?</svg>", html, flags=re.S)]


def told(change, sheet=WREN):
    """The tune of a sheet with a field changed that only sentences depend on: nothing is computed anew."""
    was, now = tune(sheet), sheet.replace(change)
    return replace(was, sheet=now, room=replace(was.room, sheet=now))


def text_of(t, metric=False):
    return said(brief_html(t, metric=metric, date=DAY))


CARS = pytest.mark.parametrize("sheet", [WREN, BADGER], ids=["wren", "badger"])
SYSTEMS = pytest.mark.parametrize("metric", [False, True], ids=["us", "metric"])


# --- the whole of it


@CARS
@SYSTEMS
def test_it_stands_alone(sheet, metric):
    html = page(sheet, metric)
    for word in ("http", "src=", "<link", "<script", "@import", "url(", "javascript:", "<iframe", "<img", "href="):
        assert word not in html.lower(), word
    assert html.lower().startswith("<!doctype html>")
    for tag in ("section", "div", "p", "ul", "ol", "li", "h1", "h2", "svg", "style", "span", "b"):
        assert len(re.findall(rf"<{tag}[ >]", html)) == html.count(f"</{tag}>"), tag
    assert html.count("<h1>") == 1


@CARS
@SYSTEMS
def test_it_is_read_in_five_minutes(sheet, metric):
    count = len(re.findall(r"\S*\w\S*", said(page(sheet, metric))))
    assert 700 < count <= MOST_WORDS
    named = [word for word in labels(page(sheet, metric)).split() if re.search(r"[^\W\d]", word)]
    assert len(named) < 250  # names and findings in the pictures


@CARS
@SYSTEMS
def test_nothing_unknown_is_printed(sheet, metric):
    text = said(page(sheet, metric)) + " ".join("".join(p.itertext()) for p in pictures(page(sheet, metric)))
    assert not re.search(r"\b(?:nan|inf|None|np\.float64)\b|–", text)
    assert "!" not in text
    assert "nan" not in re.sub(r"<style>.*?</style>", "", page(sheet, metric), flags=re.S).lower()


@CARS
def test_what_an_owner_must_be_told_is_there(sheet):
    text = said(page(sheet))
    for word in (
        "not legal advice" if "not legal advice" in text else "no legal advice", "public road", "insurance", "warranty", "No second try", "do not crank it, not once",
        "voids the plan", "Nobody has written down", "were assumed; the tune sheet lists them", "Ignition off, bottle shut", "holds it there", "Parts nobody inspected", "2026-11-26",
    ):  # fmt: skip
        assert word in text, word
    assert all(caution in text for caution in CAUTIONS)


def test_signatures_certify_nothing():
    assert "They are no certification of parts, car or plan." in said(page(WREN))
    assert '<div class="sign"><span>Owner</span><span>Tuner</span><span>Date</span></div>' in page(WREN)


def test_common_practice_is_called_so():
    assert said(page(WREN)).count("ommon practice, no source") == 2  # warm engine; upkeep


def test_a_hostile_name_is_only_text():
    fields = dict.fromkeys(("car.name", "car.owner", "car.shop", "car.currency"), HOSTILE)
    html = brief_html(told(fields | {"nitrous.price_per_kg": 2.0}), date=DAY)
    assert "<script" not in html
    assert "<img" not in html
    assert html.count("&lt;script&gt;alert(1)&lt;/script&gt;") == 5  # car twice, owner, shop, currency


def test_body_has_no_heading_of_its_own():
    assert "<h1>" not in brief_body(tune(WREN), date=DAY)
    assert f"<h1>{QUESTION}</h1>" in page(WREN)
    assert brief_body(tune(WREN), date=DAY, title=QUESTION) in page(WREN)


@CARS
@SYSTEMS
def test_units_are_of_one_system(sheet, metric):
    if sheet is BADGER:  # its bottle is cold: a doubt with temperature and pressures in it
        assert [d for d in doubts(BADGER) if "kPa" in d.sentence]
    html = page(sheet, metric)
    text = said(html) + " ".join("".join(p.itertext()) for p in pictures(html))
    ours, others = (
        ((" kW", " N m", " bar", " kg", " °C", " mm"), (" psi", " lb ", " °F", " hp at", " kPa"))
        if metric
        else ((" hp", " lb ft", " psi", " lb ", " °F", " in "), (" kPa", " kW", " N m", " kg", " °C", " bar"))
    )
    assert all(unit in text for unit in ours if sheet is WREN or unit not in (" kW", " hp"))
    assert not [unit for unit in others if unit in text]


# --- a plan that is forbidden


def test_forbidden_is_said_first_and_nothing_is_promised():
    html = page(BADGER)
    text = said(html)
    assert (
        text.index("Do not spray yet.")
        < text.index("You asked for 150 hp more")
        < text.index("What it would cost in margin")
    )
    assert text.split(QUESTION)[1].lstrip().startswith("Do not spray yet.")
    assert "becomes about" not in html
    assert "chassis dynamometer" not in text
    assert 'class="sign"' not in html
    assert "Not for signature" in text
    assert "What must happen first." in text
    low, high, allowed = (
        float(v)
        for v in re.search(
            r"From (\d+) to (\d+) rpm the plan asks for all of the nitrous flow, where at worst only (\d+) %", text
        ).groups()
    )
    room = dose_map(BADGER)
    assert low == room.rpm[0]
    assert allowed == pytest.approx(100 * room.most[0], abs=0.5)
    assert room.most_at(high) < 1 <= room.most_at(high + 50)


def test_allowed_is_not_forbidden():
    assert not tune(WREN).blockers
    assert "Do not spray" not in said(page(WREN))
    assert "Not for signature" not in said(page(WREN))


def test_what_has_no_plain_words_stands_as_the_plan_says_it():
    other = "The bottle holds more than its rated weight: have it emptied by a licensed filler."
    t = replace(tune(BADGER), blockers=[*tune(BADGER).blockers, other])
    reasons = brief_open.reasons(t, metric=False)
    assert len(reasons) == 2
    assert reasons[1] == other
    assert all(reason in text_of(t) for reason in reasons)


def test_nothing_flows_is_a_brief_too():
    was = tune(WREN)
    ramp = Ramp("over rpm", np.array([2500.0]), np.array([0.0]), "proposed")
    rpm = was.table["rpm"].to_numpy()
    room = replace(was.room, allowed={"power": np.zeros(len(was.room.rpm))})
    t = Tune(WREN, room, ramp, tune_rows(WREN, room, ramp, rpm, np.zeros(len(rpm))), [nothing_fits(room)])
    text = text_of(t)
    assert text.split(QUESTION)[1].lstrip().startswith("Do not spray yet.")
    assert nothing_fits(room) in text
    assert all(caution in text for caution in CAUTIONS)
    assert not pictures(brief_html(t))
    assert not re.search(r"\bnan\b", text)


def test_no_timing_known_is_a_brief_too():
    """Where no dose of the ramp can be timed nothing is promised, and nothing is printed for a number."""
    was = told({"engine.limit_rpm": 9000.0, "nitrous.spray_rpm_max": 6800.0}, BADGER)  # closes where its window does
    blank = [
        c
        for c in was.table
        if c.startswith(
            ("power_gain", "power_hp", "torque_nm", "retard", "timing", "peak", "knock", "exhaust", "gauge")
        )
    ]
    html = brief_html(replace(was, table=was.table.assign(**dict.fromkeys(blank, np.nan))), date=DAY)
    assert "no spark is late enough" in said(html)
    assert len(pictures(html)) == 5
    assert not re.search(r"\bnan\b|–", re.sub(r"<style>.*?</style>", "", html, flags=re.S))


# --- its numbers


def numbers(pattern, text):
    found = re.search(pattern, text)
    assert found, pattern
    return [float(v.replace(" ", "")) for v in found.groups()]


def test_no_number_is_typed_in_a_sentence():
    """Strings of the modules that make prose and pictures hold no digit; only how a number is written may."""
    for module in (words, brief_open, __import__("kernel_lib.sheets.brief_pictures", fromlist=["x"])):
        tree = ast.parse(Path(module.__file__).read_text(encoding="utf-8"))
        specs = {
            id(n)
            for f in ast.walk(tree)
            if isinstance(f, ast.FormattedValue) and f.format_spec
            for n in ast.walk(f.format_spec)
        }
        typed = [
            n.value
            for n in ast.walk(tree)
            if isinstance(n, ast.Constant)
            and isinstance(n.value, str)
            and id(n) not in specs
            and re.search(r"\d", n.value)
        ]
        assert typed == []


@SYSTEMS
def test_power_is_that_of_the_table(metric):
    """At the speed where the plan asks to close, read off the map there; the engine's own between its dynamometer points."""
    best, low, high, rpm, own, gain = numbers(
        r"makes about (\d+) \((\d+) to (\d+)\) \w+ at (\d+) rpm, where the nitrous closes, against ([\d.]+) without: likely (\d+) more",
        said(page(WREN, metric)),
    )
    factor = KW_PER_HP if metric else 1.0
    t = tune(WREN)
    row = tune_rows(WREN, t.room, t.ramp, np.array([rpm]), t.share_at(np.array([rpm]))).iloc[0]
    assert rpm == asked(t).close == 5300
    assert 168.1 * factor < own < 172 * factor + 0.5  # of the table's 5000 and 5500 rpm
    for value, name in ((best, "power_gain_hp"), (low, "power_gain_hp_low"), (high, "power_gain_hp_high")):
        assert value == pytest.approx(factor * (row["power_own_hp"] + row[name]), abs=5.1)
    assert gain == pytest.approx(factor * row["power_gain_hp"], abs=0.6)
    (wheels,) = numbers(r"dynamometer would show about (\d+) ", said(page(WREN, metric)))
    assert wheels == pytest.approx(0.88 * factor * row["power_hp"], abs=5.1)


@SYSTEMS
def test_torque_is_compared_as_on_the_planner(metric):
    """The highest of each curve, wherever it is."""
    own, best, rpm = numbers(r"Most torque: (\d+) .+? becomes about (\d+) .+?, at (\d+) rpm", said(page(WREN, metric)))
    table, factor = tune(WREN).table, 1.0 if metric else 0.737562
    assert own == pytest.approx(factor * table["torque_own_nm"].max(), abs=0.6)
    assert best == pytest.approx(factor * table["torque_nm"].max(), abs=5.1)
    assert rpm == table["rpm"][table["torque_nm"].idxmax()]


def labels(html):
    """Titles and texts of the pictures, without the numbers at their axes."""
    every = (t for picture in pictures(html) for t in picture.iter() if t.text and t.attrib.get("fill") != "#5b6470")
    return " ".join(t.text for t in every)


@CARS
def test_one_set_of_limits_is_stated(sheet):
    """What the tune sheet says to type; what the build sheet has instead stands under Still open alone, once."""
    text, to_type = said(page(sheet)), {p.name: p for p in tune(sheet).proposals}
    lean, rich, close = (to_type[name] for name in ("lean stop", "rich stop", "nitrous closes at"))
    stated = numbers(r"Mixture gauge above ([\d.]+) or below ([\d.]+); .*?outside \d+ to (\d+) rpm", text)
    assert stated == pytest.approx([14.7 * lean.value, 14.7 * rich.value, close.value], abs=0.051)
    still = open_items(tune(sheet), metric=False)
    elsewhere = text + labels(page(sheet))
    for item in still:
        elsewhere = elsewhere.replace(item, "")
    for p in (lean, rich, close):
        scale, digits = (1.0, 0) if p is close else (14.7, 1)
        has = f"{scale * p.sheet:.{digits}f}"
        assert sum(has in item for item in still) == 1
        assert not re.search(rf"(?<![\d.]){has}(?![\d.]) (?:rpm|AFR)|above {has}|below {has}", elsewhere)
    assert f"{14.7 * lean.value:.1f} AFR" in labels(page(sheet))
    assert f"{close.value:.0f} rpm" in labels(page(sheet))


def test_nothing_flows_past_the_closing_that_is_asked():
    """The table goes on without nitrous; sentences and pictures stop there."""
    t = tune(WREN)
    assert flowing(t)["rpm"].max() == 5300 < t.table["rpm"].max() == 6000
    beyond = asked_table(t).set_index("rpm").loc[[5500.0, 6000.0]]
    assert beyond[["share_percent", "power_hp", "retard_deg", "nitrous_kg_s"]].isna().all(axis=None)
    assert np.isfinite(beyond["power_own_hp"]).all()
    assert "5500 rpm" not in said(page(WREN))
    assert "100 % at 5300 rpm, where it closes" in said(page(WREN))


def test_other_gauges_are_those_of_the_sheet():
    text = said(page(WREN))
    assert numbers(r"without nitrous: ([\d.]+) to ([\d.]+)\.", text) == pytest.approx(
        [0.85 * 14.7, 0.91 * 14.7], abs=0.051
    )
    low, high = numbers(r"Bottle gauge: (\d+) to (\d+) psi", labels(page(WREN)))
    assert [low, high] == pytest.approx([6205 / KPA_PER_PSI, 6895 / KPA_PER_PSI], abs=0.51)
    assert numbers(r"within (\d+) % of (\d+) psi", text) == pytest.approx([5, 300 / KPA_PER_PSI], abs=0.51)
    assert numbers(r"Coolant above (\d+) °F", text) == [70 * 1.8 + 32]


def test_metric_pressures_are_in_bar_without_false_digits():
    assert numbers(r"Bottle gauge: (\d+) to (\d+) bar", labels(page(WREN, True))) == [62, 69]
    assert "within 5 % of 3.0 bar" in said(page(WREN, True))
    assert "the bottle stands at 61 bar gauge, below its window of 62 to 69 bar" in said(page(BADGER, True))
    assert "At 84 °F the bottle stands at 881 psi gauge, below its window of 900 to 1000 psi" in said(page(BADGER))


@pytest.mark.parametrize(
    "change",
    [
        {"nitrous.bottle_temperature_c": 35.9},
        {"nitrous.bottle_fill_kg": 5.0},
        {"site.altitude_m": 1500.0},
        {"engine.full_throttle_manifold_kpa": 80.0},
        {"engine.full_throttle_manifold_kpa": 104.0},
        {"nitrous.bottle_fill_kg": 0.5},
    ],
)
def test_doubts_follow_the_readers_units(change):
    """Nothing of the other system in either; with none asked for, as ever."""
    sheet = WREN.replace(change)
    assert len(doubts(sheet)) > len(doubts(WREN))
    us, metric = (" ".join(d.sentence for d in doubts(sheet, metric=m)) for m in (False, True))
    assert not re.search(r"kPa|°C|\bkg\b|\bbar\b|kelvin|\d m\b", us)
    assert not re.search(r"psi|°F|\blb\b|inHg|\d ft\b", metric)
    assert [d.weight for d in doubts(sheet)] == [d.weight for d in doubts(sheet, metric=True)]


def test_spark_is_the_tables():
    low, high = numbers(r"the spark comes ([\d.]+) to ([\d.]+) degrees later", said(page(WREN)))
    rows = tune(WREN).table.set_index("rpm")["retard_deg"]
    assert high == rows.max()
    assert rows[5500.0] <= low <= rows[5000.0]


def test_nitrous_and_cost_of_a_pass():
    """The largest flow times the time of a pass; the price times that."""
    t = tune(WREN)
    most = 6.0 * t.table["nitrous_kg_s"].max()
    worst = 6.0 * t.table["nitrous_kg_s_high"].max()
    for units, kg in ((METRIC, 1.0), (US, KG_PER_LB)):
        told_ = numbers(r"takes about ([\d.]+) \w+ of nitrous, at most ([\d.]+) ", words.one_pass(units=units, tune=t))
        assert told_ == pytest.approx([most / kg, worst / kg], rel=0.03)
    assert words.one_pass(t, US).endswith("Cost not stated.")
    priced = told({"nitrous.price_per_kg": 17.5, "car.currency": "crowns"})
    (cost,) = numbers(r"costs about ([\d.]+) \([\d. to]+\) crowns a pass", words.one_pass(priced, US))
    assert cost == pytest.approx(17.5 * most, rel=0.03)
    assert "in the currency of the sheet's price" in words.one_pass(told({"nitrous.price_per_kg": 17.5}), US)
    assert len(re.findall(r"\S*\w\S*", text_of(priced))) <= MOST_WORDS


def test_passes_left_are_as_many_as_the_liquid_allows():
    """The last counted pass still begins above the least fill, one more would not."""
    t = tune(WREN)
    drawn = 6.0 * float(t.table["nitrous_kg_s"].max())
    count, least = words.passes_left(t), least_fill(WREN, drawn)
    assert count > 3
    assert 4.54 - (count - 1) * drawn >= least > 4.54 - count * drawn
    empty = told({"nitrous.bottle_fill_kg": float(least) - 0.01})
    assert words.passes_left(empty) == 0
    assert "does not hold enough for one" in words.one_pass(empty, US)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"nitrous.throttle_min_percent": 84.0}, "84 %"),
        ({"limits.lean_stop_lambda": 0.9}, "the sheet has lean 13.2"),
        ({"limits.rich_stop_lambda": 0.8}, "and rich 11.8."),
        ({"limits.lean_stop_lambda": 0.86}, "it would end every pass"),
        ({"nitrous.pass_s": 9.0}, "9 s at a time"),
        ({"controller.limiter_cuts": "fuel"}, "cut fuel alone, which on nitrous can burn a piston: rev limiter"),
        ({"controller.timing_follows": False}, "do not stay after a shut-off: each then ends lean and early. They must stay 1.3 s"),
        ({"driveline.efficiency_percent": 80.0}, "about 80 % reaches the wheels (this sheet's)"),
        ({"nitrous.discharge_coefficient": None, "nitrous.discharge_error": None, "nitrous.discharge_temperature_c": None, "nitrous.discharge_bore_mm": None}, "has not been weighed in"),
    ],
)  # fmt: skip
def test_what_the_sheet_says_is_what_the_brief_says(change, sentence):
    assert sentence in text_of(told(change))
    assert sentence not in said(page(WREN))


MENDED = {
    "controller.limiter_cuts": "both",
    "controller.shift_cuts": "both",
    "controller.traction_cuts": "nothing",
    "engine.limit_rpm": 7600.0,
    "limits.lean_stop_lambda": 0.925,
    "limits.rich_stop_lambda": 0.75,
}


def test_still_open():
    """Every limit that the sheet has on the unsafe side of what the plan asks, once; what a sheet mends goes."""
    still = open_items(tune(WREN), metric=False)
    for k, start in enumerate(("The nitrous must close at 5300", "Fuel must come 50 ms", "Added fuel and late spark must stay 1.3 s", "Mixture stops must be", "Nobody has written")):  # fmt: skip
        assert still[k].startswith(start)
    assert len(still) == 5
    assert "too short after a lift, which the driver's rule asks for" in still[2]
    assert "foot off for at least 1.3 s" in said(page(WREN))
    t = told(
        MENDED
        | {"nitrous.fuel_lead_ms": next(p.value for p in tune(WREN).proposals if p.name == "fuel before nitrous")}
    )
    assert [item.split(" must ")[0] for item in open_items(t, metric=False)] == ["Added fuel and late spark"]
    assert "5 points are still open." in said(page(WREN))
    assert "1 point is still open." in text_of(t)


def test_no_signature_before_the_open_points_are_settled(monkeypatch):
    assert "Not before the points still open are settled. Owner Tuner Date" in said(page(WREN))
    monkeypatch.setattr("kernel_lib.sheets.brief.open_items", lambda *_, **__: [])
    text = text_of(tune(WREN))
    assert "Still open" not in text
    assert "Not before" not in text


def test_fuel_lead_is_judged_on_both_sides():
    """Too short is lean; where the lead that mends it drowns the first strokes, both are said, with the reading."""
    lead = next(item for item in open_items(tune(BADGER), metric=False) if item.startswith("Fuel must come"))
    assert numbers(r"come (\d+) ms .*? the sheet has (\d+)\.", lead) == [170, 100]
    richest = 14.7 * float(entry_ends(BADGER, tune(BADGER).dosed, np.array([0.17]))[0][0])
    shown, doubtful = numbers(r"too rich to fire \(([\d.]+) on the gauge; doubtful below ([\d.]+),", lead)
    assert [shown, doubtful] == pytest.approx([richest, 14.7 * 0.7], abs=0.051)
    assert shown < doubtful
    assert "no lead is safe both ways" in lead
    harmless = told({"limits.misfire_rich_lambda": 0.5})
    assert not [item for item in open_items(harmless, metric=False) if item.startswith("Fuel must come")]


def test_every_limit_passed_is_a_reason():
    """The margin and the reasons name the same limits; the speeds are those of the map."""
    reason, room = brief_open.reasons(tune(BADGER), metric=False)[0], dose_map(BADGER)
    assert "exhaust gets too hot" in reason
    low, high = numbers(r"From (\d+) to (\d+) rpm, besides, the clutch would slip\.", reason)
    clutch = np.interp([low, high, high + 50], room.rpm, room.allowed["clutch"])
    assert clutch[0] < 1
    assert clutch[1] < 1 <= clutch[2]
    assert re.search(r"Exhaust heat \(\d+ %\) and the clutch \(\d+ %\) pass the limit", said(page(BADGER)))


@CARS
def test_assumed_numbers_are_as_many_as_the_tune_sheet_lists(sheet):
    (count,) = numbers(r"(\d+) numbers were assumed; the tune sheet lists them", said(page(sheet)))
    listed = _assumed(tune(sheet)).split("and assumed: ")[1].split(". Missing or doubtful")[0]
    assert count == len(listed.split("; "))
    assert count < len(sheet.assumptions())


def test_a_fuel_of_much_ethanol_is_tested():
    assert "ethanol tester, not by the label: it must show 78 % by volume." in said(page(BADGER))
    assert "ethanol" not in said(page(WREN))


@pytest.mark.parametrize(
    ("sheet", "sentence"),
    [
        (WREN, "so it comes in with speed: 47 % of the flow at 2500 rpm, 100 % at 5300 rpm, where it closes."),
        (BADGER, "Here: all of it at once from 3000 rpm."),
        (BADGER.replace({"ramp.kind": "stages", "ramp.rpm": [3300.0, 4800.0], "ramp.share_percent": [40.0, 90.0]}), "Here: 40 % of the full flow from 3300 rpm and 90 %"),
        (WREN.replace({"ramp.kind": "over time", "ramp.time_s": [0.2, 1.5], "ramp.share_percent": [30.0, 90.0]}), "Here: 30 % of the flow after 0.2 s"),
    ],
    ids=["ramp", "full hit", "stages", "over time"],
)  # fmt: skip
def test_how_it_comes_in(sheet, sentence):
    assert sentence in said(page(sheet))


def test_parts_nobody_knows_are_named():
    assert (
        "Not stated: top ring end gap; clutch or converter holds. The others were stated, not inspected."
        in words.parts(tune(WREN))
    )
    assert "Cast pistons" in words.parts(tune(WREN))
    bare = {f"parts.{name}": None for name in ("piston", "rods", "head_gasket", "head_fasteners", "leak_down_percent")}
    assert words.parts(told(bare)).startswith("Nobody stated anything about: piston;")
    assert words.parts(tune(BADGER)) == "All were stated, not inspected."


# --- the price on the sheet


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), "dear", True])
def test_a_price_that_is_none_is_refused(bad):
    with pytest.raises(InputError) as caught:
        WREN.replace({"nitrous.price_per_kg": bad})
    assert caught.value.field == "nitrous.price_per_kg"


def test_a_price_is_never_assumed_and_moves_no_plan():
    assert WREN.nitrous.price_per_kg is None
    assert not [a for a in WREN.assumptions() if "price" in a.path or "currency" in a.path]
    priced = WREN.replace({"nitrous.price_per_kg": 12.0, "car.currency": "crowns"})
    assert dose_map(priced).columns is dose_map(WREN).columns
    assert BuildSheet.from_query(priced.to_query()) == priced
    with pytest.raises(InputError):
        WREN.replace({"car.currency": "x" * 401})


# --- pictures


@CARS
@SYSTEMS
def test_every_picture_has_a_finding(sheet, metric):
    found = pictures(page(sheet, metric))
    assert len(found) == (6 if tune(sheet).blockers else 8)
    for picture in found:
        assert picture.attrib["role"] == "img"
        title = picture.find("title")
        assert title is picture[0]
        assert re.search(r"\d|limit", title.text)
        width, height = (float(v) for v in picture.attrib["viewBox"].split()[2:])
        assert float(picture.attrib["font-size"]) >= 11
        for text in picture.iter("text"):
            assert -1 <= float(text.attrib["x"]) <= width + 1
            assert "font-size" not in text.attrib
        for shape in picture.iter("polyline"):
            points = np.array([[float(v) for v in pair.split(",")] for pair in shape.attrib["points"].split()])
            assert np.isfinite(points).all()
            assert (points >= 0).all()
            assert (points <= [width, height]).all()


def test_colours_by_meaning_and_readable_without():
    html = page(WREN)
    used = {p.attrib["stroke"]: p.attrib for picture in pictures(html) for p in picture.iter("polyline")}
    assert set(used) == {"#6b7280", "#0072b2", "#1b1f24"}
    assert "stroke-dasharray" in used["#6b7280"]
    assert "stroke-dasharray" not in used["#0072b2"]
    assert {p.attrib["fill-opacity"] for picture in pictures(html) for p in picture.iter("polygon")} == {"0.18"}


def test_a_line_lies_where_its_values_are():
    """Twice as far above the axis for twice the value; a gap where nothing is known; the band about its line."""
    y = np.array([100.0, 200.0, np.nan, 200.0, 100.0])
    drawn = ET.fromstring(
        svg.lines(
            "At 1 rpm",
            [1000, 2000, 3000, 4000, 5000],
            [svg.Line(y, svg.WITH, "with", low=y - 50, high=y + 50)],
            unit="hp",
        )
    )
    parts = [
        [[float(v) for v in pair.split(",")] for pair in p.attrib["points"].split()] for p in drawn.iter("polyline")
    ]
    assert [len(part) for part in parts] == [2, 2]
    zero = max(float(re.match(r"M[\d.]+ ([\d.]+)H", p.attrib["d"])[1]) for p in drawn.iter("path"))
    heights = [zero - part[k][1] for part in parts for k in (0, 1)]
    assert heights == pytest.approx([heights[0], 2 * heights[0], 2 * heights[0], heights[0]], abs=0.3)
    assert parts[0][1][0] - parts[0][0][0] == pytest.approx(parts[1][1][0] - parts[1][0][0], abs=0.2)
    assert len(list(drawn.iter("polygon"))) == 2


def test_bars_are_as_long_as_their_shares():
    rows = [svg.Bar("one", "1", "limit 2", 0.5, 0.75, 1.0), svg.Bar("two", "2", "limit 2", 0.0, 1.0, 1.5)]
    drawn = ET.fromstring(svg.bars("One passes", rows))
    wide = [float(r.attrib["width"]) for r in drawn.iter("rect")][:6]
    limit = [
        float(re.match(r"M([\d.]+) ", p.attrib["d"])[1]) for p in drawn.iter("path") if p.attrib["d"].endswith("v15")
    ]
    assert limit[0] == limit[1]
    assert np.array(wide) / limit[0] == pytest.approx([0.5, 1.0, 0.75, 0.0, 1.5, 1.0], abs=0.01)


def test_margin_bars_count_from_the_sheets_limits():
    """Own peak pressure stands at 1 / (1 + rise) of its limit, own knock at all of it."""
    from kernel_lib.sheets.brief_pictures import _margins

    rows = {row.label: row for row in _margins(tune(WREN), US)}
    assert rows["Pressure"].before == pytest.approx(1 / 1.3)
    assert rows["Nearness to knock"].before == 1.0
    assert rows["Nearness to knock"].after == pytest.approx(tune(WREN).table["knock_ratio"].max())
    assert rows["Nearness to knock"].limit == "limit 100 % of own"
    assert rows["Injectors"].most == pytest.approx(flowing(tune(WREN))["injector_duty_percent_high"].max() / 85)
    assert rows["Injectors"].limit == "limit 85 %"
    assert all(row.most <= 1 + 1e-6 for row in rows.values())
    assert max(row.most for row in _margins(tune(BADGER), US)) > 1.2


def test_a_window_is_drawn_to_scale():
    drawn = ET.fromstring(svg.window("Window", (10.0, "ten"), (20.0, "twenty"), [(15.0, "aim"), (25.0, "end of it")]))
    box = next(drawn.iter("rect"))
    left, width = float(box.attrib["x"]), float(box.attrib["width"])
    marks = sorted(
        float(re.match(r"M([\d.]+) ", p.attrib["d"])[1]) for p in drawn.iter("path") if "V26" in p.attrib["d"]
    )
    assert marks == pytest.approx([left + width / 2, left + 1.5 * width], abs=0.2)


@pytest.mark.parametrize(
    "draw",
    [
        lambda: svg.bars("none", []),
        lambda: svg.window("none", (2.0, "2"), (1.0, "1"), []),
        lambda: svg.lines("none", [1000, 2000], [svg.Line(np.full(2, np.nan), svg.WITH, "")], unit="hp"),
        lambda: svg.ticks(1.0, 1.0),
        lambda: svg.ticks(0.0, float("nan")),
    ],
)  # fmt: skip
def test_nothing_to_draw_is_refused(draw):
    with pytest.raises(InputError):
        draw()


@pytest.mark.parametrize(("low", "high"), [(0, 285), (-7, 31), (0.2, 0.9), (2500, 6000), (0, 1)])
def test_ticks_span_and_are_round(low, high):
    marks = svg.ticks(low, high)
    assert marks[0] <= low
    assert marks[-1] >= high
    assert 2 <= len(marks) <= 8
    assert np.allclose(np.diff(marks), marks[1] - marks[0])
    step = (marks[1] - marks[0]) / 10 ** np.floor(np.log10(marks[1] - marks[0]))
    assert min(abs(step - s) for s in (1, 2, 2.5, 5, 10)) < 1e-9
