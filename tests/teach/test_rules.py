"""The rules of the trade against the model: laws of the verdicts, hand computations, and both cars."""

import math
import re

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError, plan_shot
from kernel_lib.band import HYDROGEN_WEIGHT, SENSOR_ERROR
from kernel_lib.build_fields import PRACTICE, SECTIONS
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.plan import delivery, passage
from kernel_lib.plan import fuel as pf
from kernel_lib.plan.plan import dose_table
from kernel_lib.plan.stopping import wash_out
from kernel_lib.teach import rules_kinds as kinds
from kernel_lib.teach.rules import FACT, HOLDS, MORE, RULES, SHORT, UNJUDGED, VERDICTS, check_rules, worst_of
from kernel_lib.teach.rules_mixture import lambda_by_rule, oxygen_by_mass
from kernel_lib.teach.rules_timing import crossing
from kernel_lib.thermo.mixture import Mixture
from kernel_lib.thermo.wideband import shown_lambda
from kernel_lib.units import kg_from_lb

WREN, BADGER = BuildSheet.demo("wren_five"), BuildSheet.demo("badger_eight")
NO_NOZZLE = {"nitrous.nozzle_diameter_mm": None}
CARS = {
    "wren": WREN,
    "badger": BADGER,
    "no nozzle": WREN.replace(NO_NOZZLE),
    "tiny": WREN.replace(NO_NOZZLE | {"nitrous.shot_hp": 10}),
    "mass-air port": WREN.replace({"controller.metering": "mass-air", "nitrous.delivery": "port"}),
    "big wish": WREN.replace({"nitrous.shot_hp": 150}),
    "too big": WREN.replace(NO_NOZZLE | {"nitrous.shot_hp": 500}),
}


def checks(name, **how):
    return {c.rule.key: c for c in check_rules(CARS[name], **how)}


@pytest.fixture(params=CARS)
def car(request):
    return request.param


# --- the registry


def test_a_rules_number_is_the_one_the_kernel_uses():
    """No second copy: the plan's constants and what a build sheet assumes by common practice."""
    usual = {k: SECTIONS[k].model_fields for k in ("nitrous", "engine", "controller")}
    assert RULES["fuel"].numbers["lb_h_per_100_hp"] is pf.RULE_LB_H_PER_100_HP
    assert (RULES["gauge"].numbers["lambda_rich"], RULES["gauge"].numbers["lambda_lean"]) == pf.WINDOW_LAMBDA
    assert RULES["lead"].numbers["lead_ms"] == usual["nitrous"]["fuel_lead_ms"].default == 100
    assert RULES["pulse"].numbers["pulse_hz"] == usual["nitrous"]["pulse_hz"].default == 10
    assert RULES["gauge"].numbers["lambda_aim"] == usual["engine"]["lambda_with_nitrous"].default
    assert (RULES["from"].numbers["rpm_from"], RULES["to"].numbers["rpm_to"]) == (2500, 6000)


def test_every_rule_says_what_and_where_from():
    assert len(RULES) >= 15
    for key, rule in RULES.items():
        assert rule.key == key
        assert rule.numbers
        assert rule.origin.endswith(".")
        assert rule.basis == (FACT if key == "oxygen" else PRACTICE)
        assert not re.search(r"[Ww]ren|[Bb]adger|!", rule.text + rule.origin)


def test_the_trades_numbers_stand_in_the_words():
    for key, number in (("fuel", "30 lb/h"), ("retard", "2 degrees"), ("gauge", "12.5 to 13.0"), ("lean", "13.7"), ("bottle", "900 to 1000 psi")):  # fmt: skip
        assert number in RULES[key].text


# --- verdicts


def test_more_of_a_rule_is_never_less_safe():
    order = {SHORT: 0, HOLDS: 1, MORE: 2}
    found = kinds.classify(np.linspace(0, 12, 241), 2.0, 5.0, 9.0, close=0.5)
    assert [order[v] for v in found] == sorted(order[v] for v in found)
    assert set(found) == set(order)
    edges = [float(np.linspace(0, 12, 241)[np.flatnonzero(found == v)[0]]) for v in (HOLDS, MORE)]
    assert edges == pytest.approx([4.5, 9.55], abs=0.06)


