"""The build sheet: nothing is lost on its ways, nothing bad gets in, nothing is assumed in silence."""

import base64
import contextlib
import zlib

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from kernel_lib import BuildSheet, InputError
from kernel_lib import build_fields as bf
from kernel_lib.doubts import doubts

DEMOS = BuildSheet.demo_names()
WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")


def with_value(path, value, base=WREN):
    """The sheet's text with one field set, whatever the value."""
    document = tomlkit.parse(base.to_toml())
    *tables, key = path.split(".")
    table = document
    for name in tables:
        table = table.setdefault(name, tomlkit.table())
    table[key] = value
    return tomlkit.dumps(document)


def without(path, base=WREN):
    document = tomlkit.parse(base.to_toml())
    *tables, key = path.split(".")
    table = document
    for name in tables:
        table = table[name]
    del table[key]
    return tomlkit.dumps(document)


def refused(text):
    with pytest.raises(InputError) as caught:
        BuildSheet(text)
    error = caught.value
    assert error.field
    assert error.allowed
    assert error.reason
    assert str(error).count("\n") == 0
    assert "pydantic" not in str(error)
    return error


def link(data: bytes) -> str:
    return "sheet=1." + base64.urlsafe_b64encode(zlib.compress(data, 9)).decode().rstrip("=")


# There and back.


def test_demo_names():
    assert DEMOS == ("badger_eight", "wren_five")
    with pytest.raises(InputError, match="wren_five"):
        BuildSheet.demo("no such car")


@pytest.mark.parametrize("name", DEMOS)
def test_nothing_is_lost(name, tmp_path):
    """File -> sheet -> link -> sheet -> file: the same bytes, comments included, and the same values."""
    sheet = BuildSheet.demo(name)
    path = tmp_path / "car.toml"
    path.write_bytes(sheet.to_toml().encode())
    first = BuildSheet.load(path)
    again = BuildSheet.from_query(first.to_query())
    assert again.to_toml().encode() == path.read_bytes()
    assert "#" in again.to_toml()
    assert again == first == sheet
    assert hash(again) == hash(sheet)
    for section in bf.SECTIONS:
        assert getattr(again, section) == getattr(sheet, section)


def test_sheets_differ():
    assert WREN != BADGER
    assert WREN.replace({"engine.bore_mm": 92.5}) != WREN
    assert WREN != "wren"
    assert "Wren" in repr(WREN)


@pytest.mark.parametrize("around", ["{}", "?{}", "units=us&{}&view=2", "http://localhost:8866/x.ipynb?a=1&{}&b=sheet"])
def test_other_keys_in_a_link_are_left_alone(around):
    assert BuildSheet.from_query(around.format(WREN.to_query())) == WREN


def test_a_link_holds_only_letters_that_links_may_hold():
    key, _, packed = WREN.to_query().partition("=")
    assert key == "sheet"
    assert all(c.isascii() and (c.isalnum() or c in "-_.") for c in packed)


def test_byte_order_mark_and_windows_lines(tmp_path):
    path = tmp_path / "car.toml"
    path.write_bytes(b"\xef\xbb\xbf" + WREN.to_toml().replace("\n", "\r\n").encode())
    sheet = BuildSheet.load(path)
    assert sheet == WREN
    assert BuildSheet.from_query(sheet.to_query()).to_toml() == sheet.to_toml()


# Bad links and files.

GOOD = WREN.to_query()
BAD_LINKS = {
    "empty": "",
    "other keys only": "units=us",
    "empty value": "sheet=",
    "foreign version": GOOD.replace("sheet=1.", "sheet=2."),
    "no version": GOOD.replace("sheet=1.", "sheet="),
    "cut short": GOOD[:-40],
    "cut to the version": "sheet=1.",
    "one letter off": GOOD[:200] + ("A" if GOOD[200] != "A" else "B") + GOOD[201:],
    "not base64": "sheet=1.%%%",
    "not ascii": "sheet=1.\u00fc\u4e2d",
    "not zlib": "sheet=1." + base64.urlsafe_b64encode(b"plain text").decode(),
    "zip bomb": link(b"#" * 8_000_000),
    "just too large": link(WREN.to_toml().encode() + b"#" * 65536),
    "endless": GOOD + "A" * 70_000,
    "no toml in it": link(b"\x00\x01\x02"),
    "no sheet in it": link(b"a = 1"),
    "no text": 12,
}


