"""Files to take along, inside the page itself."""

from __future__ import annotations

import base64
import re
from html import escape

from kernel_lib import BuildSheet


def link(label: str, name: str, mime: str, content: str) -> str:
    """Return a link that downloads what it holds."""
    data = base64.b64encode(content.encode()).decode()
    return f'<a download="{escape(name)}" href="data:{mime};base64,{data}">{escape(label)}</a>'


def stem(sheet: BuildSheet) -> str:
    """Return a file name for a car."""
    return re.sub(r"[^a-z0-9]+", "_", sheet.car.name.lower()).strip("_") or "car"