def test_less_is_safer_is_the_mirror():
    for here in np.linspace(-3, 14, 70):
        one = kinds.classify(here, 2.0, 5.0, 9.0, close=0.5)
        assert one == kinds.classify(-here, -9.0, -5.0, -2.0, close=0.5, sign=-1)


def test_what_is_not_known_is_not_judged_and_what_nothing_meets_is_short():
    assert kinds.classify(1.0, 0.0, math.nan, 2.0, close=0.0) == UNJUDGED
    assert kinds.classify(1e3, 0.0, math.inf, math.inf, close=0.0) == SHORT
    assert kinds.classify(1e3, 0.0, 1.0, math.nan, close=0.0) == HOLDS  # no edge known: never more than needed


def test_a_verdict_turns_where_rule_and_need_cross():
    rpm = np.array([2000.0, 4000.0])
    course = kinds.Course(rpm, np.full(2, 7.0), *(np.array([12.0, 2.0]),) * 3)
    first, *rest = kinds.stretches(course, close=0.0, sign=1, too_much=False)
    assert (first.verdict, first.rpm_low) == (SHORT, 2000)
    assert first.rpm_high == pytest.approx(3000, abs=11)
    assert rest[-1].rpm_high == 4000
    assert {s.verdict for s in rest} <= {HOLDS, MORE}


@pytest.mark.parametrize(
    ("verdicts", "word"),
    [((HOLDS, SHORT), SHORT), ((MORE, HOLDS), HOLDS), ((MORE, MORE), MORE), ((UNJUDGED, MORE), MORE), ((UNJUDGED,), UNJUDGED), ((MORE, SHORT), SHORT)],
)  # fmt: skip
def test_one_word_for_a_window(verdicts, word):
    assert kinds.overall(tuple(kinds.Stretch(v, 0, 1) for v in verdicts)) == word


# --- every car


def test_every_check_is_whole(car):
    """Unit, basis, sentences; a verdict only with a model, whose band is in order."""
    found = checks(car)
    assert list(found) == list(RULES)
    for c in found.values():
        assert c.verdict in VERDICTS
        assert c.unit
        assert c.rule.basis
        assert c.because.endswith(".")
        assert not re.search(r"\bnan\b|\binf\b|None|–", c.because)
        assert (c.model is None) == (c.verdict == UNJUDGED)
        if c.model is not None:
            assert np.isfinite([c.model.low, c.model.best, c.model.high]).all()
            assert c.model.low <= c.model.best <= c.model.high
            assert c.model.because
        assert (c.missing > 0) <= (c.verdict == SHORT)
        for a, b in zip(c.ranges, c.ranges[1:], strict=False):
            assert a.rpm_high <= b.rpm_low
            assert a.verdict != b.verdict
        if c.ranges:
            assert kinds.overall(c.ranges) == c.verdict
            assert any(s.verdict == c.verdict and (s.rpm_low, s.rpm_high) == c.rpm for s in c.ranges)


def test_units_change_words_only():
    us, metric = checks("wren", metric=False), checks("wren", metric=True)
    for key, c in us.items():
        assert c.verdict == metric[key].verdict
        assert c.ranges == metric[key].ranges
    assert "lb/h" in us["fuel"].because
    assert "kg/h" in metric["fuel"].because
    assert not re.search(r"kg/h|kPa|°C|N m", " ".join(c.because for c in us.values()))
    assert not re.search(r"lb/h|psi|°F|lb ft", " ".join(c.because for c in metric.values()))


def test_a_shot_that_cannot_be_computed_is_said_not_raised():
    found = checks("too big")
    assert found["retard"].verdict == found["fuel"].verdict == UNJUDGED
    assert "486 hp" in found["fuel"].because
    assert found["root"].verdict == HOLDS  # the bottle does not ask for the shot


def test_only_a_sheet_is_checked():
    with pytest.raises(InputError, match="BuildSheet"):
        check_rules("wren_five")


# --- retard


@pytest.mark.parametrize(("name", "degrees"), [("no nozzle", 3.0), ("tiny", 0.4), ("big wish", 6.0), ("badger", 6.0)])
def test_two_degrees_for_fifty_horsepower(name, degrees):
    assert checks(name)["retard"].here == pytest.approx(degrees)