@pytest.mark.parametrize("text", BAD_LINKS.values(), ids=BAD_LINKS.keys())
def test_bad_link_is_refused(text):
    with pytest.raises(InputError) as caught:
        BuildSheet.from_query(text)
    assert caught.value.reason
    assert len(str(caught.value)) < 1000


@given(cut=st.integers(1, len(GOOD) - 1))
def test_every_cut_of_a_link_is_noticed(cut):
    with pytest.raises(InputError):
        BuildSheet.from_query(GOOD[:cut])


def test_too_long_for_a_link():
    """Random comments do not compress: 40 kB of them pass as a file and not as a link."""
    noise = base64.b64encode(bytes((i * i * 31 + i // 7 * 17) % 251 for i in range(30_000))).decode()
    noise = "".join(chr(33 + (ord(c) * (i * 7919 + 13) + i * i) % 90) for i, c in enumerate(noise))
    sheet = BuildSheet(WREN.to_toml() + "\n# " + noise + "\n")
    assert sheet == WREN
    with pytest.raises(InputError, match="in a link"):
        sheet.to_query()


@pytest.mark.parametrize(
    ("data", "word"),
    [(b"\xff\xfe\x00", "not text"), (b"bore = ", "TOML"), (b"", "build_sheet"), (b"#" * 65537, "page or two")],
)
def test_bad_file_is_refused(data, word, tmp_path):
    path = tmp_path / "x.toml"
    path.write_bytes(data)
    for read in (lambda: BuildSheet.load(path), lambda: BuildSheet.from_bytes(data)):
        with pytest.raises(InputError, match=word):
            read()


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match="No such file") as caught:
        BuildSheet.load(tmp_path / "none.toml")
    assert caught.value.value == "none.toml"
    with pytest.raises(InputError):
        BuildSheet.load(tmp_path)
    with pytest.raises(InputError, match="TOML"):
        BuildSheet(17)


@settings(deadline=None, max_examples=150)
@given(data=st.binary(max_size=400) | st.text(max_size=400).map(str.encode))
def test_any_bytes_give_a_sheet_or_our_error(data):
    with contextlib.suppress(InputError):
        assert isinstance(BuildSheet.from_bytes(data), BuildSheet)


@settings(deadline=None, max_examples=150)
@given(
    text=st.text(max_size=300)
    | st.text(max_size=300).map("sheet=1.".__add__)
    | st.binary(max_size=300).map(link)
    | st.text(max_size=300).map(lambda t: link(t.encode()))
)
def test_any_link_gives_a_sheet_or_our_error(text):
    with contextlib.suppress(InputError):
        assert isinstance(BuildSheet.from_query(text), BuildSheet)


LINES = WREN.to_toml().splitlines()


@settings(deadline=None, max_examples=100)
@given(
    n=st.integers(0, len(LINES) - 1),
    junk=st.text(max_size=30) | st.sampled_from(["[[engine]]", "[car]", "engine = 1", "a.b.c = {}", "cylinders = -1"]),
)
def test_a_line_of_junk_in_a_sheet_gives_a_sheet_or_our_error(n, junk):
    text = "\n".join([*LINES[:n], junk, *LINES[n + 1 :]])
    with contextlib.suppress(InputError):
        assert BuildSheet(text).to_toml() == text


@pytest.mark.parametrize(
    "text",
    ["x = " + "1" * 5000, "x = 0x" + "f" * 5000, "x = " + "[" * 3000, "x = 1979-13-40", "x." * 3000 + "y = 1"],
    ids=["decimal digits", "hex digits", "nesting", "date", "dots"],
)
def test_monstrous_toml_is_refused_in_our_words(text):
    refused(WREN.to_toml() + "\n" + text)
    refused(text)


# Every number.


def numeric():
    for section, model in bf.SECTIONS.items():
        yield from (f"{section}.{name}" for name in model.model_fields if "low" in bf.describe(f"{section}.{name}"))
    yield from (f"engine.full_throttle.{name}" for name in bf.FullThrottle.model_fields)


NUMERIC = list(numeric())
TABLE = [path for path in NUMERIC if "full_throttle." in path]
ROWS = [path for path in NUMERIC if bf.describe(path).get("row")]


def placed(path, value, *, end=0):
    """The value itself, or where the field is a row, the row with that value in it."""
    if path not in ROWS:
        return value
    row = list(getattr(WREN.engine.full_throttle, path.rpartition(".")[2])) if path in TABLE else [0.0]
    row[end] = value
    return row


def test_there_are_numbers_to_test():
    assert len(NUMERIC) > 50
    assert {path.split(".")[0] for path in NUMERIC} == set(bf.SECTIONS) - {"car"}


@pytest.mark.parametrize("path", NUMERIC)
def test_out_of_range_is_refused_by_name(path):
    about = bf.describe(path)
    whole = path in ("engine.cylinders", "fuel_system.injectors", "nitrous.nozzles", "driveline.gear_min")
    step = 1 if whole else 1e-6 * max(1.0, abs(about["low"]), abs(about["high"]))
    low = about["low"] - step if whole else float(about["low"]) - step
    high = about["high"] + step if whole else float(about["high"]) + step
    for value, end in ((low, 0), (high, -1)):
        error = refused(with_value(path, placed(path, value, end=end)))
        assert error.field == path
        assert error.unit == about["unit"]
        assert error.allowed == f"{about['low']:g} to {about['high']:g} {about['unit']}".strip()
        assert error.reason == about["why"]
        assert error.value == pytest.approx(value)


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -float("inf"), True, "12", [], {}], ids=repr)
@pytest.mark.parametrize("path", NUMERIC)
def test_no_number_is_refused_by_name(path, bad):
    error = refused(with_value(path, placed(path, bad)))
    about = bf.describe(path)
    assert error.field == path
    assert error.unit == about["unit"]
    assert f"{about['low']:g} to {about['high']:g}" in error.allowed


