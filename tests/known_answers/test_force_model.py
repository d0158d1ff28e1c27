"""Force from waist acceleration: planted relations, leaks, the rule of choice, two-leg landings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.force_model.choice import kept_model, simplest_within_one_error
from analysis.force_model.folds import athlete_folds, group_folds
from analysis.force_model.formulas import Linear, LogLog, LogLogWithCovariates
from analysis.force_model.held_out import held_out
from analysis.force_model.identity import model_id
from analysis.force_model.inputs import Inputs
from analysis.force_model.ladder import LADDER, ladder_of
from analysis.force_model.landings import SCOPES, PerLimbError, force_landings
from analysis.force_model.learners import Boosting, Network
from analysis.force_model.least_squares import fit_line, independent_columns
from analysis.force_model.scores import rise_of_rmse, scores_of
from analysis.mixed import ModelRefusedError

SEED = 20260402
BOOSTING = Boosting(trees=60, learning_rate=0.1, leaves=8, landings_per_leaf=10, seed=SEED)
NETWORK = Network(hidden_units=4, penalty=1.0, iterations=150, seed=SEED)


def inputs_with(peak: np.ndarray, athlete: np.ndarray, context: np.ndarray | None = None) -> Inputs:
    """Return inputs of landings of one kind whose only waist metric is the peak."""
    columns = np.zeros((peak.size, 0)) if context is None else context
    return Inputs(
        peak=peak,
        waist=peak[:, None],
        context=columns,
        athlete=athlete,
        situation=np.full(peak.size, "single_leg_drop_landing.1"),
        waist_names=("peak_waist_acceleration",),
        context_names=tuple(f"context_{place}" for place in range(columns.shape[1])),
    )


def drawn(athletes: int = 60, each: int = 6, seed: int = 1) -> tuple[Inputs, np.random.Generator]:
    """Return peaks between 3 and 9 g of athletes with several landings each."""
    rng = np.random.default_rng(seed)
    labels = np.repeat([f"A{number:03d}" for number in range(athletes)], each)
    return inputs_with(rng.uniform(3.0, 9.0, athletes * each), labels), rng


def everyone(inputs: Inputs) -> np.ndarray:
    return np.ones(len(inputs), dtype=bool)


def test_a_planted_line_is_recovered_exactly():
    """Closed form: without noise every held-out estimate of F = 1.2 + 0.45 a is exact."""
    inputs, _ = drawn()
    force = 1.2 + 0.45 * inputs.peak
    folds = athlete_folds(inputs.athlete, 10, SEED)
    estimated = held_out(Linear(), inputs, force, folds, everyone(inputs))
    np.testing.assert_allclose(estimated, force, rtol=1e-12)
    line = Linear().fit(inputs, force).line
    np.testing.assert_allclose(line.coefficients, [1.2, 0.45], rtol=1e-12)


def test_a_planted_power_law_is_recovered_by_both_logarithmic_models():
    """Closed form: F = 1.5 a^0.6 (involved limb: 8 % less), athlete effects zero but for noise."""
    base, rng = drawn(athletes=40)
    involved = (np.arange(len(base)) % 2).astype(float)
    inputs = inputs_with(base.peak, base.athlete, involved[:, None])
    noise = rng.normal(0.0, 1e-6, len(base))
    plain = 1.5 * base.peak**0.6
    np.testing.assert_allclose(LogLog().fit(inputs, plain).predict(inputs), plain, rtol=1e-12)
    force = plain * 0.92**involved * np.exp(noise)
    fitted = LogLogWithCovariates().fit(inputs, force)
    np.testing.assert_allclose(fitted.fit.coefficients, [np.log(1.5), 0.6, np.log(0.92)], atol=1e-5)
    np.testing.assert_allclose(fitted.predict(inputs), force, rtol=1e-5)


def test_least_squares_and_its_prediction_error_agree_with_scipy():
    """Second path: scipy.stats.linregress; the prediction variance is s^2 (1 + 1/n + d^2/Sxx)."""
    inputs, rng = drawn()
    force = 1.2 + 0.45 * inputs.peak + rng.normal(0.0, 0.4, len(inputs))
    line = stats.linregress(inputs.peak, force)
    fitted = Linear().fit(inputs, force)
    np.testing.assert_allclose(fitted.line.coefficients, [line.intercept, line.slope], rtol=1e-10)
    n, spread = len(inputs), inputs.peak - inputs.peak.mean()
    residuals = force - line.intercept - line.slope * inputs.peak
    variance = residuals @ residuals / (n - 2)
    expected = np.sqrt(variance * (1 + 1 / n + spread**2 / (spread @ spread)))
    np.testing.assert_allclose(fitted.prediction_error(inputs), expected, rtol=1e-10)


@pytest.mark.parametrize("model", [Linear(), LogLog(), LogLogWithCovariates(), BOOSTING, NETWORK])
def test_prediction_errors_cover_new_athletes_as_often_as_they_say(model):
    """Log-normal force with athlete and trial effects of SD 0.10 each; 95 % within 1.96 errors.

    Bound: 0.95 +- 0.04; 300 new athletes with one landing each have a binomial error of 0.013, and
    the models of a straight line are only nearly true.
    """
    inputs, rng = drawn(athletes=120)
    new, other = drawn(athletes=300, each=1, seed=2)

    def forces(of: Inputs, draw: np.random.Generator) -> np.ndarray:
        _, codes = np.unique(of.athlete, return_inverse=True)
        athlete = draw.normal(0.0, 0.10, codes.max() + 1)[codes]
        return 1.5 * of.peak**0.6 * np.exp(athlete + draw.normal(0.0, 0.10, len(of)))

    fitted = model.fit(inputs, forces(inputs, rng))
    distance = (forces(new, other) - fitted.predict(new)) / fitted.prediction_error(new)
    assert abs(float(np.mean(np.abs(distance) <= 1.96)) - 0.95) <= 0.04


@pytest.mark.parametrize("model", [BOOSTING, NETWORK])
def test_what_only_tells_the_athletes_apart_helps_under_a_random_split_alone(model):
    """The leak check: force is the athlete's own constant, one feature is the athlete's number.

    A random split has other landings of the same athlete to learn the constant from; leaving out
    athletes has not, so that no variation can be explained.
    """
    inputs, rng = drawn(athletes=40, each=8)
    _, codes = np.unique(inputs.athlete, return_inverse=True)
    constants = rng.normal(4.0, 0.8, 40)
    numbers = rng.permutation(40).astype(float)
    force = constants[codes] + rng.normal(0.0, 0.05, len(inputs))
    # In three coordinates a small network can tell the athletes apart too.
    turns = np.outer(numbers[codes], [0.5, 1.7, 2.9])
    leaky = inputs_with(inputs.peak, inputs.athlete, np.sin(turns))
    if isinstance(model, Network):
        model = replace(model, hidden_units=60, penalty=1e-3, iterations=400)
    random_split = rng.permutation(len(inputs)) % 5 + 1
    grouped = athlete_folds(inputs.athlete, 5, SEED)
    explained = {}
    for name, folds in (("random", random_split), ("athletes", grouped)):
        estimated = held_out(model, leaky, force, folds, everyone(leaky))
        explained[name] = scores_of(estimated, force, leaky.athlete).r_squared.value
    assert explained["random"] > 0.8
    assert explained["athletes"] < 0.1


def test_folds_keep_athletes_whole_and_hold_out_each_once():
    inputs, _ = drawn(athletes=23, each=5)
    folds = athlete_folds(inputs.athlete, 10, SEED)
    by_athlete = pd.Series(folds).groupby(inputs.athlete).nunique()
    assert (by_athlete == 1).all()
    assert sorted(set(folds)) == list(range(1, 11))
    sizes = pd.Series(folds).groupby(folds).size() // 5
    assert set(sizes) == {2, 3}
    few = athlete_folds(np.array(["b", "a", "b", "c"]), 10, SEED)
    assert len(set(few)) == 3
    assert few[0] == few[2]
    assert list(group_folds(["meadow", "harbour", "meadow"])) == [2, 1, 2]


def test_a_landing_in_a_task_that_was_not_trained_on_has_no_estimate():
    inputs, _ = drawn(athletes=6, each=4)
    situation = inputs.situation.copy().astype(object)
    folds = athlete_folds(inputs.athlete, 3, SEED)
    situation[folds == 1] = "cut.1"
    changed = replace(inputs, situation=situation.astype(str))
    estimated = held_out(Linear(), changed, inputs.peak * 0.5, folds, everyone(inputs))
    assert np.isnan(estimated[folds == 1]).all()
    assert np.isfinite(estimated[folds != 1]).all()


def test_clipped_landings_train_nothing():
    """Closed form: the planted line is exact without the clipped peaks, and not with them."""
    inputs, _ = drawn()
    force = 1.2 + 0.45 * inputs.peak
    clipped = inputs.peak > 8.0
    seen = replace(inputs, peak=np.minimum(inputs.peak, 8.0))
    folds = athlete_folds(inputs.athlete, 10, SEED)
    apart = held_out(Linear(), seen, force, folds, ~clipped)
    np.testing.assert_allclose(apart[~clipped], force[~clipped], rtol=1e-12)
    assert (apart[clipped] < force[clipped]).all()
    mixed_in = held_out(Linear(), seen, force, folds, everyone(seen))
    assert np.max(np.abs(mixed_in[~clipped] - force[~clipped])) > 1e-3


def test_scores_are_their_definitions_and_match_scikit_learn():
    """Outside: sklearn.metrics; the errors are a plain loop that leaves out one athlete."""
    from sklearn import metrics as library

    inputs, rng = drawn(athletes=15, each=4)
    measured = 1.2 + 0.45 * inputs.peak
    estimated = measured + rng.normal(0.1, 0.3, len(inputs))
    found = scores_of(estimated, measured, inputs.athlete)
    rmse = library.root_mean_squared_error(measured, estimated)
    assert found.rmse.value == pytest.approx(rmse, rel=1e-9)
    assert found.r_squared.value == pytest.approx(library.r2_score(measured, estimated), rel=1e-9)
    percent = 100 * library.mean_absolute_percentage_error(measured, estimated)
    assert found.mape.value == pytest.approx(percent, rel=1e-9)
    slope = stats.linregress(estimated, measured).slope
    assert found.calibration_slope.value == pytest.approx(slope, rel=1e-9)
    assert found.bias.value == pytest.approx(np.mean(estimated - measured), rel=1e-9)
    # Jackknife by the obvious loop: no limit of an explained share passes one.
    rest = []
    for athlete in sorted(set(inputs.athlete)):
        kept = inputs.athlete != athlete
        rest.append(np.log(1.0 - library.r2_score(measured[kept], estimated[kept])))
    n = len(rest)
    error = np.sqrt((n - 1) / n * np.sum((rest - np.mean(rest)) ** 2))
    bound = np.log(1.0 - found.r_squared.value) + stats.t.ppf([0.975, 0.025], n - 1) * error
    limits = [found.r_squared.low, found.r_squared.high]
    assert limits == pytest.approx(list(1.0 - np.exp(bound)), rel=1e-6)
    left_out = []
    for athlete in sorted(set(inputs.athlete)):
        kept = inputs.athlete != athlete
        left_out.append(library.root_mean_squared_error(measured[kept], estimated[kept]))
    spread = np.array(left_out) - np.mean(left_out)
    error = np.sqrt(14 / 15 * np.sum(spread**2))
    assert found.rmse.standard_error == pytest.approx(error, rel=1e-6)
    other = measured + 0.1
    rise = rise_of_rmse(estimated, other, measured, inputs.athlete)
    assert rise.value == pytest.approx(rmse - 0.1, rel=1e-9)


@pytest.mark.parametrize(
    ("errors", "kept"),
    [
        ({"linear": (0.50, 0.02), "network": (0.45, 0.06)}, "linear"),
        ({"linear": (0.52, 0.02), "log_log": (0.50, 0.02), "network": (0.45, 0.06)}, "log_log"),
        ({"linear": (0.90, 0.50), "log_log": (0.80, 0.50), "boosting": (0.3, 0.02)}, "boosting"),
        ({"linear": (0.51, 0.02), "boosting": (0.45, 0.06)}, "linear"),
        ({"log_log": (0.45, 0.0), "boosting": (0.45, 0.0)}, "log_log"),
    ],
)
def test_the_simplest_within_one_standard_error_of_the_best_is_kept(errors, kept):
    """Synthetic tables, by hand; 0.51 = 0.45 + 0.06 lies on the limit and is within it."""
    assert simplest_within_one_error(LADDER, errors) == kept


def test_a_complicated_model_must_win_with_athletes_and_with_sites_left_out():
    wins = {"linear": (0.9, 0.01), "log_log": (0.8, 0.01), "boosting": (0.3, 0.01)}
    loses = {"linear": (0.9, 0.01), "log_log": (0.4, 0.01), "boosting": (0.7, 0.01)}
    assert kept_model(LADDER, [wins, wins]) == "boosting"
    assert kept_model(LADDER, [wins, loses]) == "log_log"
    assert kept_model(LADDER, [wins, {}]) == "boosting"
    with pytest.raises(ValueError, match="no model"):
        kept_model(LADDER, [{}, {}])


def test_columns_that_carry_nothing_are_left_out_and_too_few_landings_refused():
    rng = np.random.default_rng(3)
    one, slope = np.ones(20), rng.normal(size=20)
    matrix = np.column_stack([one, slope, np.zeros(20), 2 * slope - one, one * 3, slope**2])
    assert list(independent_columns(matrix)) == [0, 1, 5]
    with pytest.raises(ModelRefusedError, match="2 landings for 2 coefficients"):
        fit_line(matrix[:2], slope[:2])
    few, _ = drawn(athletes=5, each=4)
    with pytest.raises(ModelRefusedError, match="at least 50"):
        BOOSTING.fit(few, few.peak)


@pytest.mark.parametrize("model", [LogLogWithCovariates(), BOOSTING, NETWORK])
def test_the_same_landings_give_the_same_bits(model):
    inputs, rng = drawn(athletes=30)
    force = 1.2 + 0.45 * inputs.peak + rng.normal(0.0, 0.4, len(inputs))
    folds = athlete_folds(inputs.athlete, 3, SEED)
    first, second = (held_out(model, inputs, force, folds, everyone(inputs)) for _ in range(2))
    assert first.tobytes() == second.tobytes()


def test_a_model_id_changes_with_every_training_value_and_setting():
    inputs, _ = drawn(athletes=4)
    force = inputs.peak * 0.5
    first = model_id("linear", "single_leg", {"seed": 1}, inputs, force)
    assert first.startswith("linear.single_leg.")
    assert len(first.split(".")[-1]) == 10
    assert first == model_id("linear", "single_leg", {"seed": 1}, inputs, force.copy())
    changed = force.copy()
    changed[3] = np.nextafter(changed[3], 9.0)
    others = [
        model_id("linear", "single_leg", {"seed": 2}, inputs, force),
        model_id("linear", "whole_body", {"seed": 1}, inputs, force),
        model_id("linear", "single_leg", {"seed": 1}, inputs, changed),
        model_id("linear", "single_leg", {"seed": 1}, inputs.at(np.arange(10)), force[:10]),
    ]
    assert len({first, *others}) == 5


def test_the_ladder_keeps_its_order_whatever_the_settings_name_first():
    settings = {
        "models": ["network", "linear", "log_log_covariates"],
        "seed": 1,
        "boosting": {"trees": 1, "learning_rate": 0.1, "leaves": 2, "landings_per_leaf": 1},
        "network": {"hidden_units": 1, "penalty": 1.0, "iterations": 1},
    }
    names = [model.name for model in ladder_of(settings)]
    assert names == ["linear", "log_log_covariates", "network"]


TASKS = {"single": {"limbs": "single"}, "jump": {"limbs": "both"}}


def _value(task: str, limb: str, side: str, sensor: str, metric: str) -> dict[str, object]:
    return {
        "landing_id": f"A1.clearance.{task}.{side}.1.{limb}.1",
        **{"athlete_id": "A1", "site": "harbour", "visit": "clearance", "trial": 1, "landing": 1},
        **{"task": task, "limb": limb, "side": side, "sensor": sensor, "metric": metric},
        **{"value": 4.0, "valid": True, "censoring": "none"},
    }


def _study(values: list[dict[str, object]]) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    table = pd.DataFrame(values)
    landings = table[["landing_id"]].drop_duplicates().assign(box_height_m=0.3)
    athletes = pd.DataFrame(
        {"athlete_id": ["A1"], "sex": "female", "mass_kg": 60.0, "injured_side": "left"}
    )
    return table, landings, athletes


PEAK, FORCE = "peak_waist_acceleration", "peak_vgrf"
GOOD = [
    _value("single", "involved", "left", "waist", PEAK),
    _value("single", "involved", "left", "plate", FORCE),
    _value("jump", "both", "both", "waist", PEAK),
    _value("jump", "both", "both", "plate", FORCE),
    _value("jump", "involved", "left", "plate", FORCE),
    _value("jump", "uninvolved", "right", "plate", FORCE),
]


def test_two_leg_landings_have_whole_body_rows_only():
    """The plates measure both limbs of the jump; the waist table has one row, with their sum."""
    single, whole = (
        force_landings(*_study(GOOD), TASKS, scope, 0.95).set_index("landing_id")
        for scope in SCOPES
    )
    assert list(single["side"]) == ["left"]
    assert list(single["task"]) == ["single"]
    assert list(whole["side"]) == ["both"]
    assert list(whole["task"]) == ["jump"]


def test_a_waist_value_of_one_limb_in_a_two_leg_landing_is_refused():
    bad = [*GOOD, _value("jump", "involved", "left", "waist", PEAK)]
    for scope in SCOPES:
        with pytest.raises(PerLimbError, match="one limb of a two-leg landing"):
            force_landings(*_study(bad), TASKS, scope, 0.95)
