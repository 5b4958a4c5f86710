"""Nitrous oxide on a spark-ignition engine: the physics and the plan. No widget lives here."""

from .build_sheet import BuildSheet
from .errors import InputError
from .logs.review import review_log
from .plan.plan import Plan, plan_shot

__all__ = ["BuildSheet", "InputError", "Plan", "plan_shot", "review_log"]
__version__ = "0.1.0"