def read(text):
    """The sheet and None, or None and which field was refused for which range."""
    try:
        return BuildSheet(text), None
    except InputError as error:
        return None, (error.field, error.allowed)


@pytest.mark.parametrize("path", NUMERIC)
def test_limits_themselves_are_in_range(path):
    """At a limit the sheet is read, or refused because two fields do not go together, but not by the range."""
    about = bf.describe(path)
    span = f"{about['low']:g} to {about['high']:g} {about['unit']}".strip()
    for value, end in ((about["low"], 0), (about["high"], -1)):
        sheet, refusal = read(with_value(path, placed(path, value, end=end)))
        if sheet is None:
            assert refusal != (path, span)
        else:
            got = sheet.value(path)
            assert (got[end] if path in ROWS else got) == value


@pytest.mark.parametrize("path", ["engine.cylinders", "fuel_system.injectors", "nitrous.nozzles", "driveline.gear_min"])
def test_counts_are_whole(path):
    assert refused(with_value(path, 4.5)).field == path


@pytest.mark.parametrize("path", NUMERIC)
def test_every_number_says_what_it_is(path):
    about = bf.describe(path)
    assert about["label"]
    assert about["why"].endswith(".")
    assert about["low"] < about["high"]


def test_describe_knows_only_what_is_there():
    for path in ("", "engine", "engine.none", "none.bore_mm", "engine.full_throttle.none"):
        assert bf.describe(path) == {}


# Words and cars that are not computed.


