"""What stands on the page before any log is opened."""

from __future__ import annotations

from html import escape

from kernel_lib import BuildSheet
from kernel_lib.logs.channels import CHANNELS, NEEDED, WANTED
from kernel_lib.text import listed


def explained(sheet: BuildSheet, *, kept: bool = False) -> str:
    """What to log, how, and what this page never does."""
    need = listed([CHANNELS[key].label for key in NEEDED])
    skip = {"injector_duty_percent"} if sheet.nitrous.system == "wet" else set()
    skip |= set() if sheet.nitrous.progressive else {"nitrous_duty_percent"}
    want = listed([CHANNELS[key].label for key in WANTED if key not in skip])
    window = f"{sheet.nitrous.spray_rpm_min:g} to {sheet.nitrous.spray_rpm_max:g} rpm"
    lines = (
        f"<b>Channels.</b> Without {escape(need)} nothing can be judged. The ladder asks for {escape(want)} as well: each that is missing stays unjudged, and the review says so.",
        "<b>Rate.</b> 50 to 100 samples a second of engine speed and lambda; pressures and temperatures may be slower. Fewer hide a short lean moment (advice of our own).",
        f"<b>One pull.</b> First without nitrous, then with it: one gear, full throttle from below the spray window ({window}) to its end, the log running some seconds before and after.",
        "<b>The end.</b> Shut off at full throttle, clutch in, let it stand, and read the plugs (common practice, no source). A pull that ends in a lift cannot be read from its plugs.",
    )
    rows = "".join(f"<li>{line}</li>" for line in lines)
    again = "<p>After a reload logs have to be opened again; which column is which is kept in the address.</p>"
    return (
        f"{again if kept else ''}"
        "<p>No log is open, so nothing is judged. Open one of this car, or look at a demo log, which is simulated and says so wherever it stands.</p>"
        f"<h2>What to log</h2><ul>{rows}</ul>"
    )
