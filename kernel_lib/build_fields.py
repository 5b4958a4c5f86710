"""The sections and fields of a build sheet: label, unit, range, why, and what is assumed when nobody knows.

A field with ``basis`` has a default that the pages show as "assumed, because <basis>". A field that is None by default is
unknown until somebody measures it; it is never filled in.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from .build_kinds import num, numbers, text, word

PRACTICE = "common practice, no source"
ROD_TO_STROKE = 1.65
_Row = tuple[Annotated[float, Field(strict=True, allow_inf_nan=False)], ...]


# A table of fields reads best with a field a line:
# fmt: off
class Section(BaseModel):
    """A table of the file; unknown keys are refused, so that a misspelt one is not ignored."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")


class Car(Section):
    """Whose car this is."""

    name: str = text("car", ...)
    owner: str = text("owner")
    shop: str = text("shop")
    notes: str = text("notes")
    currency: str = text("currency of prices")


class Site(Section):
    """Air on the day."""

    barometer_kpa: float | None = num("barometer", "kPa absolute", 60, 110, "Barometric pressure where there are roads.",
                                      where="station pressure, not the sea-level pressure of a forecast", default=None)
    altitude_m: float | None = num("altitude", "m", -500, 4000, "Roads lie between.", default=None,
                                   where="used for the pressure if no barometer reading is given")
    air_temperature_c: float = num("air temperature at the intake", "°C", -40, 60, "Weather, and a hot engine bay.",
                                   where="intake air sensor just before a pull", default=25.0, basis="a mild day")
    relative_humidity_percent: float = num("relative humidity at that temperature", "%", 0, 100, "A share of saturation.", default=50.0,
                                           where="air of 55 % at 26 °C holds the same water at 16 % and 50 °C",
                                           basis="a mild day")


class FullThrottle(Section):
    """What the engine does at full throttle without nitrous, over rpm."""

    rpm: _Row = numbers("engine speed", "rpm", 500, 12000, "Car engines turn between.")
    volumetric_efficiency_percent: _Row = numbers(
        "volumetric efficiency", "%", 20, 140, "Relative to the air in the manifold, without boost.")
    timing_deg_btdc: _Row = numbers("known-good timing", "deg before TDC", -10, 60,
                                                 "Ignition timing of spark-ignition engines.")