@pytest.mark.parametrize(
    ("path", "value", "word"),
    [
        ("engine.aspiration", "turbo", "boost is not computed"),
        ("engine.aspiration", "supercharger", "boost is not computed"),
        ("engine.fuel_injection", "carburettor", "only port injection"),
        ("engine.fuel_injection", "direct", "only port injection"),
        ("engine.working_cycle", "rotary", "does not compute"),
        ("engine.working_cycle", "two-stroke piston", "does not compute"),
        ("nitrous.system", "damp", "through a jet"),
        ("controller.metering", "alpha-n", "controller"),
        ("engine.timing_is", "fine", "knock margin"),
        ("parts.piston", "wood", "heat and knock"),
    ],
)
def test_what_is_not_computed_is_refused_with_a_sentence(path, value, word):
    error = refused(with_value(path, value))
    assert error.field == path
    assert error.value == value
    assert word in error.reason
    assert error.reason.endswith(".")


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("nitrous.progressive", "yes"),
        ("nitrous.progressive", 1),
        ("car.name", 3),
        ("car.notes", "x" * 401),
        ("fuel.name", 7),
    ],
)
def test_wrong_kind_is_refused(path, value):
    assert refused(with_value(path, value)).field == path


@pytest.mark.parametrize(
    ("path", "hint"),
    [
        ("engine.bor_mm", "'bore_mm'"),
        ("nitrous.shot_hpp", "'shot_hp'"),
        ("engine.full_throttle.rpms", "'rpm'"),
        ("parts.pistons", "'piston'"),
        ("site.qqqq", "one of barometer_kpa"),
    ],
)
def test_unknown_key_gets_a_suggestion(path, hint):
    error = refused(with_value(path, 1.0))
    assert error.field == path
    assert hint in error.allowed


def test_unknown_table_gets_a_suggestion():
    error = refused(WREN.to_toml() + "\n[enginee]\nbore_mm = 1\n")
    assert error.field == "enginee"
    assert "'engine'" in error.allowed


REQUIRED = [
    f"{section}.{name}"
    for section, model in bf.SECTIONS.items()
    for name, info in model.model_fields.items()
    if info.is_required()
] + ["engine.full_throttle.rpm", "engine.full_throttle.timing_deg_btdc"]


OPTIONAL = {"ramp", "driveline", "tables"}


@pytest.mark.parametrize("path", [*REQUIRED, *sorted(set(bf.SECTIONS) - OPTIONAL), "build_sheet"])
def test_missing_field_is_named(path):
    error = refused(without(path))
    assert error.field == path
    assert error.value is None
    assert error.reason.startswith("It is needed")


def test_what_decides_is_required():
    for path in ("engine.compression_ratio", "engine.lambda_without_nitrous", "nitrous.shot_hp", "controller.metering"):
        assert path in REQUIRED


@pytest.mark.parametrize("version", [0, 2, "1"])
def test_foreign_version_of_the_file(version):
    assert refused(with_value("build_sheet", version)).field == "build_sheet"


# What one field alone cannot tell.


def test_octane_once_and_on_a_scale():
    both = with_value("fuel.octane_ron", 95.0)
    neither = without("fuel.octane_aki")
    for text in (both, neither):
        error = refused(text)
        assert error.field == "fuel.octane_ron"
        assert "octane_aki" in error.allowed


def test_fuel_once():
    both = with_value("fuel.blend_percent_by_volume", {"gasoline": 90, "ethanol": 10})
    neither = without("fuel.name")
    for text in (both, neither):
        error = refused(text)
        assert error.field == "fuel.name"
        assert "blend_percent_by_volume" in error.allowed


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("fuel.name", "rocket fuel"),
        ("fuel.blend_percent_by_volume", {"gasoline": 22, "ethanol": 60}),
        ("fuel.blend_percent_by_volume", {"gasoline": 22, "etanol": 78}),
        ("fuel.blend_percent_by_volume", {"gasoline": 122, "ethanol": -22}),
        ("fuel.blend_percent_by_volume", {"gasoline": float("nan"), "ethanol": 78}),
        ("fuel.blend_percent_by_volume", {}),
        ("fuel.blend_percent_by_volume", {"gasoline": True}),
    ],
)
def test_fuel_that_cannot_be_computed(path, value):
    refused(with_value(path, value, WREN if path == "fuel.name" else BADGER))


