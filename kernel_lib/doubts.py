"""What is missing or doubtful on a build sheet, as sentences: to be asked before anything is computed from it."""

from __future__ import annotations

from dataclasses import dataclass

from . import build_fields as bf
from .build_sheet import BuildSheet
from .engine.airflow import isa_pressure
from .errors import InputError
from .thermo.vessel import LIQUID_FULL, VAPOUR_ONLY, bottle_volume, vessel_state
from .units import f_from_c, ft_from_m, inhg_from_kpa, k_from_c, lb_from_kg, psi_from_kpa


@dataclass(frozen=True)
class Doubt:
    """A sentence and how much it weighs: ``"watch"`` or ``"stop"``."""

    weight: str
    sentence: str


@dataclass(frozen=True)
class _Writer:
    """How a sentence writes its quantities: for a reader of metric units, of US units, or (None) of either."""

    metric: bool | None

    def _one(self, metric: str, us: str, both: str) -> str:
        return both if self.metric is None else metric if self.metric else us

    @property
    def degree(self) -> str:
        return self._one("°C", "°F", "kelvin")

    def mass(self, kg: float) -> str:
        metric, us = f"{kg:.2f} kg", f"{lb_from_kg(kg):.1f} lb"
        return self._one(metric, us, f"{metric} ({us})")

    def temperature(self, celsius: float) -> str:
        metric, us = f"{celsius:.0f} °C", f"{f_from_c(celsius):.0f} °F"
        return self._one(metric, us, f"{metric} ({us})")

    def gauge(self, *kpa: float, fine: bool = False) -> str:
        """Write a pressure in the bottle, or the ends of a window; bar without decimals from ten on, unless `fine`."""
        digits = 1 if fine or max(kpa) < 1000 else 0
        bar, whole, psi = (
            " to ".join(f"{to(v):.{d}f}" for v in kpa)
            for to, d in ((lambda v: v / 100, digits), (float, 0), (psi_from_kpa, 0))
        )
        return self._one(f"{bar} bar", f"{psi} psi", f"{whole} kPa ({psi} psi)")

    def air(self, kpa: float) -> str:
        """Write a pressure of the air."""
        metric = f"{kpa:.1f} kPa"
        return self._one(metric, f"{inhg_from_kpa(kpa):.1f} inHg", metric)

    def height(self, metres: float) -> str:
        metric = f"{metres:g} m"
        return self._one(metric, f"{ft_from_m(metres):.0f} ft", metric)


def doubts(sheet: BuildSheet, *, metric: bool | None = None) -> list[Doubt]:
    """List what to ask, find or mend, the weightiest first.

    Parameters
    ----------
    sheet : BuildSheet
    metric : bool, optional
        Write metric units alone, or US units alone; both if None.
    """
    written = _Writer(metric)
    found = [
        *part_doubts(sheet),
        *_engine(sheet),
        *_air(sheet, written),
        *_fuel(sheet),
        *_nitrous(sheet, written),
    ]
    return sorted(found, key=lambda doubt: doubt.weight != "stop")


def part_doubts(sheet: BuildSheet) -> list[Doubt]:
    """List what is doubtful about the parts that carry the load."""
    unknown = [
        bf.describe(f"parts.{name}")["label"] for name in bf.Parts.model_fields if getattr(sheet.parts, name) is None
    ]
    out = []
    if unknown:
        out.append(
            Doubt(
                "watch",
                f"Not known of the parts that carry the load: {', '.join(unknown)}. Nothing is assumed for them; "
                "the first step has to be smaller until somebody looks.",
            )
        )
    if sheet.parts.piston == "cast":
        out.append(
            Doubt(
                "watch",
                "The pistons are cast: they break at the first knock where a forged one might bend. Keep the steps small.",
            )
        )
    if sheet.parts.leak_down_percent is not None and sheet.parts.leak_down_percent > 15:
        out.append(
            Doubt(
                "stop",
                f"The worst cylinder loses {sheet.parts.leak_down_percent:g} % in the leak-down test: mend the engine first "
                "(above 15 % of loss; common practice, no source).",
            )
        )
    return out


