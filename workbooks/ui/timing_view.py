"""The timing page: controls, pictures, and what they say."""

from __future__ import annotations

from html import escape

from kernel_lib import InputError
from kernel_lib.band import FLAME_RATIO, WALL_HEAT_SHARE
from kernel_lib.engine.setup import spray_speeds

from . import display
from . import timing_cylinder as cylinder
from . import timing_pictures as pictures
from . import timing_words as words
from .exploration import Controls, Exploration, labelled
from .fields import NumberField
from .frame import html
from .session import Session
from .timing_model import POWER, RETARD_SPAN, SHOT_SPAN, TORQUE, Inputs, Result, compute


class TimingExplorer(Exploration):
    """One instance a page; its widgets are shown by the notebook, a cell each."""

    compute = staticmethod(compute)

    def __init__(self, session: Session) -> None:
        drawn = [
            pictures.NeedPicture(),
            cylinder.PressurePicture(),
            cylinder.BurnPicture(),
            cylinder.HeatPicture(),
            cylinder.KnockPicture(),
            pictures.PowerPicture(),
            pictures.MarginPicture(),
            pictures.PlugPicture(),
        ]
        super().__init__(session, Inputs.of(session.sheet), drawn, _Controls)

    def say(self, _scale: float, system: str) -> tuple[str, str]:
        answer = "".join(f"<p>{escape(text)}</p>" for text in words.answer(self.result))
        return answer, words.assumes(self.result, system)


class Refused:
    """What stands in place of the page where the sheet's own shot cannot be computed."""

    def __init__(self, session: Session, exc: InputError) -> None:
        self.answer = html(f'<p class="nw-state-stop">{escape(display.refusal(exc, session.units))}</p>', "nw-answer")
        self.page = html("<p>Change it on the page of the car on paper; this page then follows.</p>")


def timing(session: Session) -> TimingExplorer | Refused:
    """Return the timing page of a session, or the sentence why there is none."""
    try:
        return TimingExplorer(session)
    except InputError as exc:
        return Refused(session, exc)


class _Controls(Controls):
    def __init__(self, view: TimingExplorer) -> None:
        super().__init__(view)
        rpm = spray_speeds(view.session.sheet)
        shots = (SHOT_SPAN[0], max(SHOT_SPAN[1], view.session.sheet.nitrous.shot_hp), 5)
        self.shot = self.number(
            "shot",
            "hp at the crank",
            lambda v: {"shot_hp": v},
            shots,
            None,
            "moves the answer and every picture; what follows moves one cylinder only",
        )
        self.rpm = self.number(
            "engine speed looked at", "rpm", lambda v: {"rpm": v}, (float(rpm[0]), float(rpm[-1]), 50), 0
        )
        self.retard = self.number(
            "timing taken out",
            "deg",
            lambda v: {"retard_deg": v},
            (*RETARD_SPAN, 0.5),
            None,
            "from the known-good timing at that speed",
        )
        self.wall = self.number(
            "wall-heat share",
            "",
            lambda v: {"wall": v},
            (WALL_HEAT_SHARE.low, WALL_HEAT_SHARE.high, 0.05),
            2,
            "not known; 0.5 is a guess in the middle",
        )
        self.flame = self.number(
            "flame speed, times the computed",
            "",
            lambda v: {"flame": v},
            (FLAME_RATIO.low, FLAME_RATIO.high, 0.02),
            2,
            "not known better than this range",
        )
        self.curve = self.choice("curve", [("power", POWER), ("torque", TORQUE)], lambda v: {"curve": v})
        self.widgets = [
            html("<h2>Try</h2>"), self.shot.widget, html("<h3>One cylinder</h3>"), self.rpm.widget, self.retard.widget,
            self.wall.widget, self.flame.widget, labelled("over speed, draw", self.curve), self.error,
        ]  # fmt: skip

    @property
    def fields(self) -> tuple[NumberField, ...]:
        return (self.shot, self.rpm, self.retard, self.wall, self.flame)

    def show(self, r: Result, _scale: float, system: str) -> None:
        i = r.inputs
        with self.hushed():
            for field, value in (
                (self.shot, i.shot_hp),
                (self.rpm, i.rpm),
                (self.retard, i.retard_deg),
                (self.wall, i.wall),
                (self.flame, i.flame),
            ):
                field.show(value, system)
            self.curve.value = i.curve
