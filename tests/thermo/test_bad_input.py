"""Every public function of thermo refuses what it cannot compute with, in words its caller can use."""

import pickle
from math import inf, nan

import numpy as np
import pytest

from kernel_lib.errors import InputError
from kernel_lib.thermo import equilibrium, fuels, nitrous
from kernel_lib.thermo.equilibrium import equilibrate, flame_map
from kernel_lib.thermo.mixture import Mixture, water_gas_products

OCTANE = fuels.get("iso-octane")
MIX = Mixture(OCTANE, 0.9, 0.1)
LAMBDAS, TEMPERATURES = np.linspace(0.8, 1.1, 4), np.linspace(280.0, 320.0, 3)


def mixture(lambda_=0.9, nitrous_fraction=0.1, fuel=OCTANE, **more):
    return Mixture(fuel, lambda_, nitrous_fraction, **more)


def a_map(lambda_=LAMBDAS, T=TEMPERATURES, P=1e5, hold="HP", fuel=OCTANE, **more):
    return flame_map(fuel, lambda_, T, P, hold, **more)


def products(**change):
    return water_gas_products(**({"C": 8.0, "H": 18.0, "O": 23.0, "N": 80.0, "Ar": 0.5} | change))


CASES = [
    # field named, unit named, the call
    *(("lambda", "", lambda v=v: mixture(v)) for v in (0.0, -1.0, nan, inf, "rich", None, True, [0.9], 1e9)),
    *(("nitrous_fraction", "", lambda v=v: mixture(0.9, v)) for v in (1.2, -0.1, nan, inf, "some", None)),
    *(("water_fraction", "", lambda v=v: mixture(water_fraction=v)) for v in (1.2, 1.0, -0.1, nan, inf, "wet")),
    *(("residual_fraction", "", lambda v=v: mixture(residual_fraction=v)) for v in (1.2, 1.0, -0.1, nan, "hot")),
    *(("fuel", "", lambda v=v: mixture(fuel=v)) for v in (None, 42, {"C8H18": 1.0})),
    *(("T", "K", lambda v=v: equilibrate(MIX, v, 1e5, "HP")) for v in (20.0, 0.0, -300.0, 1e6, nan, inf, "hot", None)),
    *(("P", "Pa", lambda v=v: equilibrate(MIX, 300.0, v, "HP")) for v in (-1.0, 0.0, nan, inf, 1e15, "high", None)),
    *(("hold", "", lambda v=v: equilibrate(MIX, 300.0, 1e5, v)) for v in ("XX", "hp", "", None, 1)),
    *(("mix", "", lambda v=v: equilibrate(v, 300.0, 1e5, "HP")) for v in (None, "air", OCTANE)),
    *(
        ("fuel_phase", "", lambda v=v: equilibrate(MIX, 300.0, 1e5, "HP", fuel_phase=v, fuel_T=298.15))
        for v in ("solid", "", None, 3)
    ),
    *(
        ("fuel_T", "K", lambda v=v: equilibrate(MIX, 300.0, 1e5, "HP", fuel_phase="liquid", fuel_T=v))
        for v in (-5.0, nan, inf, 2000.0, "cold")
    ),
    *(("T", "K", lambda v=v: equilibrium.unburned(MIX, v, 1e5)) for v in (20.0, nan, inf, "hot")),
    *(("P", "Pa", lambda v=v: equilibrium.unburned(MIX, 300.0, v)) for v in (-1.0, 0.0, nan, "high")),
    *(("mix", "", lambda v=v: equilibrium.unburned(v, 300.0, 1e5)) for v in (None, "air")),
    *(
        ("fuel_T", "K", lambda v=v: equilibrium.unburned(MIX, 300.0, 1e5, fuel_phase="liquid", fuel_T=v))
        for v in (-5.0, nan, "cold")
    ),
    *(
        ("lambda", "", lambda v=v: a_map(v))
        for v in ([1.1, 0.9], [0.9, 0.9], [], [0.0, 1.0], [0.9, nan], "rich", [[0.8, 0.9]], None, [-1.0, 1.0])
    ),
    *(
        ("T", "K", lambda v=v: a_map(T=v))
        for v in ([320.0, 280.0], [300.0, 300.0], [], [20.0, 300.0], [280.0, inf], "hot", [[280.0, 300.0]], None)
    ),
    *(("P", "Pa", lambda v=v: a_map(P=v)) for v in (-1.0, 0.0, nan, inf, "high")),
    *(("hold", "", lambda v=v: a_map(hold=v)) for v in ("XX", None)),
    *(("fuel", "", lambda v=v: a_map(fuel=v)) for v in (None, 42)),
    *(("nitrous_fraction", "", lambda v=v: a_map(nitrous_fraction=v)) for v in (1.2, -0.1, nan, "some")),
    *(("water_fraction", "", lambda v=v: a_map(water_fraction=v)) for v in (1.0, -0.1, nan)),
    *(("residual_fraction", "", lambda v=v: a_map(residual_fraction=v)) for v in (1.0, -0.1, nan)),
    *((None, "", lambda v=v: fuels.get(v)) for v in ("diesel", "", None, 7, "ISO OCTANE !")),
    *(("by", "", lambda v=v: fuels.blend({"ethanol": 1.0}, by=v, name="x")) for v in ("weight", None, 3)),
    *(
        (None, "", lambda v=v: fuels.blend(v, by="mass", name="x"))
        for v in (
            {},
            {"ethanol": 0.5, "toluene": 0.4},
            {"ethanol": 1.2, "toluene": -0.2},
            {"ethanol": nan, "toluene": 0.5},
            {"ethanol": inf},
            {"ethanol": "all"},
            {"kerosene": 1.0},
            {"ethanol": 0.0},
            None,
            "ethanol",
        )
    ),
    *(
        ("density", "kg/m3", lambda v=v: fuels.blend({"ethanol": 1.0}, by="mass", name="x", density=v))
        for v in (-1.0, 0.0, nan, inf, "thick")
    ),
    *(
        ("ron", None, lambda v=v: fuels.blend({"ethanol": 1.0}, by="mass", name="x", ron=v))
        for v in (nan, inf, "super")
    ),
    *(
        ("mon", None, lambda v=v: fuels.blend({"ethanol": 1.0}, by="mass", name="x", mon=v))
        for v in (nan, -inf, "plus")
    ),
    *(
        ("T", "K", lambda v=v: nitrous.saturation(v))
        for v in (nan, inf, -inf, -20.0, 0.0, 182.0, 309.52, 400.0, "cold", None, True)
    ),
    *(
        (k, None, lambda k=k, v=v: products(**{k: v}))
        for k in ("C", "H", "O", "N", "Ar")
        for v in (-1.0, nan, inf, "many")
    ),
    *(("K", "", lambda v=v: products(K=v)) for v in (0.0, -3.5, nan, inf, "K")),
    ("O", None, lambda: products(O=4.0)),  # too little oxygen for even CO: there is no such gas
]