@pytest.mark.parametrize("path", TABLE)
def test_rows_are_of_one_length(path):
    row = list(getattr(WREN.engine.full_throttle, path.rpartition(".")[2]))
    assert refused(with_value(path, row[:-1])).field.startswith("engine.full_throttle.")
    assert refused(with_value(path, row[:1])).field == path
    assert refused(with_value(path, row * 4)).field == path


@pytest.mark.parametrize("swap", [(3, 4), (4, 4)])
def test_speeds_rise(swap):
    row = list(WREN.engine.full_throttle.rpm)
    a, b = swap
    row[a], row[b] = row[b], row[a]
    if a == b:
        row[a] = row[a - 1]
    error = refused(with_value("engine.full_throttle.rpm", row))
    assert error.field == "engine.full_throttle.rpm"
    assert "rising" in error.allowed


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("engine.peak_power_rpm", 6401.0),
        ("nitrous.spray_rpm_max", 6501.0),
        ("nitrous.spray_rpm_max", 2599.0),
        ("engine.rod_mm", 70.0),
    ],
)
def test_fields_that_do_not_go_together(path, value):
    """Wren: table to 6400 rpm, limit 6500, window from 2500 (100 rpm at least wide), crank of 49.7 mm."""
    base = WREN if path != "engine.rod_mm" else WREN.replace({"engine.stroke_mm": 140.0})
    assert refused(with_value(path, value, base)).field == path


@pytest.mark.parametrize("missing", ["coefficient", "error", "temperature_c", "bore_mm"])
def test_a_weigh_in_is_four_numbers(missing):
    error = refused(without(f"nitrous.discharge_{missing}"))
    assert error.field == "nitrous.discharge_coefficient"
    assert error.allowed == "all three or none"


@pytest.mark.parametrize(
    ("path", "bad", "good"),
    [
        ("nitrous.window_high_kpa", 6240.0, 6260.0),
        ("nitrous.nozzle_diameter_mm", 4.81, 4.79),
        ("nitrous.discharge_error", 0.36, 0.35),
    ],
)
def test_what_the_bottle_fields_ask_of_each_other(path, bad, good):
    """Window from 900 psi (6205 kPa), at least 50 kPa wide; line of 4.8 mm; half of 0.71."""
    assert refused(with_value(path, bad)).field == path
    assert BuildSheet(with_value(path, good)).value(path) == good


def test_all_nozzles_together_pass_the_line():
    """Four of 2.4 mm have the area of one of 4.8 mm."""
    four = WREN.replace({"nitrous.nozzles": 4, "nitrous.nozzle_diameter_mm": 2.39})
    assert refused(with_value("nitrous.nozzle_diameter_mm", 2.41, four)).field == "nitrous.nozzle_diameter_mm"


def test_no_jet_in_a_row_is_beyond_the_range():
    for bore in (0.1, 5.1):
        error = refused(with_value("fuel_system.jets_mm", [0.8, bore, 0.9]))
        assert (error.field, error.value) == ("fuel_system.jets_mm", bore)
    assert BuildSheet(with_value("fuel_system.jets_mm", [0.8])).fuel_system.jets_mm == (0.8,)


# Changes.


@pytest.mark.parametrize("name", DEMOS)
def test_replace_changes_one_value_and_keeps_the_rest(name):
    sheet = BuildSheet.demo(name)
    changed = sheet.replace({"engine.compression_ratio": 10.25})
    assert changed.engine.compression_ratio == 10.25
    pairs = list(zip(sheet.to_toml().splitlines(), changed.to_toml().splitlines(), strict=True))
    differ = [(a, b) for a, b in pairs if a != b]
    assert len(differ) == 1
    assert differ[0][1].startswith("compression_ratio = 10.25")
    assert differ[0][0].partition("#")[2] == differ[0][1].partition("#")[2]
    for section in set(bf.SECTIONS) - {"engine"}:
        assert getattr(sheet, section) == getattr(changed, section)
    assert sheet.engine.compression_ratio != 10.25


