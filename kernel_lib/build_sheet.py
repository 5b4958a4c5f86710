"""The build sheet: the car on paper.

A `BuildSheet` is a TOML text and its validated reading. The text is kept, comments and all, so that file -> sheet -> link
-> sheet -> file loses nothing; a change edits the text and reads it again.
"""

from __future__ import annotations

import base64
import binascii
import difflib
import tomllib
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Mapping
from urllib.parse import parse_qs

import tomlkit
from pydantic import ValidationError

from . import build_fields as bf
from .engine.airflow import isa_pressure
from .errors import InputError
from .paths import data_dir
from .thermo import fuels

MAX_TEXT_BYTES = 64 * 1024
MAX_QUERY_CHARACTERS = 16 * 1024
QUERY_KEY = "sheet"
_QUERY_VERSION = "1."
_WHY_LINK = "A link carries the whole sheet; if a mail program cut it short, ask for it again or for the file."


class _Values(bf.Section):
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


@dataclass(frozen=True)
class Assumption:
    """A value that the sheet does not state and the kernel assumes."""

    path: str
    label: str
    value: Any
    unit: str
    basis: str


class BuildSheet:
    """A car, its nitrous system and its owner's limits, read from TOML and validated.

    Parameters
    ----------
    text : str
        TOML as in ``data/builds``.

    Attributes
    ----------
    car, site, engine, fuel, fuel_system, nitrous, controller, limits, parts
        The file's tables; keys carry their units. What is not in the file has its default or is None; `value` fills in what
        can be assumed, `assumptions` lists it.

    Raises
    ------
    InputError
        Naming the first field that does not fit, its value, unit, range and why.
    """

    def __init__(self, text: str) -> None:
        if not isinstance(text, str):
            raise InputError("build sheet", text, "", "text", "A build sheet is a TOML text.")
        if len(text.encode("utf-8", "replace")) > MAX_TEXT_BYTES:
            raise InputError("build sheet", len(text), "characters", f"up to {MAX_TEXT_BYTES // 1024} kB of text",
                             "A build sheet is a page or two; this is something else.")
        self._text = text
        self._values = _read(_parse(text))
        for name in bf.SECTIONS:
            setattr(self, name, getattr(self._values, name))
        _cross_check(self)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, BuildSheet) and self._values == other._values

    def __hash__(self) -> int:
        return hash(self._text)

    def __repr__(self) -> str:
        return f"BuildSheet({self.car.name!r})"

    @staticmethod
    def demo_names() -> tuple[str, ...]:
        """Return the names of the demo sheets in data/builds."""
        return tuple(sorted(path.stem for path in (data_dir() / "builds").glob("*.toml")))

    @classmethod
    def demo(cls, name: str) -> BuildSheet:
        """Return a demo sheet.

        Raises
        ------
        InputError
            If there is none of that name.
        """
        if name not in cls.demo_names():
            raise InputError("demo", name, "", "one of " + ", ".join(cls.demo_names()), "Only these cars come with the project.")
        return cls.load(data_dir() / "builds" / f"{name}.toml")

    @classmethod
    def load(cls, path: str | Path) -> BuildSheet:
        """Read a build sheet from a file.

        Raises
        ------
        InputError
            If the file cannot be read, is no TOML, or a field does not fit.
        """
        path = Path(path)
        try:
            if path.stat().st_size > MAX_TEXT_BYTES:
                raise InputError("build sheet", path.stat().st_size, "bytes", f"up to {MAX_TEXT_BYTES // 1024} kB",
                                 "A build sheet is a page or two; this is something else.")
            data = path.read_bytes()
        except OSError as exc:
            raise InputError("build sheet", path.name, "", "a file that can be read", f"{exc.strerror or exc}.") from exc
        return cls.from_bytes(data)

    @classmethod
    def from_bytes(cls, data: bytes) -> BuildSheet:
        """Read a build sheet from a file's content (UTF-8)."""
        if len(data) > MAX_TEXT_BYTES:
            raise InputError("build sheet", len(data), "bytes", f"up to {MAX_TEXT_BYTES // 1024} kB",
                             "A build sheet is a page or two; this is something else.")
        try:
            return cls(data.decode("utf-8-sig"))
        except UnicodeDecodeError as exc:
            raise InputError("build sheet", data[:12], "", "UTF-8 text", "This file is not text.") from exc

    def to_toml(self) -> str:
        """Return the text, comments included."""
        return self._text

    def to_query(self) -> str:
        """Return the sheet as a piece of a link: ``sheet=...``.

        Raises
        ------
        InputError
            If the text is too long for a link.
        """
        packed = base64.urlsafe_b64encode(zlib.compress(self._text.encode(), 9)).decode().rstrip("=")
        if len(packed) > MAX_QUERY_CHARACTERS:
            raise InputError("build sheet", len(packed), "characters", f"up to {MAX_QUERY_CHARACTERS} in a link",
                             "Browsers and mail cut longer links; shorten the comments or keep the file.")
        return f"{QUERY_KEY}={_QUERY_VERSION}{packed}"

    @classmethod
    def from_query(cls, text: str) -> BuildSheet:
        """Read the sheet from a link's query; other keys in it are left alone.

        Raises
        ------
        InputError
            If there is no sheet in it, or a damaged, foreign or oversized one.
        """
        if not isinstance(text, str) or len(text) > 4 * MAX_QUERY_CHARACTERS:
            raise InputError("link", "..." if isinstance(text, str) else text, "", f"up to {4 * MAX_QUERY_CHARACTERS} characters",
                             _WHY_LINK)
        found = parse_qs(text.partition("?")[2] or text).get(QUERY_KEY, [""])[0]
        if not found:
            raise InputError("link", text, "", f"a link with {QUERY_KEY}=", "There is no build sheet in this one.")
        if not found.startswith(_QUERY_VERSION):
            raise InputError("link", found, "", f"{QUERY_KEY}={_QUERY_VERSION}...", "It was made by another version or program.")
        return cls.from_bytes(_unpack(found.removeprefix(_QUERY_VERSION)))

    def replace(self, changes: Mapping[str, Any]) -> BuildSheet:
        """Return a sheet with some fields changed, comments kept.

        Parameters
        ----------
        changes : mapping
            Dotted key, e.g. ``"engine.bore_mm"``, -> value; None takes the key out of the file.

        Raises
        ------
        InputError
            For an unknown key or a value that does not fit.
        """
        document = tomlkit.parse(self._text)
        for path, value in changes.items():
            if not bf.describe(path):
                raise InputError(path, value, "", "a key of the build sheet", "There is no such field.")
            *tables, key = path.split(".")
            table: Any = document
            for name in tables:
                table = table.setdefault(name, tomlkit.table())
            if value is None:
                table.pop(key, None)
            else:
                table[key] = list(value) if isinstance(value, tuple) else value
        return type(self)(tomlkit.dumps(document))

    def value(self, path: str) -> Any:
        """Return a field; where the sheet is silent, what is assumed for it, or None."""
        section, _, rest = path.partition(".")
        found: Any = getattr(self, section)
        for name in rest.split("."):
            found = getattr(found, name)
        return _DERIVED[path](self) if found is None and path in _DERIVED else found

    def is_given(self, path: str) -> bool:
        """Return whether the file itself states that field."""
        section, _, name = path.partition(".")
        return name in getattr(self, section).model_fields_set and getattr(getattr(self, section), name) is not None

    def assumptions(self) -> list[Assumption]:
        """Return what the sheet leaves open and the kernel assumes, each with its basis."""
        out = []
        for section, model in bf.SECTIONS.items():
            for name in model.model_fields:
                path = f"{section}.{name}"
                about = bf.describe(path)
                if about.get("basis") and not self.is_given(path):
                    out.append(Assumption(path, about["label"], self.value(path), about["unit"], about["basis"]))
        if self.site.barometer_kpa is None and self.site.altitude_m is None:
            out.append(Assumption("site.barometer_kpa", "barometer", self.value("site.barometer_kpa"), "kPa absolute",
                                  "standard atmosphere at sea level"))
        return out

    @property
    def displacement_l(self) -> float:
        """Swept volume of all cylinders [L]."""
        e = self.engine
        return 3.141592653589793 / 4 * e.bore_mm**2 * e.stroke_mm * e.cylinders * 1e-6

    @property
    def octane_ron(self) -> float:
        """Octane as RON; an AKI is taken as RON - 4.5, i.e. a sensitivity of 9 (typical of pump fuel; from memory)."""
        return self.fuel.octane_ron if self.fuel.octane_ron is not None else self.fuel.octane_aki + 4.5

    def make_fuel(self) -> fuels.Fuel:
        """Return the fuel with the sheet's octane and, if measured, density."""
        section = self.fuel
        if section.name is not None:
            parts, by, name = {section.name: 1.0}, "mass", section.name
        else:
            parts = {k: v / 100 for k, v in section.blend_percent_by_volume.items()}
            by, name = "volume", " + ".join(f"{v:g} % {k}" for k, v in section.blend_percent_by_volume.items())
        density = section.density_kg_m3 or (fuels.get(section.name).density if section.name else None)
        return fuels.blend(parts, by=by, name=name, density=density, ron=self.octane_ron)