class Engine(Section):
    """The engine without nitrous."""

    working_cycle: Literal["four-stroke piston"] = word(
        "working cycle", "Two-stroke and rotary engines breathe and burn otherwise; this project does not compute them.")
    aspiration: Literal["natural"] = word(
        "aspiration", "With a turbocharger or supercharger charge and knock obey other limits; boost is not computed.")
    fuel_injection: Literal["port"] = word(
        "fuel injection", "With a carburettor or direct injection the added fuel takes another path; only port injection "
        "is computed.")
    cylinders: int = num("cylinders", "", 1, 16, "Car engines lie within.")
    bore_mm: float = num("bore", "mm", 40, 150, "Car engines lie within.")
    stroke_mm: float = num("stroke", "mm", 40, 150, "Car engines lie within.")
    rod_mm: float | None = num("connecting rod, centre to centre", "mm", 70, 260, "Car engines lie within.", default=None,
                               basis=f"{ROD_TO_STROKE:g} times the stroke; {PRACTICE}")
    compression_ratio: float = num("compression ratio", ": 1", 6, 16, "Spark-ignition engines without boost.",
                                   where="measured, or from chamber, gasket and piston volumes")
    intake_closing_deg_abdc: float = num("intake valve closes", "deg after BDC", 10, 100, "Cam timings of car engines.",
                                         default=55.0, basis="typical of a road cam; from memory")
    exhaust_opening_deg_bbdc: float = num("exhaust valve opens", "deg before BDC", 10, 100, "Cam timings of car engines.",
                                          default=55.0, basis="typical of a road cam; from memory")
    valve_lift_reference_mm: float = num("lift at which the valve angles are stated", "mm", 0, 2, "Cam cards use 0 to 1.3 mm.",
                                         default=1.0, basis=PRACTICE)
    idle_rpm: float = num("idle", "rpm", 400, 2000, "Car engines lie within.", default=900.0, basis=PRACTICE)
    limit_rpm: float = num("rev limit", "rpm", 3000, 12000, "Car engines lie within.", where="setting in the engine controller")
    peak_power_rpm: float = num("speed of peak power without nitrous", "rpm", 2000, 11000, "Car engines lie within.",
                                where="dynamometer sheet; the shot's horsepower is counted there")
    peak_power_hp: float | None = num("peak power without nitrous, at the crank", "hp", 20, 1500, "Car engines lie within.", default=None,
                                      where="dynamometer sheet; say crank or wheels")
    manifold_volume_l: float | None = num("manifold volume behind the throttle", "L", 0.2, 30, "Plenum and runners.",
                                          default=None, basis=f"1.5 times the displacement; {PRACTICE}")
    full_throttle_manifold_kpa: float | None = num(
        "manifold pressure at full throttle", "kPa absolute", 50, 112, "Without boost it cannot exceed the barometer by much.",
        where="log of a full-throttle pull", default=None, basis=f"98 % of the barometer; {PRACTICE}")
    exhaust_volume_to_sensor_l: float | None = num("exhaust volume up to the lambda sensor", "L", 0.1, 20, "Headers and pipe.",
                                                   default=None, basis=f"equal to the displacement; {PRACTICE}")
    plug_gap_mm: float = num("plug gap", "mm", 0.3, 2, "Gaps of car engines.", where="feeler gauge", default=0.9, basis=PRACTICE)
    residual_percent: float = num("burned gas left in the cylinder", "% by mass", 0, 20, "At full throttle.", default=5.0,
                                  basis="usual at full throttle; from memory")
    lambda_without_nitrous: float = num("lambda target without nitrous", "", 0.7, 1.05, "Full-throttle targets.",
                                        where="engine controller's full-throttle target")
    lambda_with_nitrous: float = num("lambda target with nitrous", "", 0.7, 1.0, "A target leaner than 1 burns parts.",
                                     default=0.864, basis=f"12.7 on a 14.7 scale; {PRACTICE}")
    timing_is: Literal["best torque", "held back by knock", "unknown"] = word(
        "known-good timing is", "It decides how much knock margin the engine has.", default="unknown")
    full_throttle: FullThrottle


class FuelSection(Section):
    """What is in the tank."""

    name: str | None = word("fuel", "Only fuels of known composition can be computed.", default=None)
    blend_percent_by_volume: dict[str, float] | None = word(
        "blend", "Parts must be known fuels and sum to 100 %.", default=None, where="ethanol share from a test, not the pump label")
    octane_ron: float | None = num("octane", "RON", 60, 130, "Motor fuels.", default=None, where="pump label (RON)")
    octane_aki: float | None = num("octane", "AKI, (R+M)/2", 60, 125, "Motor fuels.", default=None,
                                   where="pump label, (R+M)/2")
    density_kg_m3: float | None = num("measured density", "kg/m3", 600, 900, "Liquid motor fuels.", default=None)


class FuelSystem(Section):
    """Injectors and pump."""

    injectors: int = num("injectors", "", 1, 32, "Car engines lie within.")
    injector_flow_cc_min: float = num("injector flow", "cm3/min", 50, 5000, "Port injectors lie within.", where="flow-bench sheet")
    injector_flow_pressure_kpa: float = num("pressure across the injector at that flow", "kPa differential", 100, 1000,
                                            "Port injectors lie within.", where="flow-bench sheet, commonly 300 kPa")
    injector_test_density_kg_m3: float = num("density of the test fluid", "kg/m3", 600, 900, "Liquids for flow benches.",
                                             default=684.0, basis="n-heptane, the usual test fluid; from memory")
    rail_pressure_kpa: float = num("fuel rail pressure", "kPa gauge", 100, 1000, "Port injection works within.",
                                   where="gauge on the rail, flowing")
    rail_reference: Literal["manifold", "atmosphere"] = word(
        "rail pressure is held against", "At full throttle the two nearly agree; with restriction they do not.",
        default="manifold", basis=PRACTICE)
    injector_dead_time_ms: float = num("injector dead time", "ms", 0, 4, "At battery voltage while running.", default=1.0,
                                       basis=PRACTICE)
    pump_flow_l_h: float | None = num("pump flow", "L/h", 20, 2000, "At the pressure below and at running voltage.", default=None)
    pump_flow_pressure_kpa: float | None = num("pressure at that pump flow", "kPa gauge", 100, 1000, "Port injection works within.",
                                               default=None)
    jets_mm: _Row | None = numbers("jet and nozzle bores in the shop", "mm", 0.2, 5, "Bores drilled for fuel or nitrous.", least=1, default=None)


