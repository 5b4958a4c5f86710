"""The cycle against engines that were measured: what goes in, and by which rules, stands in `cfr_table`.

Aims set by the project before any comparison: peak pressure 6 %, gross mean effective pressure 5 %. What falls outside stays, as a
strict xfail with its reason.

The burn goes in by two rules. "plain": the measured angles are taken as they stand. "alike": the measured angles were derived from the
pressure with a ratio of specific heats of 1.35; so the burn is placed where the same derivation, done on the computed pressure, gives the
measured CA50 and CA90 - CA10. The second rule was added after the first comparison; it takes the same two measured numbers and no
constant, and it is the like for like.
"""

from functools import cache

import pytest
from cfr_table import RULES, compare, gasoline_case, run

from tests.reference import check, rows

POINTS = {int(row["test"]): row for row in rows("measured_cfr_engine")}
FIRED = [test for test, row in POINTS.items() if row["fuel_g_s"] > 0]

SHAPE = "measured burn is steeper than the Wiebe function at its end, so its CA50 comes later in it: peak too low"
KNOCK = "flagged as knocking in the source: end gas that burns at once is not in the model"
HEAT = (
    "work 4 to 6 % too high throughout: heat loss (and blow-by, not modelled); 1.3 to 1.5 times the heat would meet it"
)
OUTSIDE = {
    "peak": {
        "plain": {2: SHAPE, 3: KNOCK, 4: SHAPE, 10: SHAPE, 11: SHAPE, 12: SHAPE, 19: SHAPE},
        "alike": {3: KNOCK},
    },
    "imep": {
        "plain": dict.fromkeys((1, 3, 12, 17), HEAT),
        "alike": dict.fromkeys((1, 3, 12, 17, 18), HEAT),
    },
}


@cache
def point(test, rule):
    return compare(POINTS[test], rule)


def points(what):
    for rule in RULES:
        for test in FIRED:
            reason = OUTSIDE[what][rule].get(test)
            marks = [pytest.mark.xfail(strict=True, reason=reason)] if reason else []
            yield pytest.param(test, rule, marks=marks, id=f"{rule}-{test}")


@pytest.mark.parametrize(("test", "rule"), list(points("peak")))
def test_peak_pressure(test, rule):
    assert abs(point(test, rule)["p_off_percent"]) <= 100 * POINTS[test]["peak_pressure_tol_rel"]


@pytest.mark.parametrize(("test", "rule"), list(points("imep")))
def test_gross_work(test, rule):
    assert abs(point(test, rule)["imep_off_percent"]) <= 100 * POINTS[test]["imep_gross_tol_rel"]


@pytest.mark.parametrize("test", [test for test in FIRED if POINTS[test]["ca50_deg_after_tdc"] > 0])
def test_angle_of_the_peak(test):
    """Within 2 degrees, like for like; not where half is burned before the top and the peak is flat."""
    assert point(test, "alike")["at_deg"] == pytest.approx(POINTS[test]["peak_pressure_deg_after_tdc"], abs=2.0)


def test_motored_peak():
    """Compression alone: mass, volumes and heat loss without any burn."""
    row = POINTS[24]
    out = compare(row)
    assert abs(out["p_off_percent"]) <= 100 * row["peak_pressure_tol_rel"]
    assert out["at_deg"] == pytest.approx(row["peak_pressure_deg_after_tdc"], abs=0.5)


@pytest.mark.xfail(
    strict=True, reason="motored loss -0.11 bar, measured -0.27: heat loss and blow-by, 0.16 bar too little"
)
def test_motored_work():
    row = POINTS[24]
    assert compare(row)["imep_bar"] == pytest.approx(row["imep_gross_bar"], abs=0.05)


@pytest.mark.parametrize("rule", RULES)
def test_loss_over_timing(rule):
    """Spark sweep at one load: what 20 and 30 degrees too early and 10 too late cost, within 3 % of the best."""
    best = point(10, rule)
    for test in (7, 8, 9):
        out = point(test, rule)
        measured = 1 - out["measured_imep_bar"] / best["measured_imep_bar"]
        assert 1 - out["imep_bar"] / best["imep_bar"] == pytest.approx(measured, abs=0.03)


def test_work_over_lambda():
    """Lambda sweep 1.0 to 1.8: the order is the measured one, and the fall from richest to leanest within 3 %."""
    sweep = [point(test, "plain") for test in (12, 11, 10, 14, 15, 17)]
    work, measured = ([p[key] for p in sweep] for key in ("imep_bar", "measured_imep_bar"))
    assert work == sorted(work, reverse=True)
    assert measured == sorted(measured, reverse=True)
    assert work[-1] / work[0] == pytest.approx(measured[-1] / measured[0], abs=0.03)


@pytest.mark.parametrize("row", rows("measured_engines"), ids=lambda r: r["quantity"])
def test_gasoline_cycle(row):
    """Five-cylinder engine at part load. 10 %, set before looking: neither the valve angles nor the air flow are told, and ten degrees of
    closing are 4 % of the mass."""
    out = run(*gasoline_case(row))
    check({"peak_pressure": out["P_max"], "imep_gross": out["imep_gross"]}[row["quantity"]] / 1e5, row)