def test_replace_adds_and_takes_out():
    with_gap = WREN.replace({"parts.ring_end_gap_mm": 0.5})
    assert with_gap.is_given("parts.ring_end_gap_mm")
    assert not WREN.is_given("parts.ring_end_gap_mm")
    assert with_gap.replace({"parts.ring_end_gap_mm": None}) == WREN
    rows = {"engine.full_throttle.rpm": tuple(v + 1.0 for v in WREN.engine.full_throttle.rpm)}
    assert WREN.replace(rows).engine.full_throttle.rpm == rows["engine.full_throttle.rpm"]
    assert WREN.replace({}).to_toml() == WREN.to_toml()


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("engine.bor_mm", 92.0),
        ("engine", 1),
        ("bore_mm", 92.0),
        ("", 1),
        ("engine.bore_mm", 1e9),
        ("engine.bore_mm", float("nan")),
        ("engine.bore_mm", None),
        ("engine.bore_mm", "wide"),
        ("engine.bore_mm.deeper", 92.0),
        ("engine.bore_mm", object()),
    ],
)
def test_replace_refuses_what_does_not_fit(path, value):
    before = WREN.to_toml()
    with pytest.raises(InputError) as caught:
        WREN.replace({path: value})
    assert caught.value.field == path
    assert WREN.to_toml() == before


# What is not known.


def test_assumptions_are_listed_with_their_basis():
    """A wet, pulsed system is concerned by every field."""
    bare = WREN.replace(
        {
            f"{section}.{name}": None
            for section, model in bf.SECTIONS.items()
            for name, info in model.model_fields.items()
            if not info.is_required() and bf.describe(f"{section}.{name}").get("basis")
        }
        | {"site.barometer_kpa": None, "nitrous.system": "wet", "nitrous.progressive": True}
    )
    found = {a.path: a for a in bare.assumptions()}
    expected = {
        f"{section}.{name}"
        for section, model in bf.SECTIONS.items()
        for name in model.model_fields
        if bf.describe(f"{section}.{name}").get("basis")
    }
    assert set(found) == expected | {"site.barometer_kpa", "fuel.octane_ron"}
    for path, item in found.items():
        assert item.basis
        assert item.label == bf.describe(path)["label"]
        assert item.value is not None
        assert item.value == bare.value(path)
        assert not bare.is_given(path)


def test_what_does_not_concern_the_car_is_not_assumed():
    """No fuel jet on a dry system, no pulses from a plain valve."""
    jet, pulse = "nitrous.fuel_jet_pressure_kpa", {"nitrous.pulse_hz", "nitrous.nitrous_valve_lag_ms"}
    lag = "nitrous.fuel_valve_lag_ms"
    for system, progressive, silent in (
        ("dry", False, {jet, lag} | pulse),
        ("dry", True, {jet, lag}),
        ("wet", False, {lag} | pulse),
        ("wet", True, set()),
    ):
        sheet = WREN.replace({"nitrous.system": system, "nitrous.progressive": progressive})
        assert {jet, lag, *pulse} - {a.path for a in sheet.assumptions()} == silent


def test_what_is_given_is_not_assumed():
    for sheet in (WREN, BADGER):
        for item in sheet.assumptions():
            assert f"\n{item.path.partition('.')[2]} =" not in sheet.to_toml()
    assert "engine.rod_mm" not in {a.path for a in WREN.assumptions()}
    assert "engine.rod_mm" in {a.path for a in WREN.replace({"engine.rod_mm": None}).assumptions()}


def test_derived_values():
    """Rod 1.65 strokes, manifold 98 % of the barometer (common practice, no source); ISA pressure at the altitude."""
    bare = BADGER.replace({"engine.rod_mm": None})
    assert bare.value("engine.rod_mm") == pytest.approx(1.65 * 79.5)
    # International Standard Atmosphere at 320 m: 97.54 kPa (T0 288.15 K, 6.5 K/km), by hand.
    assert bare.value("site.barometer_kpa") == pytest.approx(97.54, abs=0.01)
    assert bare.value("engine.full_throttle_manifold_kpa") == pytest.approx(0.98 * 97.54, abs=0.01)
    assert bare.displacement_l == pytest.approx(8 * 0.7853981634 * 1.01**2 * 0.795, rel=1e-9)
    assert WREN.value("engine.full_throttle_manifold_kpa") == 97.8
    assert WREN.octane_ron == pytest.approx(95.5)
    assert BADGER.octane_ron == 104
    sea = WREN.replace({"site.barometer_kpa": None})
    assert sea.value("site.barometer_kpa") == pytest.approx(101.325)


