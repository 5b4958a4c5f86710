"""The fuel side on the page; it follows the build sheet."""

from __future__ import annotations

import re
from html import escape

import ipywidgets as w

from kernel_lib import InputError

from . import display
from . import fuel_pictures as pictures
from . import fuel_words as words
from .fields import NO_CHOICE, NumberField, parse_number
from .frame import box, html, panel
from .fuel_model import compute
from .guard import guarded
from .session import Session


class FuelView:
    """Pictures left, fields right; follows the session's sheet."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self._title, self._text, self._assumes, self._error = (
            html(),
            html(),
            html("", "nw-assumes"),
            html("", "nw-field-error"),
        )
        self.duty, self.jet, self.pulse = pictures.duty_figure(), pictures.jet_figure(), pictures.pulse_figure()
        self._wet = box([], "nw-stack")
        self._jet_text, self._pulse_text = html(), html()
        self._fields = _Fields(self)
        hint = html(
            "<span>Injector duty and share of the pump over rpm with the shot; bands: over what is unknown; black: the owner's limits</span>",
            "nw-hint",
        )
        self.widget = panel(
            self._title, [hint, self.duty, self._text, self._wet], [*self._fields.widgets, self._error], self._assumes
        )
        session.observe(guarded(self._say, self._tell)(self.draw), ["sheet", "units"])
        self.duty.settle()
        guarded(self._say, self._tell)(self.draw)()
        for figure in (self.duty, self.jet, self.pulse):
            figure.settle()

    def _say(self, sentence: str) -> None:
        self._error.value = escape(sentence)
        (self.widget.add_class if sentence else self.widget.remove_class)("nw-stale")

    def _tell(self, exc: InputError) -> str:
        return display.refusal(exc, self.session.units)

    def draw(self, _change: object = None) -> None:
        """Redraw for the session's sheet and units."""
        self._fields.show()
        side, system = compute(self.session.sheet), self.session.units
        scale = side.sheet.controller.gauge_scale
        pictures.draw_duty(self.duty, side)
        self._title.value = f"<h2>{escape(words.title(side))}</h2>"
        self._text.value = "".join(f"<p>{escape(s)}</p>" for s in words.text(side))
        self._assumes.value = escape(words.assumes(side))
        if side.wet is None:
            self._wet.children = ()
            return
        pictures.draw_jet(self.jet, side, scale, system)
        pictures.draw_pulse(self.pulse, side, scale)
        self._jet_text.value = "".join(f"<p>{escape(s)}</p>" for s in words.jet_text(side, scale, system))
        self._pulse_text.value = "".join(f"<p>{escape(s)}</p>" for s in words.pulse_text(side, scale))
        if not self._wet.children:
            self._heads = html(), html()
            self._wet.children = (
                self._heads[0],
                self.jet,
                self._jet_text,
                self._heads[1],
                self.pulse,
                self._pulse_text,
            )
        self._heads[0].value = f"<h2>{escape(words.jet_title(side, system))}</h2>"
        self._heads[1].value = f"<h2>{escape(words.pulse_title(side, scale))}</h2>"


