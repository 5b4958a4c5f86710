"""The first instant of a hit: volumes by hand, and lambda from the atoms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernel_lib import BuildSheet, InputError
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.plan import fuel as pf
from kernel_lib.plan.transient import first_instant
from kernel_lib.thermo.fluid import saturation
from kernel_lib.thermo.nitrous import vapour_flow

WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")
RPM = np.array([2500.0, 4000.0, 6000.0])


def by_hand(sheet, rpm, planned, actual):
    """Lambda where the fuel of one flow meets another: oxygen atoms over what the fuel of the plan asks for."""
    setup, engine = Setup.of(sheet), sheet.engine
    meant, there = fresh_charge(setup, rpm, planned), fresh_charge(setup, rpm, actual)

    def atoms(charge):
        return 2 * 0.2095 * charge.dry_air + charge.nitrous

    fuel = atoms(meant) / engine.lambda_with_nitrous
    if sheet.controller.metering == "mass-air":
        fuel = fuel + 2 * 0.2095 * (there.dry_air - meant.dry_air) / engine.lambda_without_nitrous
    elif sheet.controller.intake_sensor == "in cooled stream":
        plain = 2 * 0.2095 * (1 - setup.air_water) * setup.air_moles(rpm) * setup.T_air
        fuel = fuel + plain * (1 / there.T - 1 / meant.T) / engine.lambda_without_nitrous
    return atoms(there) / fuel


COOLED = WREN.replace({"controller.intake_sensor": "in cooled stream"})
CARS = {"wren": (WREN, 0.0305), "cooled": (COOLED, 0.0305), "badger": (BADGER, 0.055)}


@pytest.fixture(scope="module", params=CARS)
def case(request):
    sheet, flow = CARS[request.param]
    rpm = np.maximum(RPM, sheet.nitrous.spray_rpm_min)
    return sheet, flow, first_instant(sheet, flow, rpm)


def test_fill_time_by_hand(case):
    """Volume behind the valve, full of liquid, over the flow."""
    sheet, flow, found = case
    millilitres = 400 * np.pi / 4 * (sheet.nitrous.line_bore_mm / 10) ** 2 / 10
    density = saturation(273.15 + sheet.nitrous.bottle_temperature_c).liquid_density
    assert found.fill_s == pytest.approx(density * millilitres * 1e-6 / flow, rel=1e-6)
    stated = first_instant(sheet.replace({"nitrous.valve_to_nozzle_ml": 2 * millilitres}), flow, found.rpm)
    assert stated.fill_s == pytest.approx(2 * found.fill_s, rel=1e-6)


def test_vapour_by_hand(case):
    """Saturated vapour in the line before the valve, through the nozzle at 0.8 (from memory)."""
    sheet, _, found = case
    nitrous = sheet.nitrous
    T = 273.15 + nitrous.bottle_temperature_c
    area = np.pi / 4 * (nitrous.nozzle_diameter_mm / 1e3) ** 2
    assert found.vapour_flow == pytest.approx(vapour_flow(area, 0.8, T, Setup.of(sheet).P_manifold), rel=1e-9)
    held = saturation(T).vapour_density * nitrous.line_length_m * np.pi / 4 * (nitrous.line_bore_mm / 1e3) ** 2
    assert found.vapour_s == pytest.approx(held / found.vapour_flow, rel=1e-9)


def test_vapour_flow_is_that_of_a_choked_gas():
    """Ideal gas of cp/cv 1.3 (from memory) at the bottle's pressure: 0.667 P/sqrt(RT); real vapour is twice as dense: 1 to 1.8."""
    found = first_instant(WREN, 0.0305, RPM)
    P = saturation(303.65).P
    choked = 0.8 * np.pi / 4 * 1.3e-3**2 * 0.667 * P / np.sqrt(8.314462618 / 44.0128e-3 * 303.65)
    assert choked < found.vapour_flow < 1.8 * choked


