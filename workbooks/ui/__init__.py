"""What the notebooks call: a session, and one function a panel."""

from .explorer_view import charge_explorer
from .frame import cautions, masthead, terms
from .session import open_session
from .start_view import car_on_paper, choose_car, edit_car, first_plan

__all__ = [
    "car_on_paper",
    "cautions",
    "charge_explorer",
    "choose_car",
    "edit_car",
    "first_plan",
    "masthead",
    "open_session",
    "terms",
]
