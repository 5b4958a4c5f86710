"""What the notebooks call: a session, and one function a panel."""

from .bottle_view import bottle
from .brief_view import customer_brief
from .explorer_view import charge_explorer
from .frame import cautions, masthead, terms
from .fuel_view import fuel_side
from .lesson.lesson_view import why_targets
from .paper_view import car_on_paper
from .planner_view import planner
from .review.review_view import pull_review
from .rules_view import rule_check
from .session import open_session, preheat_plan, preheat_planner
from .start_view import choose_car, edit_car, first_plan
from .timing_view import timing
from .today_view import today
from .weigh_view import weigh_in_panel

__all__ = [
    "bottle",
    "car_on_paper",
    "cautions",
    "charge_explorer",
    "choose_car",
    "customer_brief",
    "edit_car",
    "first_plan",
    "fuel_side",
    "masthead",
    "open_session",
    "planner",
    "preheat_plan",
    "preheat_planner",
    "pull_review",
    "rule_check",
    "terms",
    "timing",
    "today",
    "weigh_in_panel",
    "why_targets",
]