def test_retard_is_short_where_a_cycle_gets_much_and_holds_where_it_gets_little():
    c = checks("wren")["retard"]
    assert [s.verdict for s in c.ranges] == [SHORT, HOLDS]
    assert c.rpm[0] == c.at_rpm == 2500
    turn = c.ranges[0].rpm_high
    need = dose_table(WREN, [turn - 400, turn + 400], 1.0)["retard_deg"].to_numpy()  # a plan of its own at those speeds
    assert need[0] > c.here + 0.5 > need[1] - 0.1


def test_the_model_is_the_plans():
    """What `plan_shot` prints where it is reachable, to rounding."""
    plan, found = plan_shot(WREN), checks("wren")
    good = plan.timing.table[plan.timing.table["reachable"]]
    c = found["retard"].course
    at = np.isin(c.rpm, good["rpm"])
    assert c.best[at] == pytest.approx(good["retard_deg"].to_numpy(float), abs=1e-6)
    assert c.high[at] == pytest.approx(good["retard_deg_high"].to_numpy(float), abs=1e-6)
    assert found["fuel"].course.best == pytest.approx(plan.table["fuel_speed_density_kg_h"].to_numpy(), rel=1e-9)


def test_cautious_edge_is_said():
    assert "cautious edge" in checks("badger")["retard"].because
    assert checks("badger")["retard"].verdict == HOLDS


# --- fuel


def test_fuel_follows_metering_and_shot():
    """Holds on speed-density, is short on mass-air; a wish beyond the nozzle asks for too much, a small one for too little."""
    assert checks("wren")["fuel"].verdict == HOLDS
    assert checks("mass-air port")["fuel"].verdict == SHORT
    assert checks("big wish")["fuel"].verdict == MORE
    assert checks("badger")["fuel"].verdict == SHORT
    assert checks("wren")["fuel"].here == pytest.approx(kg_from_lb(22.5))


def test_lambda_by_the_rule_by_hand():
    """Of 100 parts of fuel at lambda 0.9, 20 are to be added and 10 come: 0.9 x 100 / 90."""
    assert lambda_by_rule(0.9, 100.0, 20.0, 10.0) == pytest.approx(1.0)
    assert lambda_by_rule(0.9, 100.0, 20.0, 20.0) == pytest.approx(0.9)


def test_lambda_by_the_rule_from_the_charge():
    """The same from oxygen atoms and fuel of one cylinder."""
    c, sheet = checks("mass-air port")["fuel"], CARS["mass-air port"]
    setup, rpm = Setup.of(sheet), np.array([c.at_rpm])
    charge = fresh_charge(setup, rpm, plan_flow(sheet))
    own = pf.fuel_supplied(setup, charge, rpm, 0.88, "mass-air", "before nitrous")
    mixed = float(pf.lambda_with(setup, charge, own + c.here / 3600 / setup.cycles_per_second(rpm))[0])
    assert mixed > 0.864 + SENSOR_ERROR.high
    assert f"bring lambda to {mixed:.2f} where 0.86 is wanted" in c.because


def plan_flow(sheet):
    return plan_shot(sheet, rpm=[5000.0, 5500.0]).flow.best


def test_oxygen_by_hand():
    """15.999 of 44.013 for nitrous; dry air 23.1 % (handbooks: 23.1 to 23.2)."""
    nitrous, air = oxygen_by_mass()
    assert nitrous == pytest.approx(100 * 15.999 / 44.013, abs=0.01)
    assert air == pytest.approx(100 * 0.2095 * 31.998 / (0.2095 * 31.998 + 0.7812 * 28.014 + 0.0093 * 39.95), abs=0.01)
    assert 23.1 <= air <= 23.2
    assert checks("wren")["oxygen"].verdict == HOLDS


# --- gauge, stop, lead


def test_true_lambda_behind_the_gauge_shows_the_aim():
    """Read back through the sensor, at the speed with most nitrous."""
    c, setup = checks("wren")["gauge"], Setup.of(WREN)
    charge = fresh_charge(setup, np.array([c.at_rpm]), plan_flow(WREN))
    mix = Mixture(
        setup.fuel, c.model.best, float(charge.nitrous_fraction[0]), water_fraction=float(charge.water_fraction[0])
    )
    assert shown_lambda(mix, HYDROGEN_WEIGHT.best) == pytest.approx(0.864, abs=2e-4)
    assert c.model.best > 0.864