def _engine(sheet: BuildSheet) -> list[Doubt]:
    engine = sheet.engine
    out = []
    if engine.timing_is == "unknown":
        out.append(
            Doubt(
                "watch",
                "Nobody says whether the known-good timing is best-torque timing or held back by knock. Until then no "
                "margin to knock may be counted on.",
            )
        )
    elif engine.timing_is == "held back by knock":
        out.append(
            Doubt("watch", "The timing is held back by knock: this engine has no knock margin to spend on nitrous.")
        )
    table = engine.full_throttle
    if sheet.nitrous.spray_rpm_min < table.rpm[0] or sheet.nitrous.spray_rpm_max > table.rpm[-1]:
        out.append(
            Doubt(
                "stop",
                f"The spray window, {sheet.nitrous.spray_rpm_min:g} to {sheet.nitrous.spray_rpm_max:g} rpm, reaches beyond the "
                f"full-throttle table, {table.rpm[0]:g} to {table.rpm[-1]:g} rpm: log the engine there first.",
            )
        )
    if engine.limit_rpm - sheet.nitrous.spray_rpm_max < 200:
        out.append(
            Doubt(
                "watch",
                f"The spray window ends {engine.limit_rpm - sheet.nitrous.spray_rpm_max:.0f} rpm below the rev limit; a limiter that "
                "cuts fuel while nitrous flows leaves the charge lean. Leave 200 rpm at least (common practice, no source).",
            )
        )
    if engine.peak_power_hp is not None and engine.peak_power_hp / sheet.displacement_l > 130:
        out.append(
            Doubt(
                "watch",
                f"{engine.peak_power_hp:g} hp from {sheet.displacement_l:.1f} L without boost is a racing engine's figure: "
                "crank, wheel or wished for?",
            )
        )
    return out


def _air(sheet: BuildSheet, written: _Writer) -> list[Doubt]:
    site = sheet.site
    out = []
    if site.barometer_kpa is not None and site.altitude_m is not None:
        standard = isa_pressure(site.altitude_m) / 1e3
        if abs(site.barometer_kpa - standard) > 4:
            out.append(
                Doubt(
                    "watch",
                    f"The barometer says {written.air(site.barometer_kpa)}, the altitude of {written.height(site.altitude_m)} about {written.air(standard)}. "
                    f"Weather moves it by {written.air(3.0)}: is one of the two a sea-level figure?",
                )
            )
    manifold, barometer = sheet.value("engine.full_throttle_manifold_kpa"), sheet.value("site.barometer_kpa")
    if manifold > barometer + 0.5:
        out.append(
            Doubt(
                "stop",
                f"The manifold at full throttle ({written.air(manifold)} absolute) stands above the barometer ({written.air(barometer)}): boost, a sensor "
                "that is off, or figures from two days.",
            )
        )
    elif manifold < 0.9 * barometer:
        out.append(
            Doubt(
                "watch",
                f"At full throttle the manifold lies {written.air(barometer - manifold)} under the barometer: the throttle or the filter "
                "holds the engine back, or the throttle was not full.",
            )
        )
    return out


def _fuel(sheet: BuildSheet) -> list[Doubt]:
    out = []
    if sheet.fuel.name == "E85":
        out.append(
            Doubt(
                "watch",
                "What a pump sells as E85 may hold 51 to 83 % ethanol (ASTM D5798, from memory): test it and state the blend. "
                "The sheet counts 85 % by volume.",
            )
        )
    if sheet.fuel_system.pump_flow_l_h is None:
        out.append(Doubt("watch", "The pump's flow is not known: somebody has to measure whether it feeds the shot."))
    if sheet.octane_ron < 91:
        out.append(Doubt("watch", f"{sheet.octane_ron:g} RON leaves little against knock; nitrous asks for more."))
    return out


