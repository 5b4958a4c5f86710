"""From a build sheet's text to validated values: TOML, links, and complaints in our own words."""

from __future__ import annotations

import base64
import binascii
import difflib
import tomllib
import zlib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import parse_qs

from pydantic import ValidationError

from . import build_fields as bf
from .errors import InputError, check_rising

if TYPE_CHECKING:
    from .build_sheet import BuildSheet

MAX_TEXT_BYTES = 64 * 1024
MAX_QUERY_CHARACTERS = 15 * 1024
QUERY_KEY = "sheet"
_QUERY_VERSION = "1."
_WHY_LINK = "A link carries the whole sheet; if a mail program cut it short, ask for it again or for the file."


class Values(bf.Section):
    """The file's tables."""

    build_sheet: Literal[1]
    car: bf.Car
    site: bf.Site
    engine: bf.Engine
    fuel: bf.FuelSection
    fuel_system: bf.FuelSystem
    nitrous: bf.Nitrous
    controller: bf.Controller
    limits: bf.Limits
    parts: bf.Parts
    ramp: bf.Ramp = bf.Ramp()
    driveline: bf.Driveline = bf.Driveline()
    tables: bf.Tables = bf.Tables()


def pack_link(text: str) -> str:
    """Return the text as a piece of a link: ``sheet=...``."""
    packed = base64.urlsafe_b64encode(zlib.compress(text.encode(), 9)).decode().rstrip("=")
    if len(packed) > MAX_QUERY_CHARACTERS:
        raise InputError(
            "build sheet",
            len(packed),
            "characters",
            f"up to {MAX_QUERY_CHARACTERS} in a link",
            "Browsers and mail cut longer links; shorten the comments or keep the file.",
        )
    return f"{QUERY_KEY}={_QUERY_VERSION}{packed}"


def unpack_link(text: str) -> bytes:
    """Return the file's content out of a link's query; other keys in it are left alone."""
    longest = 4 * MAX_QUERY_CHARACTERS
    if not isinstance(text, str) or len(text) > longest:
        raise InputError("link", text, "", f"up to {longest} characters", _WHY_LINK)
    found = parse_qs(text.partition("?")[2] or text).get(QUERY_KEY, [""])[0]
    if not found:
        raise InputError("link", text, "", f"a link with {QUERY_KEY}=", "There is no build sheet in this one.")
    if not found.startswith(_QUERY_VERSION):
        allowed = f"{QUERY_KEY}={_QUERY_VERSION}..."
        raise InputError("link", found, "", allowed, "It was made by another version or program.")
    return _unpack(found.removeprefix(_QUERY_VERSION))


def check_size(size: int) -> None:
    """Refuse a text too long to be a build sheet."""
    if size > MAX_TEXT_BYTES:
        why = "A build sheet is a page or two; this is something else."
        raise InputError("build sheet", size, "bytes", f"up to {MAX_TEXT_BYTES // 1024} kB", why)


def _parse(text: str) -> dict:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as exc:
        raise InputError(
            "build sheet",
            text.strip().splitlines()[0] if text.strip() else "",
            "",
            "a TOML text as in the demo sheets",
            f"It cannot be read: {str(exc)[:120]}.",
        ) from exc


def _unpack(packed: str) -> bytes:
    try:
        raw = base64.b64decode(packed + "=" * (-len(packed) % 4), altchars=b"-_", validate=True)
        inflate = zlib.decompressobj()
        data = inflate.decompress(raw, MAX_TEXT_BYTES + 1)
    except (binascii.Error, ValueError, zlib.error) as exc:
        raise InputError("link", packed, "", "a link made by these pages", f"It is damaged. {_WHY_LINK}") from exc
    if len(data) > MAX_TEXT_BYTES or not inflate.eof:
        raise InputError("link", packed, "", "a link made by these pages", f"It is damaged. {_WHY_LINK}")
    return data