class Nitrous(Section):
    """The nitrous system."""

    system: Literal["dry", "wet"] = word("system", "Dry: added fuel through the injectors. Wet: through a jet.")
    shot_hp: float = num("shot", "hp at the crank", 5, 500, "Gain wanted at the speed of peak power.")
    delivery: Literal["port", "plenum"] = word("nitrous enters at", "In a plenum pulses mix, at a port they do not.")
    progressive: bool = word("progressive (pulsed valve)", "It decides whether the dose can be ramped.")
    nozzles: int = num("nozzles", "", 1, 32, "One or several in parallel.", default=1, basis="a single nozzle")
    nozzle_diameter_mm: float | None = num("nozzle bore, each", "mm", 0.2, 5, "Bores drilled for liquid nitrous.",
                                           default=None, where="drill gauge")
    discharge_coefficient: float | None = num("discharge coefficient, line and valve included", "", 0.1, 2.5,
                                              "A weigh-in relative to choked flow in equilibrium (HEM) finds 0.4 to 2.", default=None,
                                              where="weigh-in on the bottle page")
    discharge_error: float | None = num("error of that coefficient, plus or minus", "", 0.001, 1, "From scale, watch and thermometer.",
                                        default=None, where="weigh-in on the bottle page")
    discharge_temperature_c: float | None = num("bottle temperature at the weigh-in", "°C", -20, 36, "Liquid and vapour in the bottle.",
                                                default=None, where="weigh-in on the bottle page")
    discharge_bore_mm: float | None = num("nozzle bore, each, at the weigh-in", "mm", 0.2, 5, "Another nozzle has to be weighed again.",
                                          default=None, where="weigh-in on the bottle page")
    fuel_jet_diameter_mm: float | None = num("fuel jet bore, each (wet)", "mm", 0.2, 5, "Bores drilled for fuel.", default=None,
                                             where="drill gauge")
    fuel_jet_pressure_kpa: float | None = num("fuel pressure at the jet, flowing", "kPa gauge", 20, 1000, "Carburettor to port-injection pressure.",
                                              where="gauge at the fuel valve while fuel flows", default=None, basis="that of the rail")
    fuel_jet_coefficient: float | None = num("discharge coefficient of the fuel jet", "", 0.3, 1, "Small metering orifices.", default=None,
                                             where="measured: fuel caught over a time at that pressure")
    bottle_rated_fill_kg: float = num("rated fill of the bottle", "kg nitrous", 0.3, 40, "Car bottles.",
                                      where="stamped on the bottle")
    bottle_fill_kg: float | None = num("nitrous in the bottle now", "kg", 0, 60, "Weighed less the empty weight.",
                                       default=None, basis="filled to its rated weight")
    bottle_temperature_c: float = num("bottle temperature", "°C", -20, 36, "From 36.4 °C (97.5 °F) no liquid is left; see the bottle page.",
                                      default=27.0, basis=f"bottle near 60 bar (870 psi); {PRACTICE}")
    bottle_empty_kg: float | None = num("empty weight of the bottle with its valve", "kg", 0.5, 60, "Car bottles.", default=None,
                                        where="stamped on the bottle (tare)", basis=f"1.5 times its rated fill; {PRACTICE}")
    bottle_metal: Literal["aluminium", "steel"] = word("bottle made of", "The metal stores heat.", default="aluminium", basis=PRACTICE)
    window_low_kpa: float = num("working window of the bottle, from", "kPa gauge", 2000, 7000, "Liquid nitrous of car bottles.", default=6205.0,
                                basis=f"900 psi; {PRACTICE}")
    window_high_kpa: float = num("working window of the bottle, to", "kPa gauge", 2500, 7100, "It must end below the critical pressure.",
                                 default=6895.0, basis=f"1000 psi; {PRACTICE}")
    heater_w: float = num("bottle heater", "W", 0, 3000, "Electric jackets; never a flame.", default=0.0, basis="no heater stated")
    pass_s: float = num("nitrous time of a pass", "s", 0.5, 120, "A pull or a lap's full-throttle time.", default=10.0, basis=PRACTICE)
    price_per_kg: float | None = num("price of nitrous, per kg", "in the currency of the car", 0.01, 100000, "A refill has its price in any currency.",
                                     where="the filler's bill over the weight filled", default=None)
    purge: bool = word("purge before a pass", "It fills the line with liquid.", default=False, basis="no purge stated")
    pick_up: Literal["rear", "front"] = word("pick-up end of the bottle, in the car, points to", "Liquid goes to the rear under acceleration.",
                                             default="rear", basis=PRACTICE)
    line_loss_kpa: float | None = num("pressure lost between bottle and nozzle at full flow", "kPa differential", 0, 3000,
                                      "More than half the bottle's pressure is a blocked line.", default=None,
                                      where="two gauges; else computed from the line's length and bore")
    valve_to_nozzle_ml: float | None = num("volume between valve and nozzle", "mL", 0.1, 200, "Line, block and nozzle body.", default=None,
                                           basis=f"0.4 m of the line's bore; {PRACTICE}")
    pulse_hz: float = num("pulse frequency of a progressive valve", "Hz", 2, 50, "Valves follow no faster.", default=10.0, basis=PRACTICE)
    nitrous_valve_lag_ms: float = num("nitrous valve: opening less closing time", "ms", -20, 20, "Each is 5 to 15 ms.", default=5.0,
                                      basis="valves take 5 to 15 ms either way, the nitrous valve longer to open, against its pressure; from memory")
    fuel_valve_lag_ms: float = num("fuel valve: opening less closing time", "ms", -20, 20, "Each is 5 to 15 ms.", default=0.0,
                                   basis="valves take 5 to 15 ms either way; from memory")
    nitrous_valve_close_ms: float = num("nitrous valve: closing time", "ms", 1, 50, "Solenoid valves for liquid nitrous.", default=10.0,
                                        basis="valves take 5 to 15 ms either way; from memory")
    valve_opens_against_kpa: float | None = num("highest pressure against which the nitrous valve opens", "kPa gauge", 3000, 30000,
                                                "Beyond it the coil cannot lift the seat.", default=None, where="data of the valve")
    fuel_lead_ms: float = num("fuel before nitrous", "ms", 0, 1000, "Longer, the engine drowns before the nitrous comes.", default=100.0,
                              basis=PRACTICE)
    fuel_valve_to_jet_ml: float = num("volume between fuel valve and jet (wet)", "mL", 0, 50, "Line and jet body.", default=2.0,
                                      basis="0.4 m of 2.5 mm bore; from memory")
    line_length_m: float = num("line, bottle to valve", "m", 0.2, 12, "Within a car.", default=4.0, basis="trunk to engine bay")
    line_bore_mm: float = num("line bore", "mm", 2, 15, "Hoses for nitrous.", default=4.0, basis=PRACTICE)
    spray_rpm_min: float = num("spray window from", "rpm", 1000, 11000, "Below, the dose per cycle grows out of hand.",
                               default=2500.0, basis=PRACTICE)
    spray_rpm_max: float = num("spray window to", "rpm", 1500, 12000, "It must end below the rev limit.", default=6000.0,
                               basis=PRACTICE)
    cylinder_spread_percent: float = num("nitrous in the worst cylinder above the mean", "%", 0, 50, "Ports, plenum and pulses share it unevenly.",
                                         default=10.0, basis="a cautious start of our own, no source",
                                         where="plugs read per cylinder, exhaust temperatures per cylinder")
    throttle_min_percent: float = num("throttle needed", "%", 50, 100, "Part throttle has too little air.", default=90.0,
                                      basis=PRACTICE)