@pytest.mark.parametrize(("field", "factor", "power"), [("line_length_m", 2.0, 1), ("line_bore_mm", 1.5, 2)])
def test_more_line_more_vapour(field, factor, power):
    before = first_instant(WREN, 0.0305, RPM)
    larger = WREN.replace({f"nitrous.{field}": factor * getattr(WREN.nitrous, field)})
    after = first_instant(larger, 0.0305, RPM)
    assert after.vapour_s == pytest.approx(factor**power * before.vapour_s, rel=1e-9)
    assert after.vapour_flow == before.vapour_flow


def test_lambda_from_the_atoms(case):
    sheet, flow, found = case
    assert found.lambda_none == pytest.approx(by_hand(sheet, found.rpm, flow, 0.0), rel=1e-6)
    assert found.lambda_vapour == pytest.approx(by_hand(sheet, found.rpm, flow, found.vapour_flow), rel=1e-6)


def test_the_hit_begins_rich(case):
    """Fuel of the full shot and no nitrous: far on the rich side; vapour takes it part of the way back."""
    sheet, _, found = case
    target = sheet.engine.lambda_with_nitrous
    assert (found.lambda_none < found.lambda_vapour).all()
    assert (found.lambda_vapour < target).all()
    assert (found.lambda_none < 0.9 * target).all()
    assert (np.diff(found.lambda_none) > 0).all()


@pytest.mark.parametrize("sheet", [WREN, COOLED, BADGER], ids=["wren", "cooled", "badger"])
def test_lambda_at_the_planned_flow_is_the_target(sheet):
    setup, rpm = Setup.of(sheet), np.array([3000.0, 5000.0])
    for flow in (0.0, 0.01, 0.04):
        lambda_ = pf.lambda_at_flow(sheet, setup, rpm, flow, flow)
        assert lambda_ == pytest.approx(sheet.engine.lambda_with_nitrous, rel=1e-9)


@given(planned=st.floats(0.005, 0.05), share=st.floats(0.0, 1.4), rpm=st.floats(3000.0, 6400.0))
@settings(deadline=None, max_examples=40)
def test_lambda_rises_with_the_flow_that_arrives(planned, share, rpm):
    for sheet in (WREN, BADGER):
        setup = Setup.of(sheet)
        less, more = (float(pf.lambda_at_flow(sheet, setup, rpm, planned, planned * s)) for s in (share, share + 0.1))
        assert less < more
        assert (more < sheet.engine.lambda_with_nitrous) == (share + 0.1 < 1) or share + 0.1 == pytest.approx(1)


def test_vapour_cannot_pass_more_than_the_liquid():
    """A flow below the vapour's: the vapour is then all of it, and the mixture on target."""
    found = first_instant(WREN, 0.005, RPM)
    assert found.vapour_flow == 0.005
    assert found.lambda_vapour == pytest.approx(WREN.engine.lambda_with_nitrous, rel=1e-9)


def test_one_speed_is_enough():
    found = first_instant(WREN, 0.03, 4000.0)
    assert found.rpm.shape == found.lambda_none.shape == found.lambda_vapour.shape == (1,)


@pytest.mark.parametrize("flow", [-0.01, 1.1, float("nan"), float("inf")])
def test_no_such_flow(flow):
    with pytest.raises(InputError) as caught:
        first_instant(WREN, flow, RPM)
    assert caught.value.field in ("flow", "nitrous_flow")


@pytest.mark.parametrize("flow", [0.0, "much", None])
def test_no_flow_no_first_instant(flow):
    with pytest.raises(InputError):
        first_instant(WREN, flow, RPM)


@pytest.mark.parametrize("rpm", [300.0, 9000.0, float("nan"), [3000.0, 6401.0]])
def test_no_such_speed(rpm):
    with pytest.raises(InputError) as caught:
        first_instant(WREN, 0.03, rpm)
    assert caught.value.field == "rpm"


def test_no_bore_no_vapour_flow():
    sheet = WREN.replace({f"nitrous.discharge_{n}": None for n in ("coefficient", "error", "temperature_c", "bore_mm")})
    with pytest.raises(InputError) as caught:
        first_instant(sheet.replace({"nitrous.nozzle_diameter_mm": None}), 0.03, RPM)
    assert caught.value.field == "nitrous.nozzle_diameter_mm"