def read(text: str) -> Values:
    """Parse and validate a build sheet's text, field by field."""
    tables = _parse(text)
    if isinstance(tables.get("build_sheet"), bool):
        raise InputError(
            "build_sheet", tables["build_sheet"], "", "1", "It is the version of the file's layout, a number."
        )
    try:
        return Values.model_validate(tables)
    except ValidationError as exc:
        raise _as_input_error(exc.errors(include_url=False)[0]) from None


def _as_input_error(error: Mapping[str, Any]) -> InputError:
    """Tell pydantic's first complaint in our own words."""
    path = ".".join(str(part) for part in error["loc"] if not isinstance(part, int))
    about = bf.describe(path)
    unit, why = about.get("unit", ""), about.get("why", "")
    if error["type"] == "missing":
        return InputError(
            path, None, unit, _allowed(about, error), f"It is needed: {why or 'a part of every build sheet.'}"
        )
    if error["type"] == "extra_forbidden":
        section, _, key = path.rpartition(".")
        tables = bf.SECTIONS | {"engine.full_throttle": bf.FullThrottle}
        known = list(tables.get(section, Values).model_fields)
        near = difflib.get_close_matches(key, known, n=1)
        return InputError(
            path,
            error["input"],
            "",
            f"{near[0]!r}, perhaps" if near else "one of " + ", ".join(known),
            "This key is not known, and a misspelt one would be lost without a word.",
        )
    return InputError(path or "build sheet", error["input"], unit, _allowed(about, error), why or "It does not fit.")


def _allowed(about: Mapping[str, Any], error: Mapping[str, Any]) -> str:
    if "low" in about:
        return f"{about['low']:g} to {about['high']:g} {about['unit']}".strip()
    if error["type"] == "literal_error":
        return error["ctx"]["expected"].replace("'", "")
    return {
        "bool_type": "true or false",
        "string_type": "text in quotes",
        "string_too_long": "up to 400 characters",
        "model_type": "a table",
        "tuple_type": "a row of numbers",
        "too_short": "two numbers at least",
        "too_long": "up to 40 numbers",
    }.get(error["type"], "a value of its kind")


def cross_check(sheet: BuildSheet) -> None:
    """Check what one field alone cannot tell."""
    engine, fuel, nitrous = sheet.engine, sheet.fuel, sheet.nitrous
    table = engine.full_throttle
    for name in bf.FullThrottle.model_fields:
        row, path = getattr(table, name), f"engine.full_throttle.{name}"
        if len(row) != len(table.rpm):
            raise InputError(
                path, len(row), "values", f"{len(table.rpm)} values", "One value belongs to each rpm of the table."
            )
        _check_row(path, row)
    if any(b <= a for a, b in zip(table.rpm, table.rpm[1:], strict=False)):
        raise InputError(
            "engine.full_throttle.rpm", list(table.rpm), "rpm", "rising speeds", "The table is read between its points."
        )
    _check_order(
        "engine.peak_power_rpm",
        engine.peak_power_rpm,
        table.rpm[0],
        table.rpm[-1],
        "The shot is counted there, so the table must hold that speed.",
    )
    _check_order(
        "nitrous.spray_rpm_max",
        nitrous.spray_rpm_max,
        nitrous.spray_rpm_min + 100,
        engine.limit_rpm,
        "Nitrous must stop before the rev limiter cuts in.",
    )
    for section, model in bf.SECTIONS.items():
        for name in model.model_fields:
            value = getattr(getattr(sheet, section), name)
            if isinstance(value, tuple):
                _check_row(f"{section}.{name}", value)
    _check_nitrous(nitrous)
    _check_ramp(sheet)
    rod = sheet.value("engine.rod_mm")
    _check_order("engine.rod_mm", rod, 0.6 * engine.stroke_mm, 5 * engine.stroke_mm, "It has to turn over the crank.")
    if (fuel.name is None) == (fuel.blend_percent_by_volume is None):
        raise InputError(
            "fuel.name",
            fuel.name,
            "",
            "either a name or blend_percent_by_volume",
            "One of the two says what is burned.",
        )
    if (fuel.octane_ron is None) == (fuel.octane_aki is None):
        raise InputError(
            "fuel.octane_ron",
            fuel.octane_ron,
            "RON",
            "either octane_ron or octane_aki",
            "One number, and which scale it is on.",
        )
    sheet.make_fuel()


