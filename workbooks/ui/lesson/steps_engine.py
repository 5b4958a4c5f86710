"""The lesson's steps about the engine, in order: evaporation, fuel rule, burn rate, retard, octane and plugs."""

from __future__ import annotations

from .step import Step
from .steps_burn import BurnSpeed
from .steps_fuel import Evaporating, FuelRule
from .steps_octane import OctanePlugs
from .steps_retard import RetardFor

STEPS: tuple[Step, ...] = (Evaporating(), FuelRule(), BurnSpeed(), RetardFor(), OctanePlugs())
