"""A number and how sure it is."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Band:
    """Bounds over a stated range and the likely value, all in the same unit.

    Attributes
    ----------
    low, best, high : float
        Low and high are bounds, not standard deviations.
    because : str
        The assumption behind the range.
    """

    low: float
    best: float
    high: float
    because: str


WALL_HEAT_SHARE = Band(
    0.0,
    0.5,
    1.0,
    "share of the evaporation heat that comes from walls and not from the charge: unknown, so all of 0 to 1",
)
DENSITY_EXPONENT = Band(
    0.0, 0.5, 1.0, "moles drawn in rise as (T_air/T_charge)^n: n is 0 to 1, 0.5 in usual inlet-temperature corrections"
)
ADDED_HEAT_EFFICIENCY = Band(
    0.34,
    0.38,
    0.42,
    "share of the added heat that reaches the crank: full-load points of a 2.0 L engine (248 g/kWh at 10.3 bar, 309 at 8.3; TSFS09 "
    "engine map) with friction of 1.5 to 2.8 bar (from memory) already paid; a check on what the cycle finds",
)
HYDROGEN_WEIGHT = Band(
    1.0,
    2.0,
    3.7,
    "how much more strongly than CO hydrogen acts on a wide-band sensor: 1 if both diffuse alike, 3.7 = "
    "sqrt(28/2) if as single molecules in fine pores",
)
NOZZLE_COEFFICIENT = Band(
    0.60,
    0.75,
    0.82,
    "discharge coefficient of a nozzle nobody has weighed: 0.60 to 0.82 published for sharp to rounded holes of 1 to 2 mm; two measured "
    "windows of a static-fire record ask the choked equilibrium model (HEM) for 0.73 and 0.79; a range, not a bound: a hole shorter than its bore may pass more",
)
BOTTLE_TEMPERATURE = Band(
    -3.0,
    0.0,
    3.0,
    "error of the liquid's temperature [K]: it is read on the wall or from a gauge, and the liquid drawn lies at the cold bottom; from memory",
)
JET_COEFFICIENT = Band(
    0.60, 0.75, 0.85, "discharge coefficient of a fuel jet nobody has measured; small metering orifices, from memory"
)
LINE_FRICTION = Band(
    0.015, 0.025, 0.04, "friction factor (Darcy) of a nitrous line, smooth tube to corrugated hose; from memory"
)
LINE_FITTINGS = Band(
    3.0,
    10.0,
    30.0,
    "valve, filter and bends of a nitrous line in velocity heads of its bore; from memory, the valve's own bore decides",
)
WALL_FILM = Band(
    150.0,
    500.0,
    2000.0,
    "heat from a bottle's wall to boiling liquid nitrous [W/(m2 K)]: still liquid to lively boiling; from memory",
)
AIR_FILM = Band(5.0, 8.0, 15.0, "heat from still to lightly moving air to a bottle [W/(m2 K)]; from memory")
WORK_SHARE = Band(
    0.93,
    0.97,
    1.02,
    "measured gross work over that of the cycle, which counts no blow-by, no crevices and no unburned fuel: 0.94 to 1.0 over the runs of a "
    "measured propane engine (CFR, Technical University of Denmark 2025), 0.94 to 1.02 at three full-load points of a 2.0 L engine (TSFS09)",
)
PEAK_SHARE = Band(
    0.95,
    1.02,
    1.09,
    "measured peak pressure over that of the cycle: 0.96 to 1.09 over the runs of a measured propane engine that did not knock (CFR 2025), 1.02 in the "
    "mean where burn angles are derived alike; it cancels in limits that count from the engine's own peak",
)
FRICTION_CONSTANT = Band(
    0.1,
    0.137,
    0.5,
    "constant part of the friction pressure [bar], fitted per engine (Chen & Flynn 1965, from memory)",
)
FLAME_RATIO = Band(
    0.8,
    1.0,
    1.2,
    "flame speed with nitrous over without, times this: computed for propane with GRI-Mech 3.0 in place of gasoline, rates known to 10 %, at "
    "pressures beyond those the mechanism was validated at; no measurement found, so at least 20 % either way",
)
KNOCK_NITROUS = Band(
    0.9,
    1.0,
    1.1,
    "knock integral with nitrous oxide, times this: computed ignition delays change by -6 to +2 % at 10 % nitrous; no measurement found",
)
VE_ERROR = Band(-0.03, 0.0, 0.03, "error of the volumetric efficiency, as a share of it; from memory")
INJECTOR_SCALE = Band(-0.03, 0.0, 0.03, "error of the injectors' flow, as a share of it; from memory")
SENSOR_ERROR = Band(
    -0.02, 0.0, 0.02, "error of a wide-band reading in lambda, nitrous left out of account; from memory"
)
OCTANE_ERROR = Band(-1.0, 0.0, 1.0, "octane in the tank against the label [RON]; from memory")
VALVE_LAG_ERROR = Band(
    -5.0,
    0.0,
    5.0,
    "error of a pulsed valve's opening less closing time [ms]: it changes with pressure, voltage and heat; from memory",
)
LINE_FILL = Band(
    0.0,
    0.5,
    1.0,
    "empty share of a line behind a shut valve that has to fill before the nozzle passes all: an open valve lets liquid in faster than the nozzle lets it "
    "out, and vapour runs ahead; unknown, so all of 0 to 1 at the nozzle's own flow",
)
LINE_DRAIN = Band(
    1.0,
    2.1,
    4.0,
    "time in which a line behind a shut valve loses 95 % of its nitrous, over its volume of liquid at the full flow: 1 if liquid leaves first at full "
    "pressure, 2.1 computed for foam without heat from the metal (choked equilibrium at constant entropy, 300 to 305 K), 4 a guess of our own",
)
INJECTION_WAIT = Band(
    0.25,
    0.75,
    1.25,
    "cycles from a changed injection time to the first cylinder that draws it: the next injection is 0 to 1 cycle away, and drawn a quarter cycle later; from memory",
)
FILM_SHARE = Band(
    0.1, 0.25, 0.5, "share of added fuel that goes by way of the port's wall; warm engine, full throttle, from memory"
)
FILM_TIME = Band(0.1, 0.25, 0.6, "time constant of that wall film [s]; warm engine, full throttle, from memory")
EXHAUST_T = Band(1000.0, 1150.0, 1300.0, "exhaust gas between valve and sensor at full throttle [K]; from memory")
IDLE_PRESSURE = Band(
    25e3,
    35e3,
    45e3,
    "manifold pressure at idle [Pa absolute]; a throttle that is let go is taken to pass the air of idle at any speed; from memory",
)
