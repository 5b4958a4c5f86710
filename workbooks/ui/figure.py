"""The one kind of figure on all pages: follows its column, shows no tool bar, and loads the plot script once."""

from __future__ import annotations

import os
from copy import deepcopy

import plotly.graph_objects as go

#: Our server sets this for its kernels to the address of the plot script. Where it is not set (JupyterLab, tests)
#: each figure brings its own 5 MB copy, as plotly means it to.
SCRIPT_ADDRESS = os.environ.get("WORKBOOKS_PLOT_SCRIPT", "")

CONFIG = {"responsive": True, "displayModeBar": False, "scrollZoom": False, "doubleClick": False}


class Figure(go.FigureWidget):
    """A plotly figure as a widget, with this project's fixed choices.

    Parameters
    ----------
    *args, **kwargs
        As for `plotly.graph_objects.FigureWidget`.
    """

    if SCRIPT_ADDRESS:
        _esm = f"""
        const script = await import(new URL({SCRIPT_ADDRESS!r}, location.origin).href);
        export default script.default;
        """

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self._config = {**self._config, **CONFIG}
        self.update_layout(autosize=True)

    def settle(self) -> None:
        """Make what has been drawn the state a browser starts from; to be called once, before the figure is shown.

        plotly itself does so only for a figure that is a cell's own output, not for one inside a box.
        """
        self._widget_layout = deepcopy(self._layout_obj._props)
        self._widget_data = deepcopy(self._data)