_DERIVED = {
    "site.barometer_kpa": lambda s: isa_pressure(s.site.altitude_m or 0.0) / 1000,
    "engine.rod_mm": lambda s: 1.65 * s.engine.stroke_mm,
    "engine.manifold_volume_l": lambda s: 1.5 * s.displacement_l,
    "engine.full_throttle_manifold_kpa": lambda s: 0.98 * s.value("site.barometer_kpa"),
    "engine.exhaust_volume_to_sensor_l": lambda s: s.displacement_l,
    "nitrous.bottle_fill_kg": lambda s: s.nitrous.bottle_rated_fill_kg,
}


def _parse(text: str) -> dict:
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as exc:
        raise InputError("build sheet", text.strip().splitlines()[0] if text.strip() else "", "", "a TOML text as in the demo sheets",
                         f"It cannot be read: {str(exc)[:120]}.") from exc


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


def _read(tables: dict) -> _Values:
    try:
        return _Values.model_validate(tables)
    except ValidationError as exc:
        raise _as_input_error(exc.errors(include_url=False)[0]) from None


def _as_input_error(error: Mapping[str, Any]) -> InputError:
    """Tell pydantic's first complaint in our own words."""
    path = ".".join(str(part) for part in error["loc"] if not isinstance(part, int))
    about = bf.describe(path)
    unit, why = about.get("unit", ""), about.get("why", "")
    if error["type"] == "missing":
        return InputError(path, None, unit, _allowed(about, error), f"It is needed: {why or 'a part of every build sheet.'}")
    if error["type"] == "extra_forbidden":
        section, _, key = path.rpartition(".")
        known = list(bf.SECTIONS.get(section, _Values).model_fields)
        near = difflib.get_close_matches(key, known, n=1)
        return InputError(path, error["input"], "", f"{near[0]!r}, perhaps" if near else "one of " + ", ".join(known),
                          "This key is not known, and a misspelt one would be lost without a word.")
    return InputError(path or "build sheet", error["input"], unit, _allowed(about, error), why or "It does not fit.")