def test_a_stop_that_a_small_shot_never_reaches():
    """A tenth of the power: without its fuel the mixture stays richer than the mark."""
    small, whole = checks("tiny")["lean"], checks("wren")["lean"]
    assert small.model.best < pf.TOO_LEAN_LAMBDA + SENSOR_ERROR.high
    assert small.verdict == SHORT
    assert whole.verdict == HOLDS
    assert "cycles of each cylinder" in whole.because


def test_least_lead_is_least():
    c, sheet = checks("mass-air port")["lead"], CARS["mass-air port"]
    k = int(np.argmax(c.course.best))
    rpm, lead = float(c.course.rpm[k]), c.course.best[k] / 1e3
    lean = passage.extremes(sheet, rpm, 1.0, np.array([lead, lead - 0.02]))[1]
    assert lean[0] <= sheet.limits.lean_stop_lambda < lean[1]


# --- valve and line


def test_least_rate_is_least():
    c, setup = checks("wren")["pulse"], Setup.of(WREN)

    def leanest(rate):
        return max(float(delivery.lambda_ripple(WREN, setup, c.at_rpm, s, rate).leanest) for s in (0.25, 0.5, 0.75))

    assert leanest(c.model.best) <= WREN.limits.lean_stop_lambda < leanest(0.93 * c.model.best)
    assert c.verdict == MORE


def test_at_a_port_no_rate_is_enough():
    c = checks("mass-air port")["pulse"]
    assert c.verdict == SHORT
    assert "no rate up to 50 Hz" in c.because


def test_a_plain_valve_has_no_pulses_to_judge():
    assert checks("badger")["pulse"].verdict == checks("badger")["half"].verdict == UNJUDGED


def test_half_the_valve_duty_by_hand():
    """Opening takes 5 ms longer than closing: at 10 Hz half the duty is 45 % of the flow."""
    c = checks("wren")["half"]
    assert "45 (40 to 50) % of the flow" in c.because
    assert c.model.best < c.here


def test_hold_is_the_longer_of_both():
    c = checks("wren")["hold"]
    both = [wash_out(WREN, 2500.0, throttle)["all"] for throttle in ("open", "shut")]
    assert c.model.best == pytest.approx(max(b.best for b in both))
    assert c.model.high == pytest.approx(max(b.high for b in both))
    assert checks("tiny")["hold"].verdict == SHORT  # so little flow leaves the line full for long


def test_window_ends_by_hand():
    """Rev limit less what the engine gains while the nitrous clears."""
    c = checks("wren")["to"]
    gone = wash_out(WREN, 6000.0, "open")["all"].best
    assert c.model.best == pytest.approx(6500 - 1500 * gone)
    later = WREN.replace({"engine.limit_rpm": 7000})
    assert c.verdict == SHORT
    assert {k.rule.key: k for k in check_rules(later)}["to"].verdict == HOLDS


@pytest.mark.parametrize(
    ("room", "rpm"), [((1, 2, 3), 2000), ((-1, 1, 2), 2500), ((-1, -1, -1), math.inf), ((-math.inf, 1, 2), 3000), ((1, -1, 1), 3500)]
)  # fmt: skip
def test_where_room_begins(room, rpm):
    assert crossing(np.array([2000.0, 3000.0, 4000.0]), np.array(room, float)) == rpm


# --- power and torque


def test_torque_and_power_are_one_another():
    found = checks("wren")
    power, torque = found["power"].course, found["torque"].course
    assert torque.best * power.rpm * 2 * np.pi / 60 == pytest.approx(power.best * 745.6999, rel=1e-6)
    assert torque.best[0] > 1.8 * torque.best[-1]
    assert found["torque"].verdict == SHORT
    assert np.ptp(power.best) < 0.15 * power.best.mean()


def test_the_most_dangerous():
    """What may break an engine goes before what only misleads, whatever share is missing."""
    assert worst_of(check_rules(WREN)).rule.key == "retard"
    assert worst_of(check_rules(BADGER)).rule.key == "fuel"
    assert worst_of([c for c in check_rules(WREN) if c.verdict != SHORT]) is None
    torque = checks("badger")["torque"]
    assert torque.missing > checks("badger")["fuel"].missing
