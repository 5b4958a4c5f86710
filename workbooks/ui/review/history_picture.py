"""The ladder's history as a picture: share of the plan and lambda, a mark a log, coloured by its verdict."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .. import theme
from ..frame import box
from ..picture import Picture, font
from ..session import Session
from .time_picture import THIN, beside
from .words import LEAN, SHARE, VERDICTS

COLORS = {"go": "#2f6b3a", "repeat": "#8a6100", "go back": "#8a6100", "stop": "#9b1c1c"}
PLACES = ("top center", "bottom center", "middle left", "middle right")
"""Where the label of a mark stands, in turn along the axis, so that neighbours keep apart."""
SYMBOLS = {"go": "circle", "repeat": "triangle-up", "go back": "triangle-down", "stop": "square"}


class HistoryPicture(Picture):
    """Made when a second log is judged; `slot` is where it then stands."""

    def __init__(self) -> None:
        super().__init__()
        self.slot, self._settled = box([], "nw-stack"), False
        beside(self)

    def build(self) -> theme.Figure:
        fig = theme.figure(280, right=80)
        fig.add_scatter(mode="markers+text", textposition="top center", cliponaxis=False, hoverinfo="skip", marker={"size": 11})  # fmt: skip
        return fig

    def show(self, table: pd.DataFrame, numbers: list[int], session: Session) -> None:
        """Draw the logs whose share of the plan and lambda are known.

        Parameters
        ----------
        table : DataFrame
            Of `history`.
        numbers : list of int
            What each of its rows is called in the list of open logs.
        session : Session
        """
        rows = zip(100 * table[SHARE], table[LEAN], table["verdict"], numbers, strict=True)
        points = [p for p in rows if np.isfinite(p[0]) and np.isfinite(p[1])]
        self.slot.layout.display = None if points else "none"
        if not points:
            return
        sheet = session.sheet
        x, y, verdict, number = zip(*points, strict=True)
        target, stop = sheet.engine.lambda_with_nitrous, sheet.limits.lean_stop_lambda
        with self.figure.batch_update():
            self.figure.data[0].update(
                {
                    "x": np.array(x),
                    "y": np.array(y),
                    "text": [f"{n}: {VERDICTS[v][1]}" for v, n in zip(verdict, number, strict=True)],
                    "textposition": [PLACES[k % len(PLACES)] for k in np.argsort(np.argsort(x))],
                    "marker": {
                        "size": 11,
                        "color": [COLORS[v] for v in verdict],
                        "symbol": [SYMBOLS[v] for v in verdict],
                    },
                }
            )
            levels = ((target, "target"), (stop, "lean stop"))
            self.figure.layout.shapes = [
                {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": v, "y1": v, "line": THIN} for v, _ in levels
            ]
            self.figure.layout.annotations = [
                {"x": 1.008, "xref": "paper", "xanchor": "left", "y": v, "showarrow": False, "text": name, "font": font(theme.INK)}
                for v, name in levels
            ]  # fmt: skip
            every = [*y, target, stop]
            self.figure.update_xaxes(
                range=[0, max(110.0, 1.1 * max(x))], title_text="share of the planned dose, %", title_font_size=12
            )
            self.figure.update_yaxes(
                range=[min(every) - 0.02, max(every) + 0.03], title_text="leanest lambda", title_font_size=12
            )
        self.title.value = "<h2>How far up the ladder, and how lean</h2>"
        self.text.value = "<p>Leanest true lambda with nitrous in the charge over the share of the planned dose; numbers as in the table of open logs.</p>"
        if not self._settled:
            self.settle()
            self._settled, self.slot.children = True, [self.widget]