class Controller(Section):
    """How the engine controller meters air and reads lambda."""

    metering: Literal["speed-density", "mass-air"] = word(
        "air metering", "It decides how much fuel the controller already adds or leaves out by itself.")
    intake_sensor: Literal["before nitrous", "in cooled stream"] = word(
        "intake temperature sensor sits", "In the cooled stream it makes a speed-density controller add fuel by itself.")
    gauge_scale: float = num("gauge scale: AFR shown at lambda 1", "AFR", 6, 16, "Scales of wide-band gauges.", default=14.7,
                             basis=PRACTICE)
    sensor_delay_ms: float = num("time constant of the lambda sensor", "ms", 10, 1000, "Wide-band sensors.", default=75.0,
                                 basis="50 to 100 ms published for wide-band sensors in exhaust")
    filter_ms: float = num("time constant of the controller's own lambda filter", "ms", 0, 1000, "Slower, a stop comes too late.", default=50.0,
                           basis="from memory; look it up or time it")
    timing_follows: bool = word("retard and added fuel stay through the wash-out", "Without them the nitrous left behind burns too early and too "
                                "lean.", default=True, basis="the plan asks for it")
    limiter_cuts: Literal["spark", "fuel", "both", "unknown"] = word(
        "the rev limiter cuts", "On nitrous a cut of fuel alone leaves oxygen and a spark; a cut of spark alone leaves fuel and oxygen in the "
        "exhaust.", default="unknown")
    shift_cuts: Literal["spark", "fuel", "both", "nothing", "unknown"] = word(
        "a shift cuts", "As with the limiter.", default="unknown")
    traction_cuts: Literal["spark", "fuel", "both", "nothing", "unknown"] = word(
        "traction control cuts", "As with the limiter.", default="unknown")


