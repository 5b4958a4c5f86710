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
from kernel_lib.plan.bottle_day import least_fill
from kernel_lib.plan.ramp import Ramp
from kernel_lib.plan.room import dose_map, nothing_fits
from kernel_lib.plan.tune import Tune, tune_of, tune_rows
from kernel_lib.sheets import brief_words as words
from kernel_lib.sheets import svg
from kernel_lib.sheets.brief import QUESTION, brief_body, brief_html
from kernel_lib.sheets.brief_words import Units
from kernel_lib.sheets.plan_sheet import CAUTIONS

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
        "voids the plan", "Nobody has written down", "nobody stated were assumed", "Ignition off, bottle shut", "Held at about", "Parts nobody inspected", "2026-11-26",
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


@SYSTEMS
def test_units_are_of_one_system(metric):
    html = page(WREN, metric)
    text = said(html) + " ".join("".join(p.itertext()) for p in pictures(html))
    ours, others = (
        ((" kW", " N m", " kPa", " kg", " °C", " mm"), (" psi", " lb ", " °F", " hp at"))
        if metric
        else ((" hp", " lb ft", " psi", " lb ", " °F", " in "), (" kPa", " kW", " N m", " kg", " °C"))
    )
    assert all(unit in text for unit in ours)
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
    assert len(words.reasons(t)) == 2
    assert words.reasons(t)[1] == other
    assert all(reason in text_of(t) for reason in words.reasons(t))


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
    was = tune(BADGER)
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
    for module in (words, __import__("kernel_lib.sheets.brief_pictures", fromlist=["x"])):
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
    best, low, high, rpm, own, gain = numbers(
        r"makes about (\d+) \((\d+) to (\d+)\) \w+ at (\d+) rpm, against ([\d.]+) without: likely (\d+) ",
        said(page(WREN, metric)),
    )
    row = tune(WREN).table.set_index("rpm").loc[rpm]
    factor = KW_PER_HP if metric else 1.0
    assert row["power_hp"] == tune(WREN).table["power_hp"].max()
    assert own == pytest.approx(172 * factor, abs=0.6)  # the dynamometer's, on the sheet
    for value, name in ((best, "power_gain_hp"), (low, "power_gain_hp_low"), (high, "power_gain_hp_high")):
        assert value == pytest.approx(factor * (172 + row[name]), abs=5.1)
    assert gain == pytest.approx(factor * row["power_gain_hp"], abs=0.6)
    (wheels,) = numbers(r"dynamometer would show about (\d+) ", said(page(WREN, metric)))
    assert wheels == pytest.approx(0.88 * factor * row["power_hp"], abs=5.1)


def test_gauges_are_those_of_the_sheet():
    text = said(page(WREN))
    assert numbers(r"Mixture gauge above ([\d.]+) or below ([\d.]+);", text) == pytest.approx(
        [0.932 * 14.7, 0.74 * 14.7], abs=0.051
    )
    assert numbers(r"without nitrous: ([\d.]+) to ([\d.]+)\.", text) == pytest.approx(
        [0.85 * 14.7, 0.91 * 14.7], abs=0.051
    )
    assert numbers(r"set for a bottle at (\d+) to (\d+) psi", text) == pytest.approx(
        [6205 / KPA_PER_PSI, 6895 / KPA_PER_PSI], abs=0.51
    )
    assert numbers(r"within (\d+) % of (\d+) psi", text) == pytest.approx([5, 300 / KPA_PER_PSI], abs=0.51)
    assert numbers(r"Coolant above (\d+) °F", text) == [70 * 1.8 + 32]


def test_spark_is_the_tables():
    low, high = numbers(r"the spark comes ([\d.]+) to ([\d.]+) degrees later", said(page(WREN)))
    assert [low, high] == [tune(WREN).table["retard_deg"].min(), tune(WREN).table["retard_deg"].max()]