class _Fields:
    """What can be typed here goes straight into the build sheet."""

    def __init__(self, view: FuelView) -> None:
        self._session = view.session
        change = self._session.change
        self._pressure = NumberField(
            "fuel pressure at the jet, flowing",
            "kPa gauge",
            lambda v: change({"nitrous.fuel_jet_pressure_kpa": v}),
            hint="gauge at the fuel valve while fuel flows",
        )
        self._jet = NumberField(
            "fuel jet bore, each", "mm", lambda v: change({"nitrous.fuel_jet_diameter_mm": v}), hint="drill gauge"
        )
        self._pump = NumberField(
            "pump flow",
            "L/h",
            lambda v: change({"fuel_system.pump_flow_l_h": v}),
            hint="measured at rail pressure and running voltage",
        )
        self._pump_at = NumberField(
            "at a pressure of", "kPa gauge", lambda v: change({"fuel_system.pump_flow_pressure_kpa": v})
        )
        self._own, self._own_error = w.Text(continuous_update=False), html("", "nw-field-error")
        self._own.observe(
            guarded(lambda s: setattr(self._own_error, "value", escape(s)), view._tell)(self._typed), "value"
        )
        self._own_label = html("", "nw-label")
        self._pick = w.Dropdown(options=[("as in the sheet", NO_CHOICE)], tooltip="fit an own jet")
        self._pick.observe(guarded(view._say, view._tell)(self._picked), "value")
        self._quiet = False
        own = box(
            [
                self._own_label,
                self._own,
                html("<span>typed once, commas or spaces between; kept in the build sheet</span>", "nw-hint"),
                self._own_error,
            ],
            "nw-field",
            "nw-stack",
        )
        pick = box(
            [html("<label>fit one of them as the fuel jet</label>", "nw-label"), self._pick], "nw-field", "nw-stack"
        )
        self._coefficient = NumberField(
            "the jet's measured coefficient",
            "",
            lambda v: change({"nitrous.fuel_jet_coefficient": v}),
            hint="flow caught in a can over the orifice formula's; leave empty until measured",
        )
        fields = (self._pressure, self._jet, self._coefficient)
        self._wet_only = box([*(field.widget for field in fields), own, pick], "nw-stack")
        self.widgets = [html("<h3>On the car</h3>"), self._pump.widget, self._pump_at.widget, self._wet_only]

    def _typed(self, change: dict) -> None:
        if self._quiet:
            return
        to = words.bore_unit(self._session.units)
        text = change["new"]
        parts = [part for part in (text.split(";") if ";" in text else re.split(r"[,\s]+", text)) if part.strip()]
        bores = [self._bore(parse_number("jets in the shop", part, to.unit), to) for part in parts]
        self._session.change({"fuel_system.jets_mm": bores or None})

    def _bore(self, typed: float, to: display.Shown) -> float:
        """The bore meant [mm]: one that is shown as typed stays what it was."""
        digits = display.bore_digits(self._session.units)
        known = self._session.sheet.fuel_system.jets_mm or ()
        same = (b for b in known if f"{to.there(b):.{digits}f}" == f"{typed:.{digits}f}")
        return next(same, round(to.back(typed), 4))

    def _picked(self, change: dict) -> None:
        if not self._quiet and change["new"]:
            self._session.change({"nitrous.fuel_jet_diameter_mm": float(change["new"])})

    def show(self) -> None:
        """Display the session's sheet."""
        sheet, system = self._session.sheet, self._session.units
        to = words.bore_unit(system)
        self._quiet = True
        try:
            for field, path in (
                (self._pump, "fuel_system.pump_flow_l_h"),
                (self._pump_at, "fuel_system.pump_flow_pressure_kpa"),
                (self._pressure, "nitrous.fuel_jet_pressure_kpa"),
                (self._jet, "nitrous.fuel_jet_diameter_mm"),
                (self._coefficient, "nitrous.fuel_jet_coefficient"),
            ):
                value = sheet.value(path)
                field.show(float("nan") if value is None else value, system)
            self._own_label.value = f"<label>jets in the shop, {to.unit}</label>"
            self._own.value = ", ".join(
                f"{to.there(b):.{display.bore_digits(system)}f}" for b in sheet.fuel_system.jets_mm or ()
            )
            self._own_error.value = ""
            own = sorted(sheet.fuel_system.jets_mm or ())
            options = [("as in the sheet", NO_CHOICE), *((display.bore(b, system), str(b)) for b in own)]
            if list(self._pick.options) != options:
                self._pick.options = options
            fitted = sheet.nitrous.fuel_jet_diameter_mm
            self._pick.value = next((str(b) for b in own if fitted is not None and abs(b - fitted) < 1e-3), NO_CHOICE)
        finally:
            self._quiet = False
        self._wet_only.layout.display = None if sheet.nitrous.system == "wet" else "none"


def fuel_side(session: Session) -> w.Box:
    """Return the fuel panel of a session."""
    return FuelView(session).widget