class Limits(Section):
    """What the owner accepts."""

    peak_pressure_rise_percent: float = num("peak cylinder pressure above the engine's own", "%", 0, 60,
                                            "Beyond, this is another engine.", default=15.0,
                                            basis="a cautious start of our own, no source")
    peak_pressure_bar: float | None = num("peak cylinder pressure, if an absolute limit is known", "bar absolute", 30, 200,
                                          "Spark-ignition engines.", default=None)
    exhaust_rise_k: float = num("burned gas at exhaust opening above the engine's own", "K", 50, 1000,
                                "Beyond, retard only moves the heat to valves and exhaust.", default=600.0,
                                basis="a start of our own, for passes of seconds; no source")
    retard_below_rule: bool = word("first hit may use less retard than the trade's rule", "Too little retard breaks parts, too much costs a "
                                   "little power.", default=False, basis="a first hit takes no less than the rule")
    injector_duty_percent: float = num("injector duty", "%", 40, 100, "Above 100 % the injector never closes.", default=85.0,
                                       basis=PRACTICE)
    pump_percent: float = num("share of the pump's flow to use", "%", 30, 100, "Beyond 100 % it does not hold the pressure.", default=85.0,
                              basis=PRACTICE)
    power_hp: float | None = num("power with nitrous, at the crank", "hp", 20, 2000, "Car engines lie within.", default=None)
    oxygen_share_percent: float | None = num("oxygen share of the charge", "% by mole", 21, 33.3, "Air has 21 %, nitrous alone 33.3 %.", default=None)
    wheel_torque_nm: float | None = num("torque at the driven wheels together", "N m", 100, 20000, "Tyres and shafts of cars.", default=None,
                                        where="what tyres or shafts hold; needs the gear ratios")
    lean_stop_lambda: float = num("lean stop", "lambda", 0.8, 1.1, "Leaner than 1.1 is no stop any more.", default=0.932,
                                  basis=f"13.7 on a 14.7 scale; {PRACTICE}")
    rich_stop_lambda: float = num("rich stop", "lambda", 0.55, 0.85, "It must lie between misfire and the target.", default=0.74,
                                  basis="a start of our own between misfire and target, no source")
    misfire_rich_lambda: float = num("richest mixture that still fires in every cycle", "lambda", 0.5, 0.8, "Rich limits of gasoline engines.",
                                     default=0.7, basis="from memory; an engine shows its own")