def test_nitrous_and_cost_of_a_pass():
    """The largest flow times the time of a pass; the price times that."""
    t = tune(WREN)
    most = 6.0 * t.table["nitrous_kg_s"].max()
    (mass,) = numbers(r"at most about ([\d.]+) ", words.one_pass(t, METRIC))
    assert mass == pytest.approx(most, rel=0.06)
    assert numbers(r"at most about ([\d.]+) ", words.one_pass(t, US))[0] == pytest.approx(most / KG_PER_LB, rel=0.03)
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
        ({"limits.lean_stop_lambda": 0.9}, "above 13.2 "),
        ({"limits.rich_stop_lambda": 0.8}, "below 11.8;"),
        ({"nitrous.pass_s": 9.0}, "9 s at a time"),
        ({"controller.limiter_cuts": "fuel"}, "cut fuel alone, which on nitrous can burn a piston: rev limiter"),
        ({"controller.timing_follows": False}, "do not stay after a shut-off"),
        ({"driveline.efficiency_percent": 80.0}, "About 80 % of it reaches the wheels (this sheet's)"),
        ({"nitrous.discharge_coefficient": None, "nitrous.discharge_error": None, "nitrous.discharge_temperature_c": None, "nitrous.discharge_bore_mm": None}, "has not been weighed in"),
    ],
)  # fmt: skip
def test_what_the_sheet_says_is_what_the_brief_says(change, sentence):
    assert sentence in text_of(told(change))
    assert sentence not in said(page(WREN))


def test_still_open():
    """Too late a window, a limiter nobody knows; neither where the sheet mends them."""
    assert [
        "6500 rpm it would have to close by 5300 rpm" in words.open_items(tune(WREN))[0],
        len(words.open_items(tune(WREN))),
    ] == [True, 2]
    mended = {
        "controller.limiter_cuts": "both",
        "controller.shift_cuts": "both",
        "controller.traction_cuts": "nothing",
        "engine.limit_rpm": 7600.0,
    }
    t = told(mended)
    assert words.open_items(t) == []
    assert "Still open" not in text_of(t)


@pytest.mark.parametrize(
    ("sheet", "sentence"),
    [
        (WREN, "so it comes in with speed: 47 % of the flow at 2500 rpm, all of it from 5500 rpm on."),
        (BADGER, "Here: all of it at once from 3000 rpm."),
        (BADGER.replace({"ramp.kind": "stages", "ramp.rpm": [3300.0, 4800.0], "ramp.share_percent": [40.0, 90.0]}), "Here: 40 % of the full flow from 3300 rpm and 90 %"),
        (WREN.replace({"ramp.kind": "over time", "ramp.time_s": [0.2, 1.5], "ramp.share_percent": [30.0, 90.0]}), "Here: 30 % of the flow after 0.2 s"),
    ],
    ids=["ramp", "full hit", "stages", "over time"],
)  # fmt: skip
def test_how_it_comes_in(sheet, sentence):
    assert sentence in said(page(sheet))


def test_parts_nobody_knows_are_named():
    assert "Not stated: top ring end gap; clutch or converter holds. The rest" in words.parts(tune(WREN))
    assert "Cast pistons" in words.parts(tune(WREN))
    bare = {f"parts.{name}": None for name in ("piston", "rods", "head_gasket", "head_fasteners", "leak_down_percent")}
    assert words.parts(told(bare)).endswith("Anything else is what the build sheet says.")
    assert words.parts(tune(BADGER)).startswith("Nobody looked at any")


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
    rows = [svg.Bar("one", "1", 0.5, 0.75, 1.0), svg.Bar("two", "2", 0.0, 1.0, 1.5)]
    drawn = ET.fromstring(svg.bars("One passes", rows))
    wide = [float(r.attrib["width"]) for r in drawn.iter("rect")][:6]
    limit = [
        float(re.match(r"M([\d.]+) ", p.attrib["d"])[1]) for p in drawn.iter("path") if p.attrib["d"].endswith("v20")
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
    assert rows["Injectors"].most == pytest.approx(tune(WREN).table["injector_duty_percent_high"].max() / 85)
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