def _allowed(about: Mapping[str, Any], error: Mapping[str, Any]) -> str:
    if "low" in about:
        return f"{about['low']:g} to {about['high']:g} {about['unit']}".strip()
    if error["type"] == "literal_error":
        return error["ctx"]["expected"].replace("'", "")
    return {"bool_type": "true or false", "string_type": "text in quotes", "string_too_long": "up to 400 characters",
            "model_type": "a table", "tuple_type": "a row of numbers", "too_short": "two numbers at least", "too_long": "up to 40 numbers"}.get(error["type"], "a value of its kind")


def _cross_check(sheet: BuildSheet) -> None:
    """Check what one field alone cannot tell."""
    engine, fuel, nitrous = sheet.engine, sheet.fuel, sheet.nitrous
    table = engine.full_throttle
    for name in bf.FullThrottle.model_fields:
        row, about = getattr(table, name), bf.describe(f"engine.full_throttle.{name}")
        path = f"engine.full_throttle.{name}"
        if len(row) != len(table.rpm):
            raise InputError(path, len(row), "values", f"{len(table.rpm)} values", "One value belongs to each rpm of the table.")
        for value in row:
            if not about["low"] <= value <= about["high"]:
                raise InputError(path, value, about["unit"], f"{about['low']:g} to {about['high']:g} {about['unit']}", about["why"])
    if any(b <= a for a, b in zip(table.rpm, table.rpm[1:], strict=False)):
        raise InputError("engine.full_throttle.rpm", list(table.rpm), "rpm", "rising speeds", "The table is read between its points.")
    _check_order("engine.peak_power_rpm", engine.peak_power_rpm, table.rpm[0], table.rpm[-1],
                 "The shot is counted there, so the table must hold that speed.")
    _check_order("nitrous.spray_rpm_max", nitrous.spray_rpm_max, nitrous.spray_rpm_min + 100, engine.limit_rpm,
                 "Nitrous must stop before the rev limiter cuts in.")
    rod = sheet.value("engine.rod_mm")
    _check_order("engine.rod_mm", rod, 0.6 * engine.stroke_mm, 5 * engine.stroke_mm, "It has to turn over the crank.")
    if (fuel.name is None) == (fuel.blend_percent_by_volume is None):
        raise InputError("fuel.name", fuel.name, "", "either a name or blend_percent_by_volume", "One of the two says what is burned.")
    if (fuel.octane_ron is None) == (fuel.octane_aki is None):
        raise InputError("fuel.octane_ron", fuel.octane_ron, "RON", "either octane_ron or octane_aki",
                         "One number, and which scale it is on.")
    sheet.make_fuel()


def _check_order(path: str, value: float, low: float, high: float, why: str) -> None:
    if not low <= value <= high:
        unit = bf.describe(path)["unit"]
        raise InputError(path, value, unit, f"{low:g} to {high:g} {unit}".strip(), why)
