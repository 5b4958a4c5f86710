"""The build sheet: the car on paper.

A `BuildSheet` is a TOML text and its validated reading. The text is kept, comments and all, so that file -> sheet -> link
-> sheet -> file loses nothing; a change edits the text and reads it again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit

from . import build_fields as bf
from . import build_read
from .engine.airflow import isa_pressure
from .errors import InputError
from .paths import data_dir
from .thermo import fuels


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
    car, site, engine, fuel, fuel_system, nitrous, controller, limits, parts, ramp, driveline, tables
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
        try:
            build_read.check_size(len(text.encode()))
        except UnicodeEncodeError as exc:
            raise InputError("build sheet", text[:12], "", "UTF-8 text", "It holds half a character.") from exc
        self._text = text
        self._values = build_read.read(text)
        for name in bf.SECTIONS:
            setattr(self, name, getattr(self._values, name))
        build_read.cross_check(self)

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
            raise InputError(
                "demo", name, "", "one of " + ", ".join(cls.demo_names()), "Only these cars come with the project."
            )
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
            build_read.check_size(path.stat().st_size)
            data = path.read_bytes()
        except OSError as exc:
            why = f"{exc.strerror or exc}."
            raise InputError("build sheet", path.name, "", "a file that can be read", why) from exc
        return cls.from_bytes(data)

    @classmethod
    def from_bytes(cls, data: bytes) -> BuildSheet:
        """Read a build sheet from a file's content (UTF-8)."""
        build_read.check_size(len(data))
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
        return build_read.pack_link(self._text)

    @classmethod
    def from_query(cls, text: str) -> BuildSheet:
        """Read the sheet from a link's query; other keys in it are left alone.

        Raises
        ------
        InputError
            If there is no sheet in it, or a damaged, foreign or oversized one.
        """
        return cls.from_bytes(build_read.unpack_link(text))

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
                try:
                    table[key] = list(value) if isinstance(value, tuple) else value
                except ValueError as exc:
                    kind = "a number, a word, or a row of numbers"
                    raise InputError(path, value, "", kind, "A build sheet holds nothing else.") from exc
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
                if about.get("basis") and not self.is_given(path) and self._concerns(path):
                    out.append(Assumption(path, about["label"], self.value(path), about["unit"], about["basis"]))
        if self.fuel.octane_ron is None:
            out.append(Assumption("fuel.octane_ron", "octane", self.octane_ron, "RON", "AKI + 4.5; from memory"))
        if self.site.barometer_kpa is None and self.site.altitude_m is None:
            out.append(
                Assumption(
                    "site.barometer_kpa",
                    "barometer",
                    self.value("site.barometer_kpa"),
                    "kPa absolute",
                    "standard atmosphere at sea level",
                )
            )
        return out

    def _concerns(self, path: str) -> bool:
        """Whether a field says anything about this car: a dry one has no fuel jet, a plain valve no pulses."""
        jet = (
            path in ("nitrous.fuel_jet_pressure_kpa", "nitrous.fuel_valve_lag_ms", "nitrous.fuel_valve_to_jet_ml")
            and self.nitrous.system == "dry"
        )
        pulse = path.endswith("_lag_ms") or path == "nitrous.pulse_hz" or path.startswith("ramp.")
        return not jet and not (pulse and not self.nitrous.progressive)

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
        try:
            return fuels.blend(parts, by=by, name=name, density=density, ron=self.octane_ron)
        except InputError as exc:
            path = "fuel.name" if section.name is not None else "fuel.blend_percent_by_volume"
            value = section.name or section.blend_percent_by_volume
            raise InputError(path, value, exc.unit, exc.allowed, exc.reason) from exc


_DERIVED = {
    "site.barometer_kpa": lambda s: isa_pressure(s.site.altitude_m or 0.0) / 1000,
    "fuel.octane_ron": lambda s: s.octane_ron,
    "engine.rod_mm": lambda s: bf.ROD_TO_STROKE * s.engine.stroke_mm,
    "engine.manifold_volume_l": lambda s: 1.5 * s.displacement_l,
    "engine.full_throttle_manifold_kpa": lambda s: 0.98 * s.value("site.barometer_kpa"),
    "engine.exhaust_volume_to_sensor_l": lambda s: s.displacement_l,
    "nitrous.bottle_fill_kg": lambda s: s.nitrous.bottle_rated_fill_kg,
    "nitrous.bottle_empty_kg": lambda s: 1.5 * s.nitrous.bottle_rated_fill_kg,
    "nitrous.fuel_jet_pressure_kpa": lambda s: s.fuel_system.rail_pressure_kpa,
    "driveline.rise_rpm_s": lambda _: (1500.0,),
    "nitrous.valve_to_nozzle_ml": lambda s: 0.4 * 3.141592653589793 / 4 * s.nitrous.line_bore_mm**2,
}
