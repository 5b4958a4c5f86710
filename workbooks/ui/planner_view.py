"""The planner page: ten parts from top to bottom, each with its own controls beside it."""

from __future__ import annotations

import asyncio
from html import escape

import ipywidgets as w

from kernel_lib import InputError
from kernel_lib.engine.setup import spray_speeds
from kernel_lib.plan.ramp import propose

from . import planner_pictures as pictures
from . import planner_words as words
from . import valve_pictures
from .exploration import Controls, Exploration, labelled
from .fields import RowField
from .frame import box, html
from .picture import Picture
from .planner_blocks import GuardsBlock, LadderBlock, RehearsalBlock, SheetBlock
from .planner_model import DRAWN, FULL, KW, POINTS, PROPOSED, STAGED, TIMED, TORQUE, Inputs, Result, compute
from .risk_view import FaultsBlock, RiskPanel, running_loop
from .session import Session
from .timing_view import Refused

_LATER = 0.4  # s without a movement, until what is out of sight is drawn too
_BETWEEN = 0.02  # s between parts, so that a movement need not wait for all


class Planner(Exploration):
    """One instance a page; its widgets are shown by the notebook, a cell each."""

    compute = staticmethod(compute)

    def __init__(self, session: Session) -> None:
        self.parts = {
            "room": pictures.RoomPicture(),
            "drive": pictures.DrivePicture(),
            "fuel": pictures.FuelPicture(),
            "retard": pictures.RetardPicture(),
            "ripple": valve_pictures.RipplePicture(),
            "beat": valve_pictures.BeatPicture(),
            "lead": valve_pictures.LeadPicture(),
            "guards": GuardsBlock(),
            "stop": valve_pictures.StopPicture(),
            "faults": FaultsBlock(),
            "risk": RiskPanel(),
            "rehearsal": RehearsalBlock(),
            "ladder": LadderBlock(),
            "sheet": SheetBlock(),
        }
        self._waiting: asyncio.TimerHandle | None = None
        super().__init__(session, Inputs.of(session.sheet), list(self.parts.values()), _Controls)

    def compose(self) -> w.Box:
        """One part under the other, its controls beside it."""
        c = self.controls
        rows = [
            ("1 · How much, where", ["room", "drive"], [html("<h2>Try</h2>"), self._stale, *c.dose]),
            ("2 · Fuel", ["fuel"], []),
            ("3 · Timing", ["retard"], []),
            ("4 · Valve", ["ripple", "beat", "lead"], [html("<h2>Try</h2>"), *c.valve]),
            ("5 · Guards", ["guards", "stop"], [], c.asked, c.taken),
            ("6 · What if", ["faults"], []),
            ("7 · How sure", ["risk"], self.parts["risk"].controls),
            ("8 · Rehearsal with the bottle shut", ["rehearsal"], []),
            ("9 · Ladder", ["ladder"], []),
            ("10 · Tune sheet", ["sheet"], c.tables),
        ]
        return box([*(self._part(*parts) for parts in rows), self._assumes], "nw-stack", "nw-planner")

    def _part(
        self, label: str, names: list[str], controls: list[w.Widget], above: tuple = (), below: tuple = ()
    ) -> w.Box:
        """A part of the page: its pictures, and beside or above them its controls or, where it has none, what a single picture says."""
        members = [self.parts[n] for n in names]
        if not controls and isinstance(members[0], Picture) and len(members) == 1:
            controls = [members[0].text]
            members[0].widget.children = [child for child in members[0].widget.children if child is not members[0].text]
        figure = box([*above, *(m.widget for m in members), *below], "nw-figure", "nw-stack")
        sticky = ["nw-sticky"] if len(names) > 1 and controls else []
        side = [box(controls, "nw-notes", "nw-stack", *sticky)] if controls else []
        wide = [] if controls else ["nw-wide"]
        return box(
            [html(f'<p class="nw-part">{escape(label)}</p>'), box([figure, *side], "nw-panel", *wide)], "nw-stack"
        )

    def redraw(self, _change: object = None) -> None:
        """Draw what is most in sight now, what else is in sight after it, and the rest when nothing has moved for a moment."""
        scale, system = self.session.sheet.controller.gauge_scale, self.session.units
        self.answer.value, self._assumes.value = self.say(scale, system)
        self.controls.show(self.result, scale, system)
        self._only_pulsed()
        in_turn = sorted(self.pictures, key=lambda p: -p.sight.share)
        seen = sum(p.sight.share > 0 for p in in_turn)
        if self._waiting:
            self._waiting.cancel()
        loop = running_loop()
        if loop is None or not seen:
            self._draw(in_turn)
        else:
            waits = [_LATER if k == seen else _BETWEEN for k in range(1, len(in_turn))]
            self._draw_in_turn(loop, in_turn, waits)

    def _draw_in_turn(self, loop: asyncio.AbstractEventLoop, parts: list, waits: list[float]) -> None:
        """Draw the first, and after its wait the next."""
        self._waiting = loop.call_later(waits[0], self._draw_in_turn, loop, parts[1:], waits[1:]) if waits else None
        self._draw(parts[:1])

    def _only_pulsed(self) -> None:
        """Show what is about pulses only where the valve is pulsed."""
        show = None if self.result.tune.pulsed else "none"
        for widget in (
            self.parts["ripple"].widget,
            self.parts["beat"].widget,
            self.controls.hz.widget,
            self.controls.tables_duty.widget,
        ):
            widget.layout.display = show

    def _draw(self, parts: list) -> None:
        for part in parts:
            part.draw(self.result, self.session.sheet.controller.gauge_scale, self.session.units, self.session)

    def say(self, _scale: float, system: str) -> tuple[str, str]:
        answer = "".join(f"<p>{escape(text)}</p>" for text in words.answer(self.result, system))
        return answer, escape(words.assumes(self.result))

    def keep(self) -> None:
        """Put what was chosen here on the session's sheet, so that links and other pages have it."""
        self.session.change(self.result.changes)