def _nitrous(sheet: BuildSheet, written: _Writer) -> list[Doubt]:
    nitrous = sheet.nitrous
    out = []
    fill = sheet.value("nitrous.bottle_fill_kg")
    if overfilled(sheet):
        out.append(
            Doubt(
                "stop",
                f"The bottle holds {written.mass(fill)}, more than its rated {written.mass(nitrous.bottle_rated_fill_kg)}. Warm liquid has no room to "
                "expand and can burst it: have it emptied to its rated weight by a licensed filler.",
            )
        )
    share = nitrous.shot_hp / sheet.engine.peak_power_hp if sheet.engine.peak_power_hp else None
    if share is not None and share > 0.5:
        out.append(
            Doubt(
                "watch",
                f"The shot is {100 * share:.0f} % of the engine's own power: few engines carry more than half of theirs on top "
                "(common practice, no source).",
            )
        )
    if sheet.limits.power_hp is not None and sheet.engine.peak_power_hp is None:
        out.append(
            Doubt(
                "watch",
                "A limit of power is given but not the engine's own power: whether the shot stays under it cannot be checked.",
            )
        )
    if nitrous.nozzle_diameter_mm is None:
        out.append(
            Doubt(
                "watch",
                "No nozzle bore is given: the nitrous flow is what the wanted horsepower asks for, not what a nozzle passes.",
            )
        )
    elif (
        nitrous.discharge_bore_mm is not None and abs(nitrous.nozzle_diameter_mm / nitrous.discharge_bore_mm - 1) > 0.01
    ):
        out.append(
            Doubt(
                "watch",
                f"The weigh-in on the sheet was made with a {nitrous.discharge_bore_mm:.3g} mm bore, {nitrous.nozzle_diameter_mm:.3g} mm is fitted: it does not count. Weigh the fitted nozzle in.",
            )
        )
    elif nitrous.discharge_coefficient is None:
        out.append(
            Doubt(
                "watch", "The nozzle has not been weighed in: what it passes is a model's guess. See the bottle page."
            )
        )
    if nitrous.system == "wet" and nitrous.fuel_jet_diameter_mm is None:
        out.append(Doubt("watch", "No fuel jet is given: how rich or lean the wet pair is cannot be checked."))
    return [*out, *_bottle(sheet, fill, written)]


def overfilled(sheet: BuildSheet) -> bool:
    """Whether there is more in a sheet's bottle than it is rated for."""
    return sheet.value("nitrous.bottle_fill_kg") > 1.005 * sheet.nitrous.bottle_rated_fill_kg


def _bottle(sheet: BuildSheet, fill: float, written: _Writer) -> list[Doubt]:
    """Ask whether the bottle stands in its window."""
    nitrous = sheet.nitrous
    try:
        state = vessel_state(k_from_c(nitrous.bottle_temperature_c), fill, bottle_volume(nitrous.bottle_rated_fill_kg))
    except InputError as exc:
        return [Doubt("stop", f"The bottle cannot be as stated: {exc}")]
    warm = written.temperature(nitrous.bottle_temperature_c)
    gauge = state.P / 1e3 - sheet.value("site.barometer_kpa")
    ends = (nitrous.window_low_kpa, nitrous.window_high_kpa)
    shown = f"{written.gauge(gauge, fine=min(abs(gauge - end) for end in ends) < 100)} gauge"
    window = written.gauge(*ends)
    if state.regime == VAPOUR_ONLY:
        return [
            Doubt(
                "stop",
                f"{written.mass(fill)} at {warm} is vapour only: the bottle is empty for our purpose.",
            )
        ]
    if gauge < nitrous.window_low_kpa:
        return [
            Doubt(
                "watch",
                f"At {warm} the bottle stands at {shown}, below its window of {window}: warm it before a pass.",
            )
        ]
    if gauge > nitrous.window_high_kpa:
        full = ""
        if state.regime == LIQUID_FULL:
            colder = vessel_state(state.T - 0.5, state.mass, state.volume).P
            rise = 2e-3 * (state.P - colder) / (1.8 if written.metric is False else 1.0)
            full = f" It is liquid-full: every {written.degree} adds about {written.gauge(rise)}."
        return [
            Doubt(
                "watch",
                f"At {warm} the bottle stands at {shown}, above its window of {window}: let it cool.{full}",
            )
        ]
    return []
