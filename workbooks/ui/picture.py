"""What every explorable picture is: a finding, a figure, and a few sentences."""

from __future__ import annotations

from html import escape
from typing import Any

import numpy as np
import plotly.graph_objects as go

from . import theme
from .frame import Sight, box, html
from .session import Session


def font(color: str) -> dict:
    """Return the type of a label in a colour."""
    return {"color": color, "size": 12}


def names(color: str, position: str, **rest) -> go.Scatter:
    """Return an empty trace of labels that move with the lines they name."""
    return go.Scatter(
        mode="text", textposition=position, textfont=font(color), cliponaxis=False, hoverinfo="skip", **rest
    )


def apart(places: list[float], least: float) -> list[float]:
    """Move labels so far apart that they can be read, in their order from below, each group about its middle."""
    order = [k for k in np.argsort(places) if np.isfinite(places[k])]
    groups: list[list[int]] = []
    for k in order:
        groups.append([k])
        while len(groups) > 1:
            below, above = groups[-2], groups[-1]
            top = np.mean([places[i] for i in below]) + 0.5 * least * (len(below) - 1)
            bottom = np.mean([places[i] for i in above]) - 0.5 * least * (len(above) - 1)
            if bottom - top >= least:
                break
            groups[-2:] = [below + above]
    out = list(places)
    for group in groups:
        middle = float(np.mean([places[i] for i in group]))
        for n, k in enumerate(group):
            out[k] = middle + least * (n - 0.5 * (len(group) - 1))
    return out


class Picture:
    """A finding, a picture, three sentences. What seldom changes is framed once; a moved control only moves the data."""

    def __init__(self) -> None:
        self.title, self.subtitle, self.text = html(), html("", "nw-hint"), html()
        self.figure = self.build()
        self._framed: tuple | None = None
        self._sent: dict[tuple[int, str], np.ndarray] = {}
        self.sight = Sight()
        parts = [self.title, self.subtitle, *self.extra(), self.figure, self.text, self.sight]
        self.widget = box(parts, "nw-stack", "nw-picture")

    def build(self) -> theme.Figure:
        """Make the empty picture."""
        raise NotImplementedError

    def frame(self, r: Any, scale: float, system: str, session: Session) -> None:
        """Set axes, marks and labels."""
        raise NotImplementedError

    def data(self, r: Any, scale: float, system: str) -> None:
        """Move the data."""
        raise NotImplementedError

    def words(self, r: Any, scale: float, system: str, session: Session) -> tuple[str, str, list[str]]:
        """Return title, subtitle and the sentences."""
        raise NotImplementedError

    def key(self, r: Any, scale: float, system: str) -> tuple:
        """What the frame depends on."""
        return scale, system, r.inputs

    def extra(self) -> list:
        """Widgets between title and picture."""
        return []

    def draw(self, r: Any, scale: float, system: str, session: Session) -> None:
        """Redraw for a result."""
        with self.figure.batch_update():
            key = self.key(r, scale, system)
            if self._framed != key:
                self.frame(r, scale, system, session)
                self._framed = key
            self.data(r, scale, system)
        title, subtitle, sentences = self.words(r, scale, system, session)
        self.title.value = f"<h2>{escape(title)}</h2>"
        self.subtitle.value = f"<span>{escape(subtitle)}</span>"
        self.text.value = "".join(f"<p>{escape(s)}</p>" for s in sentences)

    def put(self, index: int, **arrays: np.ndarray | list) -> None:
        """Send arrays to a trace, but not those it has already."""
        for name, value in arrays.items():
            array = np.asarray(value, dtype=float)
            before = self._sent.get((index, name))
            if before is None or before.shape != array.shape or not np.array_equal(before, array):
                self._sent[index, name] = array
                self.figure.data[index][name] = array

    def settle(self) -> None:
        """Make what has been drawn the state a browser starts from."""
        self.figure.settle()


class Block:
    """A finding and what stands under it as HTML: a table, a list, a timeline. It is written anew only where it has changed."""

    def __init__(self, *classes: str) -> None:
        self.title, self.body = html(), html("", *classes)
        self.sight = Sight()
        self.widget = box([self.title, self.body, *self.extra(), self.sight], "nw-stack", "nw-picture")

    def extra(self) -> list:
        """Widgets under the body."""
        return []

    def write(self, r: Any, scale: float, system: str, session: Session) -> tuple[str, str]:
        """Return title (plain) and body (HTML)."""
        raise NotImplementedError

    def draw(self, r: Any, scale: float, system: str, session: Session) -> None:
        """Rewrite for a result."""
        title, body = self.write(r, scale, system, session)
        self.title.value, self.body.value = f"<h2>{escape(title)}</h2>", body

    def settle(self) -> None:
        """Nothing to do: HTML settles by itself."""
