"""Cumulative incidence of competing events against published data.

Expected values: R 4.2.2, cmprsk 2.2-11, `cuminc` with `timepoints` (15 digits); data Andersen 1993
(melanoma; causes 1 melanoma, 2 other death).
"""

import numpy as np
import pytest

from analysis.competing.cumulative_incidence import cumulative_incidence
from analysis.survival.kaplan_meier import kaplan_meier
from tests.published import survival_tables as tables

DAYS = [1000, 2000, 3000]
# (column, group, cause): incidence and Aalen variance at the three times
MELANOMA = {
    ("male", 0, 1): (
        [0.0873015873015873, 0.180775941085819, 0.235651693719946],
        [0.000637813503877799, 0.00124504617821618, 0.00181020252725198],
    ),
    ("male", 1, 1): (
        [0.192371752165223, 0.310098279581467, 0.424535869211296],
        [0.00202232934958649, 0.00281962478532058, 0.00426956034683663],
    ),
    ("male", 0, 2): (
        [0.0317460317460317, 0.0398351648351648, 0.0522064171221333],
        [0.000245964696741272, 0.000307387843283621, 0.000452911421314093],
    ),
    ("male", 1, 2): (
        [0.0381412391738841, 0.0669394150957398, 0.0669394150957398],
        [0.000472737889776465, 0.000861434346112401, 0.000861434346112401],
    ),
    ("ulc", 0, 1): (
        [0.0350904193920739, 0.103222759820307, 0.181654087337442],
        [0.000299744922857933, 0.000895256200110861, 0.00191803760499821],
    ),
    ("ulc", 1, 1): (
        [0.244444444444444, 0.389727463312369, 0.469723403064156],
        [0.00207963989588803, 0.00269294624298902, 0.00353084627543949],
    ),
    ("ulc", 0, 2): (
        [0.0174682570219315, 0.02624086186995, 0.0402817711975265],
        [0.000151240576887461, 0.000225542908544688, 0.000416572559902505],
    ),
    ("ulc", 1, 2): (
        [0.0555555555555555, 0.0798143156633723, 0.0798143156633723],
        [0.000590287754469947, 0.000854609674795208, 0.000854609674795208],
    ),
}


@pytest.mark.parametrize("case", MELANOMA)
def test_melanoma_incidence_and_aalen_variance(case):
    column, value, cause = case
    table = tables.melanoma()
    group = table[table[column] == value]
    incidence, error, _, _ = cumulative_incidence(group["time"], group["cause"]).at(cause, DAYS)
    assert incidence == pytest.approx(MELANOMA[case][0], rel=1e-12)
    assert error**2 == pytest.approx(MELANOMA[case][1], rel=1e-10)


def incidence_of_weighted_rows(time, cause, weights):
    """Aalen-Johansen of cause 1 from its definition, with weights, one time after the other."""
    event_free, incidence, curve = 1.0, 0.0, []
    for moment in np.unique(time):
        at_risk = weights[time >= moment].sum()
        incidence += event_free * weights[(time == moment) & (cause == 1)].sum() / at_risk
        event_free *= 1 - weights[(time == moment) & (cause > 0)].sum() / at_risk
        curve.append(incidence)
    return np.array(curve)


def test_greenwood_variance_is_the_infinitesimal_jackknife():
    """The sum of squared derivatives by the case weights (Efron 1982), computed numerically."""
    table = tables.mgus2().head(120)
    time, cause = table["time"].to_numpy(), table["cause"].to_numpy()
    fitted = cumulative_incidence(time, cause, variance="greenwood")
    step = 1e-5
    derivatives = []
    for row in np.eye(time.size):
        up = incidence_of_weighted_rows(time, cause, 1 + step * row)
        down = incidence_of_weighted_rows(time, cause, 1 - step * row)
        derivatives.append((up - down) / (2 * step))
    expected = np.sqrt(np.square(derivatives).sum(axis=0))
    assert fitted.standard_error[:, 0] == pytest.approx(expected, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("late_entry", [False, True])
def test_incidences_and_event_free_share_add_to_one(late_entry):
    table = tables.mgus2()
    start = np.minimum(table["time"] - 1, np.arange(len(table)) % 5) if late_entry else None
    curves = cumulative_incidence(table["time"], table["cause"], start=start)
    total = curves.incidence.sum(axis=1) + curves.event_free
    assert total == pytest.approx(np.ones(curves.times.size), abs=1e-12)


@pytest.mark.parametrize("interval", ["plain", "log", "log-log", "logit", "arcsine"])
def test_with_one_cause_it_is_one_minus_kaplan_meier(interval):
    """Then the Greenwood form is Greenwood's formula, and plain limits mirror each other."""
    table = tables.lung()
    one = cumulative_incidence(
        table["time"], table["event"], variance="greenwood", interval=interval
    )
    curve = kaplan_meier(table["time"], table["event"], interval=interval)
    assert one.incidence[:, 0] == pytest.approx(1 - curve.survival, abs=1e-13)
    assert one.standard_error[:, 0] == pytest.approx(curve.standard_error, rel=1e-9)
    if interval in ("plain", "logit", "arcsine"):
        assert one.lower[:, 0] == pytest.approx(1 - curve.upper, abs=1e-10)
        assert one.upper[:, 0] == pytest.approx(1 - curve.lower, abs=1e-10)


def test_log_log_limits_by_the_printed_formula():
    """F ** exp(-+ z se / (F log F)), Kalbfleisch & Prentice 1980, computed here by hand."""
    group = tables.melanoma().query("ulc == 1")
    curves = cumulative_incidence(group["time"], group["cause"])
    value, error, lower, upper = (x[0] for x in curves.at(1, [2000]))
    z = 1.959963984540054
    assert lower == pytest.approx(value ** np.exp(-z * error / (value * np.log(value))), rel=1e-12)
    assert upper == pytest.approx(value ** np.exp(z * error / (value * np.log(value))), rel=1e-12)
    assert lower < value < upper