def test_derived_bottle_and_jet():
    """Tare 1.5 rated fills, 0.4 m of 4.8 mm line after the valve (common practice, no source); the jet hangs on the rail."""
    bare = WREN.replace({"nitrous.bottle_empty_kg": None})
    assert bare.value("nitrous.bottle_empty_kg") == pytest.approx(6.81)
    assert WREN.value("nitrous.bottle_empty_kg") == 6.6
    assert WREN.value("nitrous.valve_to_nozzle_ml") == pytest.approx(40.0 * 0.7853981634 * 0.48**2)
    assert BADGER.value("nitrous.fuel_jet_pressure_kpa") == 400.0
    assert BADGER.value("nitrous.bottle_fill_kg") == 6.1
    assert WREN.value("nitrous.bottle_fill_kg") == 4.54


def test_parts_that_carry_the_load_are_never_assumed():
    bare = WREN.replace({f"parts.{name}": None for name in bf.Parts.model_fields})
    for name in bf.Parts.model_fields:
        assert bare.value(f"parts.{name}") is None
        assert not bf.describe(f"parts.{name}")["basis"]
    assert not [a for a in bare.assumptions() if a.path.startswith("parts.")]
    sentence = next(d.sentence for d in doubts(bare) if "carry the load" in d.sentence)
    for name in bf.Parts.model_fields:
        assert bf.describe(f"parts.{name}")["label"] in sentence


def test_measured_density_reaches_the_fuel():
    assert WREN.replace({"fuel.density_kg_m3": 731.0}).make_fuel().density == 731.0
    assert WREN.make_fuel().ron == pytest.approx(95.5)


DOUBTS = [
    ({"parts.leak_down_percent": 15.1}, "stop", "loses 15.1 %"),
    ({"parts.piston": "cast"}, "watch", "pistons are cast"),
    ({"engine.timing_is": None}, "watch", "Nobody says whether"),
    ({"engine.timing_is": "held back by knock"}, "watch", "no knock margin"),
    ({"nitrous.spray_rpm_max": 6450.0}, "stop", "reaches beyond the full-throttle table"),
    ({"nitrous.spray_rpm_min": 1400.0}, "stop", "reaches beyond the full-throttle table"),
    ({"nitrous.spray_rpm_max": 6301.0}, "watch", "199 rpm below the rev limit"),
    ({"engine.peak_power_hp": 450.0}, "watch", "racing engine's figure"),
    ({"site.altitude_m": 800.0}, "watch", "sea-level figure"),
    ({"engine.full_throttle_manifold_kpa": 100.2}, "stop", "stands above the barometer"),
    ({"engine.full_throttle_manifold_kpa": 89.0}, "watch", "holds the engine back"),
    ({"fuel.name": "E85"}, "watch", "51 to 83 %"),
    ({"fuel_system.pump_flow_l_h": None}, "watch", "pump's flow is not known"),
    ({"fuel.octane_aki": 86.0}, "watch", "90.5 RON leaves little"),
    ({"nitrous.bottle_fill_kg": 4.6}, "stop", "more than its rated"),
    ({"nitrous.shot_hp": 108.0}, "watch", "more than half"),
    ({"nitrous.nozzle_diameter_mm": None}, "watch", "No nozzle bore"),
    (
        {f"nitrous.discharge_{name}": None for name in ("coefficient", "error", "temperature_c", "bore_mm")},
        "watch",
        "has not been weighed in",
    ),
    ({"nitrous.nozzle_diameter_mm": 1.32}, "watch", "The weigh-in on the sheet was made with a 1.3 mm bore"),
    ({"nitrous.system": "wet"}, "watch", "No fuel jet is given"),
    ({"nitrous.bottle_temperature_c": 29.5}, "watch", "below its window"),
    ({"nitrous.bottle_temperature_c": 35.5}, "watch", "above its window"),
    ({"nitrous.bottle_fill_kg": 0.4}, "stop", "is vapour only"),
]
SOUND = WREN.replace(
    {
        "parts.piston": "forged",
        "parts.ring_end_gap_mm": 0.5,
        "parts.clutch_torque_nm": 500.0,
        "nitrous.bottle_temperature_c": 30.5,
        "engine.full_throttle_manifold_kpa": 97.8,
    }
)


