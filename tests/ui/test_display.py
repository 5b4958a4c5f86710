"""Refusals in the reader's units: value and limits converted, everything else as it was."""

import pytest

from kernel_lib import BuildSheet, InputError
from workbooks.ui.display import refusal

WREN = BuildSheet.demo("wren_five")


def of(error, system):
    """What a page says of a refusal."""
    return refusal(InputError(*error), system)


WHY = "Nobody fills 3 of them in 1990."
FILL = ("nitrous.bottle_fill_kg", 20.0, "kg", "0 to 13.5 kg", WHY)
GAUGE = ("bottle gauge", 99.0, "kPa gauge", "2000 to 9000 kPa gauge", WHY)


def test_weight():
    """20 kg are 44.09 lb, 13.5 kg 29.76 lb (0.45359237 kg to the pound); the reason is left alone."""
    said = of(FILL, "us")
    assert "is 44.09 lb" in said
    assert "allowed: 0 to 29.76 lb" in said
    assert said.endswith(WHY)
    assert "kg" not in said.removesuffix(WHY)


def test_gauge():
    """6.894757 kPa to the psi."""
    assert of(GAUGE, "us") == f"bottle gauge is 14.36 psi gauge; allowed: 290.1 to 1305 psi gauge. {WHY}"


def test_absolute_pressure_of_the_kernel():
    """Pascal become psi or kPa, absolute."""
    error = ("P_hold", 2e7, "Pa", "100000 to 1e+07 Pa", WHY)
    assert "is 2901 psi abs; allowed: 14.5 to 1450 psi abs." in of(error, "us")
    assert "is 20000 kPa abs; allowed: 100 to 10000 kPa abs." in of(error, "metric")


@pytest.mark.parametrize("error", [FILL, GAUGE])
def test_metric_stays(error):
    """Numbers, limits and reason as the kernel has them."""
    said, (_, value, unit, allowed, why) = of(error, "metric"), error
    assert f"is {value:g} {unit.split()[0]}" in said
    assert f"allowed: {allowed}. {why}" in said


@pytest.mark.parametrize(
    "error",
    [
        ("passes", 1.5, "", "a whole number", "Half a pass is a shorter pass."),
        ("seconds", 400.0, "s", "0.5 to 120 s", "The bottle is cold."),
        ("coefficient", True, "", "a number", "It must be a number."),
        ("bottle gauge", "abc", "kPa gauge", "a number", "It cannot be read as one."),
    ],
)
def test_what_has_no_other_unit_stays(error):
    """Counts, seconds, words: value, limits and reason as they are."""
    said, (_, value, _, allowed, why) = of(error, "us"), error
    assert str(value) in said.replace("400", "400.0")
    assert said.endswith(f"allowed: {allowed}. {why}")


def test_the_field_is_named_by_its_label():
    """And a limit that is no number of that unit is not touched."""
    with pytest.raises(InputError) as caught:
        WREN.replace({"nitrous.bottle_temperature_c": 90.0})
    said = refusal(caught.value, "us")
    assert "nitrous." not in said
    assert "194 °F" in said
    assert "96.8 °F" in said
    words = ("nitrous.bottle_fill_kg", 2.0, "kg nitrous", "more", "It would all be vapour.")
    assert "allowed: more. It would all be vapour." in of(words, "us")