def planner(session: Session) -> Planner | Refused:
    """Return the planner page of a session, or the sentence why there is none."""
    try:
        return Planner(session)
    except InputError as exc:
        return Refused(session, exc)


class _Controls(Controls):
    def __init__(self, view: Planner) -> None:
        super().__init__(view)
        self.way = w.Dropdown(
            options=[
                ("proposed: the largest ramp", PROPOSED),
                ("drawn between its ends", DRAWN),
                ("points over speed", POINTS),
                ("points over time", TIMED),
                ("in two stages", STAGED),
                ("all at once", FULL),
            ],
            tooltip="the nitrous comes in",
        )
        self.way.observe(self.guarded(self._switched), "value")
        self._slot, self.kept = box([], "nw-stack"), html("", "nw-hint")
        self._numbers()
        self._rows(view)
        self.curve = self.choice("over speed, draw", [("power", KW), ("torque", TORQUE)], lambda v: {"curve": v})
        keep = w.Button(
            description="keep on the build sheet",
            tooltip="links and the other pages then carry this ramp and these tables",
        )
        keep.on_click(self.guarded(self._keep))
        self.dose = [
            labelled("the nitrous comes in", self.way), self._slot, self.hz.widget, labelled("over speed, draw", self.curve), self.error, keep, self.kept,
        ]  # fmt: skip
        self.cuts = [self._cut(k, name) for k, name in enumerate(("the rev limiter", "a shift", "traction control"))]
        told = html("<p>On nitrous it matters what else may cut in. What does each of these cut?</p>")
        take = w.Button(
            description="take these limits",
            tooltip="lean stop, rich stop, fuel lead and the end of the window go onto the build sheet, and all of this page follows",
        )
        take.on_click(self.guarded(self._limits))
        self.taken = (take,)
        self.asked = (told, box([labelled(f"{name} cuts", cut) for name, cut in self.cuts], "nw-columns-3"))
        self.valve = [self.hz.widget, self.lead.widget, self.rpm.widget]
        self.tables = [html("<h2>Your breakpoints</h2>"), self.tables_rpm.widget, self.tables_duty.widget]
        self.widgets = [*self.dose, *self.valve, *self.tables]

    def _numbers(self) -> None:
        self.margin = self.number(
            "margin below every limit",
            "%",
            lambda v: {"margin": v / 100},
            (0, 60, 1),
            None,
            "of the allowed dose; a choice, no source",
        )
        self.steepest = self.number(
            "steepest rise",
            "% per 1000 rpm",
            lambda v: {"steepest": v / 100},
            (2, 200, 2),
            None,
            "of the full flow; a choice, no source",
        )
        self.first = self.number(
            "dose at the lowest speed", "%", lambda v: {"first": v / 100}, (0, 100, 1), 0, "of the full flow"
        )
        self.last = self.number("dose at the highest speed", "%", lambda v: {"last": v / 100}, (0, 100, 1), 0)
        self.bend = self.number(
            "bend of the way between", "", lambda v: {"bend": v}, (0.3, 3, 0.1), 1, "1 is a line; more comes in late"
        )
        self.stage = self.number(
            "first stage",
            "%",
            lambda v: {"first_stage": v / 100},
            (10, 90, 1),
            0,
            "of the full flow; the second set brings the rest",
        )
        self.hz = self.number(
            "pulse frequency",
            "Hz",
            lambda v: {"pulse_hz": v},
            (2, 50, 1),
            None,
            "of a progressive valve; the trade's is 10 (common practice)",
        )

        rpm = spray_speeds(self.view.session.sheet)
        self.lead = self.number(
            "fuel before nitrous",
            "ms",
            lambda v: {"lead_ms": v},
            (0, 500, 5),
            0,
            "the trade's is 100 (common practice)",
        )
        self.rpm = self.number(
            "engine speed looked at", "rpm", lambda v: {"rpm": v}, (float(rpm[0]), float(rpm[-1]), 50), 0
        )

    def _cut(self, k: int, name: str) -> tuple[str, w.Dropdown]:
        """Ask what something cuts."""
        kinds = ["unknown", "spark", "fuel", "both", *(["nothing"] if k else [])]
        drop = w.Dropdown(
            options=[("nobody knows" if kind == "unknown" else kind, kind) for kind in kinds], tooltip=f"{name} cuts"
        )

        def chosen(change: dict) -> None:
            cuts = list(self.view.inputs.cuts)
            cuts[k] = change["new"]
            self.move({"cuts": tuple(cuts)})

        drop.observe(self.guarded(chosen), "value")
        return name, drop

    def _rows(self, view: Planner) -> None:
        self.at = RowField("points", "rpm", lambda v: view.set(at=v), view.mark)
        self.share = RowField("share of the full flow", "%", lambda v: view.set(share=v), view.mark)
        self.tables_rpm = RowField(
            "engine speeds", "rpm", lambda v: view.set(tables_rpm=v), view.mark, "typed or pasted, rising"
        )
        self.tables_duty = RowField(
            "valve duty", "%", lambda v: view.set(tables_duty=v), view.mark, "typed or pasted, rising"
        )
        self.take = w.Button(description="take the proposal", tooltip="fill the points with the proposed ramp")
        self.take.on_click(self.guarded(self._take))

    @property
    def fields(self) -> tuple:
        return (
            self.margin,
            self.steepest,
            self.first,
            self.last,
            self.bend,
            self.stage,
            self.hz,
            self.lead,
            self.rpm,
            self.at,
            self.share,
            self.tables_rpm,
            self.tables_duty,
        )

    def _switched(self, change: dict) -> None:
        if self.quiet:
            return
        way, inputs = change["new"], self.view.inputs
        moved: dict = {"way": way}
        if (way == POINTS and inputs.way == TIMED) or (way == TIMED and inputs.way != TIMED):
            rpm = spray_speeds(self.view.session.sheet)
            moved["at"] = tuple(float(v) for v in rpm) if way == POINTS else (0.0, 0.5, 1.0, 1.5)
            moved["share"] = (100.0,) * len(rpm) if way == POINTS else (40.0, 60.0, 80.0, 100.0)
        self.move(moved)

    def _take(self, _button: object) -> None:
        view = self.view
        ramp = propose(view.result.sheet, view.result.room, margin=view.inputs.margin, steepest=view.inputs.steepest)
        view.set(way=POINTS, at=tuple(map(float, ramp.at)), share=tuple(float(int(1000 * s) / 10) for s in ramp.share))

    def _limits(self, _button: object) -> None:
        """Put the proposed limits on the sheet; the page follows."""
        view = self.view
        view.session.change({p.path: p.value for p in view.result.tune.proposals if p.path})
        low, high = spray_speeds(view.session.sheet)[[0, -1]]
        i = view.inputs
        view.set(lead_ms=view.session.sheet.nitrous.fuel_lead_ms, rpm=min(max(i.rpm, low), high))

    def _keep(self, _button: object) -> None:
        self.view.keep()
        self.kept.value = "<span>Kept: the links above and the file of the build sheet now carry this ramp.</span>"

    def show(self, r: Result, _scale: float, system: str) -> None:
        i = r.inputs
        with self.hushed():
            self.way.value = i.way
            for field, value in (
                (self.margin, 100 * i.margin),
                (self.steepest, 100 * i.steepest),
                (self.first, 100 * i.first),
                (self.last, 100 * i.last),
                (self.bend, i.bend),
                (self.stage, 100 * i.first_stage),
                (self.hz, i.pulse_hz),
                (self.lead, i.lead_ms),
                (self.rpm, i.rpm),
            ):
                field.show(round(value, 6), system)
            self.at.rename(
                "times since the first nitrous" if i.way == TIMED else "engine speeds of the points",
                "s" if i.way == TIMED else "rpm",
            )
            for row_field, values in (
                (self.at, i.at),
                (self.share, i.share),
                (self.tables_rpm, i.tables_rpm),
                (self.tables_duty, i.tables_duty),
            ):
                row_field.show(values)
            self.curve.value = i.curve
            for (_, drop), kind in zip(self.cuts, i.cuts, strict=True):
                drop.value = kind
        slot = {
            PROPOSED: [self.margin, self.steepest],
            DRAWN: [self.first, self.last, self.bend],
            POINTS: [self.at, self.share],
            TIMED: [self.at, self.share],
            STAGED: [self.stage, self.margin],
            FULL: [],
        }[i.way]
        self.refill(self._slot, [*(f.widget for f in slot), *([self.take] if i.way == POINTS else [])])
        self.kept.value = ""