def _check_nitrous(nitrous) -> None:
    _check_order(
        "nitrous.window_high_kpa",
        nitrous.window_high_kpa,
        nitrous.window_low_kpa + 50,
        7100,
        "The window runs upwards.",
    )
    if nitrous.nozzle_diameter_mm is not None:
        most = nitrous.line_bore_mm / nitrous.nozzles**0.5
        _check_order(
            "nitrous.nozzle_diameter_mm",
            nitrous.nozzle_diameter_mm,
            0.2,
            most,
            "Together the nozzles would be larger than the line.",
        )
    measured = [getattr(nitrous, f"discharge_{name}") for name in ("coefficient", "error", "temperature_c", "bore_mm")]
    if any(v is None for v in measured) and any(v is not None for v in measured):
        why = "A weigh-in gives four numbers: coefficient, error, bottle temperature and the bore it was made with."
        raise InputError("nitrous.discharge_coefficient", measured[0], "", "all three or none", why)
    if measured[0] is not None:
        _check_order(
            "nitrous.discharge_error",
            measured[1],
            0.001,
            measured[0] / 2,
            "A coefficient known to no better than half is not measured.",
        )


def _check_row(path: str, row: tuple) -> None:
    about = bf.describe(path)
    for value in row:
        if not about["low"] <= value <= about["high"]:
            raise InputError(
                path, value, about["unit"], f"{about['low']:g} to {about['high']:g} {about['unit']}", about["why"]
            )


def _check_rising(path: str, row: tuple, why: str) -> None:
    check_rising(path, row, bf.describe(path)["unit"], why)


def _check_ramp(sheet: BuildSheet) -> None:
    """Check that the points of a ramp belong together, and that breakpoints rise."""
    ramp, tables = sheet.ramp, sheet.tables
    over = "time_s" if ramp.kind == "over time" else "rpm"
    points = {"rpm": ramp.rpm, "time_s": ramp.time_s}[over]
    for name in ("rpm", "time_s"):
        if getattr(ramp, name) is not None:
            _check_rising(f"ramp.{name}", getattr(ramp, name), "A ramp is read from its first point to its last.")
    for name in ("rpm", "duty_percent"):
        if getattr(tables, name) is not None:
            _check_rising(f"tables.{name}", getattr(tables, name), "A table is read between its breakpoints.")
    if ramp.kind in ("over rpm", "over time", "stages"):
        for path, row in ((f"ramp.{over}", points), ("ramp.share_percent", ramp.share_percent)):
            if row is None:
                raise InputError(
                    path, None, bf.describe(path)["unit"], "a row of numbers", f"The ramp runs {ramp.kind}."
                )
        if len(points) != len(ramp.share_percent):
            raise InputError(
                "ramp.share_percent",
                len(ramp.share_percent),
                "values",
                f"{len(points)} values",
                "One share belongs to each point of the ramp.",
            )
    if ramp.kind in ("over rpm", "over time") and not sheet.nitrous.progressive:
        raise InputError(
            "ramp.kind",
            ramp.kind,
            "",
            "full hit or stages",
            "A valve that is not pulsed (nitrous.progressive) is open or shut; nothing lies between.",
        )


def _check_order(path: str, value: float, low: float, high: float, why: str) -> None:
    if not low <= value <= high:
        unit = bf.describe(path)["unit"]
        raise InputError(path, value, unit, f"{low:g} to {high:g} {unit}".strip(), why)