@pytest.mark.parametrize(
    ("field", "unit", "call"),
    [pytest.param(*case, id=f"{i}-{case[0]}") for i, case in enumerate(CASES)],
)
def test_refused_in_words(field, unit, call):
    with pytest.raises(InputError) as caught:
        call()
    error = caught.value
    assert isinstance(error, ValueError)
    for part in (error.field, error.allowed, error.reason):
        assert isinstance(part, str)
        assert part.strip()
    assert isinstance(error.unit, str)
    if field is not None:
        assert error.field.removesuffix("_") == field
    if unit is not None:
        assert error.unit == unit
    said = str(error)
    for part in (error.field, error.unit, error.allowed, error.reason):
        assert part in said
    assert 20 < len(said) < 600
    for machine_word in ("Traceback", "CanteraError", "CoolProp", "***", "0x"):
        assert machine_word not in said


def test_unknown_fuel_names_the_known_ones():
    with pytest.raises(InputError) as caught:
        fuels.get("diesel")
    assert "iso-octane" in str(caught.value)
    assert caught.value.value == "diesel"


def test_error_survives_a_worker_process():
    with pytest.raises(InputError) as caught:
        equilibrate(MIX, 20.0, 1e5, "HP")
    again = pickle.loads(pickle.dumps(caught.value))
    assert (again.field, again.value, again.unit, str(again)) == ("T", 20.0, "K", str(caught.value))