def test_a_sound_car_raises_no_doubt():
    assert doubts(SOUND) == []


@pytest.mark.parametrize(("changes", "weight", "words"), DOUBTS, ids=[d[2] for d in DOUBTS])
def test_doubt(changes, weight, words):
    """Each doubt comes with its case and not without."""
    assert not any(words in d.sentence for d in doubts(SOUND))
    found = doubts(SOUND.replace(changes))
    assert [d.weight for d in found if words in d.sentence] == [weight]
    assert all(d.sentence.endswith((".", "?")) for d in found)


def test_the_weightiest_come_first():
    found = doubts(WREN.replace({"nitrous.bottle_fill_kg": 5.0, "parts.leak_down_percent": 20.0}))
    weights = [d.weight for d in found]
    assert weights.count("stop") == 2
    assert weights == sorted(weights, key=["stop", "watch"].index)


# --- the ramp and the tuner's own tables


PULSED = {"nitrous.progressive": True}
POINTS = {"ramp.rpm": [3000.0, 5000.0], "ramp.share_percent": [30.0, 100.0]}


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"ramp.rpm": [3000.0, 3000.0]}, r"ramp.rpm is 3000 rpm; allowed: more than 3000, which stands before it"),
        ({"ramp.time_s": [1.0, 0.5]}, r"ramp.time_s is 0.5 s; allowed: more than 1, which stands before it"),
        ({"tables.rpm": [4000.0, 3000.0]}, r"tables.rpm is 3000 rpm; allowed: more than 4000"),
        ({"tables.duty_percent": [50.0, 50.0]}, r"tables.duty_percent is 50 %; allowed: more than 50"),
        ({"tables.rpm": [300.0, 3000.0]}, r"tables.rpm is 300 rpm; allowed: 500 to 12000 rpm"),
        ({"ramp.share_percent": [120.0]}, r"ramp.share_percent is 120 %; allowed: 0 to 100 %"),
        (
            PULSED | {"ramp.kind": "over rpm"},
            r"ramp.rpm is None rpm; allowed: a row of numbers. The ramp runs over rpm",
        ),
        (PULSED | {"ramp.kind": "over time"}, r"ramp.time_s is None s; allowed: a row of numbers"),
        (
            PULSED | {"ramp.kind": "over rpm", "ramp.rpm": [3000.0, 5000.0]},
            r"ramp.share_percent is None %; allowed: a row of numbers",
        ),
        (
            POINTS | {"ramp.kind": "stages", "ramp.share_percent": [50.0]},
            r"ramp.share_percent is 1 values; allowed: 2 values",
        ),
        (
            POINTS | {"ramp.kind": "over rpm", "nitrous.progressive": False},
            r"ramp.kind is 'over rpm'; allowed: full hit or stages. A valve that is not pulsed",
        ),
    ],
)
def test_ramp_that_does_not_hang_together_is_refused(changes, message):
    with pytest.raises(InputError, match=message):
        BuildSheet.demo("wren_five").replace(changes)


@pytest.mark.parametrize("kind", ["full hit", "stages", "over rpm", "over time"])
def test_every_kind_of_ramp_is_read_and_lost_nowhere(kind):
    sheet = BuildSheet.demo("wren_five").replace(PULSED | POINTS | {"ramp.kind": kind, "ramp.time_s": [0.0, 2.0]})
    assert BuildSheet(sheet.to_toml()).ramp == sheet.ramp
    assert (sheet.ramp.kind, sheet.ramp.rpm) == (kind, (3000.0, 5000.0))
    assert not sheet.replace(dict.fromkeys([*POINTS, "ramp.kind", "ramp.time_s"])).is_given("ramp.kind")