class Parts(Section):
    """What carries the load. Unknown stays unknown: it means a smaller first step."""

    piston: Literal["cast", "hypereutectic", "forged"] | None = word("piston", "Its material decides what heat and knock do.",
                                                                     default=None)
    ring_end_gap_mm: float | None = num("top ring end gap", "mm", 0.05, 2, "A gap that closes seizes the ring.", default=None)
    rods: Literal["cast", "powder-forged", "forged"] | None = word("rods", "They carry the peak pressure.", default=None)
    head_gasket: Literal["composite", "multi-layer steel", "copper"] | None = word("head gasket", "It seals the peak pressure.",
                                                                                default=None)
    head_fasteners: Literal["bolts", "studs"] | None = word("head fasteners", "They hold the peak pressure.", default=None)
    leak_down_percent: float | None = num("worst cylinder leak-down", "%", 0, 100, "Share of test air lost.", default=None)
    clutch_torque_nm: float | None = num("clutch or converter holds", "N m", 50, 3000, "Car drivelines.", default=None)


class Ramp(Section):
    """How the nitrous comes in. Shares are of the full flow, averaged over the pulses."""

    kind: Literal["full hit", "over rpm", "over time", "stages"] | None = word(
        "nitrous comes in", "It decides how much flows where.", default=None)
    rpm: _Row | None = numbers("engine speeds of the ramp, or from which stages open", "rpm", 500, 12000, "Car engines turn between.", least=1,
                               default=None)
    time_s: _Row | None = numbers("times of the ramp since the first nitrous", "s", 0, 60, "A pass is over by then.", least=1, default=None)
    share_percent: _Row | None = numbers("share of the full flow", "%", 0, 100, "The valve passes no more than when open.", least=1, default=None)
    margin_percent: float = num("margin kept below every limit by a proposed ramp", "%", 0, 60, "More leaves nothing.", default=10.0,
                                basis="a choice of our own, no source")
    steepest_percent: float = num("steepest rise of a proposed ramp", "% of the full flow per 1000 rpm", 2, 400, "Steeper is a step.", default=40.0,
                                  basis="a choice of our own, no source")


class Driveline(Section):
    """Gears, and how fast the engine gains speed in them at full throttle."""

    gear_ratios: _Row | None = numbers("gear ratios, first gear first", ": 1", 0.3, 8, "Car gearboxes lie within.", least=1, default=None)
    final_ratio: float | None = num("final drive ratio", ": 1", 1, 8, "Car axles lie within.", default=None)
    gear_min: int = num("lowest gear with nitrous", "", 1, 10, "Car gearboxes lie within.", default=2, basis=PRACTICE)
    efficiency_percent: float = num("torque that reaches the wheels", "%", 60, 100, "Gears and joints take the rest.", default=88.0, basis="from memory")
    rise_rpm_s: _Row | None = numbers("rise of engine speed at full throttle with nitrous, gear by gear", "rpm/s", 20, 8000,
                                      "Between an engine that hauls a truck and one without load.", least=1,
                                      default=None, basis="1500 rpm/s, a middle gear; from memory")
    free_rise_rpm_s: float = num("rise of engine speed when the wheels lose grip or a shift is missed", "rpm/s", 500, 30000,
                                 "An engine without load.", default=6000.0, basis="from memory")


class Tables(Section):
    """Breakpoints of the tuner's own tables."""

    rpm: _Row | None = numbers("engine speeds of the tables", "rpm", 500, 12000, "Car engines turn between.", least=1, default=None)
    duty_percent: _Row | None = numbers("valve duty of the tables", "%", 0, 100, "A share of the time.", least=1, default=None)

# fmt: on

SECTIONS: dict[str, type[Section]] = {
    "car": Car,
    "site": Site,
    "engine": Engine,
    "fuel": FuelSection,
    "fuel_system": FuelSystem,
    "nitrous": Nitrous,
    "controller": Controller,
    "limits": Limits,
    "parts": Parts,
    "ramp": Ramp,
    "driveline": Driveline,
    "tables": Tables,
}


def describe(path: str) -> dict[str, Any]:
    """Return label, unit, low, high, why, where, basis of a dotted key such as ``engine.bore_mm``; {} if there is none."""
    section, *rest = path.split(".")
    model: Any = SECTIONS.get(section)
    if model is None or not rest:
        return {}
    if rest[0] == "full_throttle" and len(rest) > 1:
        model, rest = FullThrottle, rest[1:]
    info = model.model_fields.get(rest[0]) if len(rest) == 1 else None
    return dict(info.json_schema_extra or {}) if info else {}
