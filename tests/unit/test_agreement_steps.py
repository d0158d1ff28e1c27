"""Agreement, lag of contact and asymmetry as steps: pairs, groups, refusals; planted and found."""

import numpy as np
import pandas as pd
import pytest

from analysis.estimates import estimates_table
from analysis.models.agreement import MINIMUM_ATHLETES, pair_numbers
from analysis.models.asymmetry import comparisons, limb_means, metric_numbers
from analysis.models.contact_lag import lag_numbers, lag_rows
from analysis.models.sensor_pairs import sensor_pairs
from shared.metric_dictionary import metrics

IDENTITY = ("landing_id", "athlete_id", "site", "visit", "task", "limb", "landing")


def values(metric, sensors, athletes=30, seed=1, task="countermovement_jump"):
    """Return values by sensor: (offset, factor, SD of the error) of one true value per landing."""
    random = np.random.default_rng(seed)
    rows = []
    for place in range(athletes):
        typical = random.uniform(0.35, 0.65)
        for trial in range(4):
            known = (f"L{place:03d}.{trial}", f"A{place:03d}", ("north", "south")[place % 2],
                     "clearance", task, "both", 1)  # fmt: skip
            true = typical + random.normal(0, 0.02)
            for sensor, (offset, factor, error) in sensors.items():
                measured = offset + factor * true + random.normal(0, error)
                rows.append((*known, metric, sensor, measured))
    return pd.DataFrame(rows, columns=[*IDENTITY, "metric", "sensor", "value"]).assign(
        valid=True, censoring="none"
    )


PLANTED = {"plate": (0.0, 1.0, 0.0), "waist": (0.02, 1.0, 0.005)}


def numbers(*found):
    return estimates_table(*found).set_index("number_id")


def test_what_was_planted_is_found():
    (pair,) = sensor_pairs(values("flight_time", PLANTED))
    table = numbers(pair_numbers(pair, 0.95))
    base = "agreement.flight_time.waist.plate.all"
    bias = table.loc[f"{base}.bias"]
    assert bias["ci_low"] < 0.02 < bias["ci_high"]
    assert table.loc[f"{base}.standard_deviation", "estimate"] == pytest.approx(0.005, rel=0.15)
    for limit, sign in (("lower_limit", -1), ("upper_limit", 1)):
        row = table.loc[f"{base}.{limit}"]
        assert row["ci_low"] < 0.02 + sign * 1.96 * 0.005 < row["ci_high"]
    slope = table.loc[f"{base}.deming_slope"]
    assert slope["ci_low"] < 1.0 < slope["ci_high"]
    assert table.loc[f"{base}.share_outside_limits", "estimate"] < 0.12
    for limit, percentile in (
        ("lower_limit", "percentile_2_5"),
        ("upper_limit", "percentile_97_5"),
    ):
        row = table.loc[f"{base}.{limit}"]
        assert row["estimate"] == pytest.approx(
            table.loc[f"{base}.{percentile}", "estimate"], abs=0.003
        )
    assert set(table["n_trials"].dropna()) == {120, 60}
    assert {"site.north", "site.south", "all"} == set(table["term"])


def test_a_scale_error_is_a_slope_and_a_ratio():
    scaled = {"plate": (0.0, 1.0, 0.001), "waist": (0.0, 1.1, 0.001)}
    (pair,) = sensor_pairs(values("flight_time", scaled))
    table = numbers(pair_numbers(pair, 0.95))
    base = "agreement.flight_time.waist.plate.all"
    assert table.loc[f"{base}.ratio_bias", "estimate"] == pytest.approx(1.1, abs=0.002)
    assert table.loc[f"{base}.percent_error_mean", "estimate"] == pytest.approx(10.0, abs=0.2)
    assert table.loc[f"{base}.deming_slope", "estimate"] == pytest.approx(1.1, abs=0.01)
    assert table.loc[f"{base}.proportional_bias", "estimate"] == pytest.approx(0.1 / 1.05, abs=0.01)


def test_the_order_of_rows_changes_nothing():
    table = values("flight_time", PLANTED)
    shuffled = table.sample(frac=1.0, random_state=3)
    first, again = (
        numbers(*(pair_numbers(pair, 0.95) for pair in sensor_pairs(rows)))
        for rows in (table, shuffled)
    )
    pd.testing.assert_frame_equal(first, again)


def test_sensors_exchanged_turn_the_sign():
    """The reference is the better sensor whatever the rows say; a mirrored error turns the bias."""
    exchanged = {"plate": PLANTED["waist"], "waist": PLANTED["plate"]}
    found = []
    for sensors in (PLANTED, exchanged):
        (pair,) = sensor_pairs(values("flight_time", sensors))
        assert (pair.reference, pair.other) == ("plate", "waist")
        found.append(numbers(pair_numbers(pair, 0.95)))
    base = "agreement.flight_time.waist.plate.all"
    one, two = (table.loc[f"{base}.bias", "estimate"] for table in found)
    assert one == pytest.approx(0.02, abs=0.002)
    assert two == pytest.approx(-0.02, abs=0.002)


def test_any_set_of_sensors_is_paired_two_by_two():
    three = {name: (0.0, 1.0, 0.1) for name in ("waist", "reference_accelerometer", "gyro")}
    pairs = {(p.reference, p.other) for p in sensor_pairs(values("peak_waist_acceleration", three))}
    assert pairs == {
        ("reference_accelerometer", "gyro"),
        ("reference_accelerometer", "waist"),
        ("waist", "gyro"),
    }
    assert list(sensor_pairs(values("flight_time", {"plate": (0.0, 1.0, 0.0)}))) == []


def test_invalid_values_are_counted_and_left_out():
    table = values("flight_time", PLANTED)
    spoilt = table.index[table["sensor"] == "waist"][:5]
    table.loc[spoilt, ["value", "valid"]] = [9.0, False]
    (pair,) = sensor_pairs(table)
    row = numbers(pair_numbers(pair, 0.95)).loc["agreement.flight_time.waist.plate.all.bias"]
    assert (row["n_trials"], row["rows_dropped"]) == (115, 5)
    assert row["estimate"] == pytest.approx(0.02, abs=0.002)


def test_a_clipped_value_is_no_measurement():
    # The unit cannot show more than 0.55: without those landings the planted agreement is found;
    # with the values as read the largest landings pull the bias down and the line flat.
    sensors = {"reference_accelerometer": (0.0, 1.0, 0.0), "waist": (0.01, 1.0, 0.002)}
    table = values("peak_waist_acceleration", sensors, athletes=40)
    over = (table["sensor"] == "waist") & (table["value"] > 0.55)
    table.loc[over, "censoring"] = "right"
    table.loc[over, "value"] = 0.55
    (pair,) = sensor_pairs(table)
    found = numbers(pair_numbers(pair, 0.95))
    base = "agreement.peak_waist_acceleration.waist.reference_accelerometer"
    whole, as_read = (found.loc[f"{base}.{term}.bias"] for term in ("all", "clipped_as_read"))
    assert over.sum() > 20
    assert found.loc[f"{base}.clipped.landings", "estimate"] == over.sum()
    assert whole["rows_dropped"] == over.sum()
    assert (whole["n_trials"], as_read["n_trials"]) == (160 - over.sum(), 160)
    assert whole["estimate"] == pytest.approx(0.01, abs=0.001)
    assert as_read["estimate"] < 0.0
    assert found.loc[f"{base}.clipped_as_read.deming_slope", "ci_high"] < 0.95
    clipped_sites = [term for term in found["term"] if "clipped" in term and "site" in term]
    assert not clipped_sites


def test_too_few_athletes_are_refused_with_the_reason():
    (pair,) = sensor_pairs(values("flight_time", PLANTED, athletes=MINIMUM_ATHLETES - 1))
    table = numbers(pair_numbers(pair, 0.95))
    assert list(table["quantity"]) == ["not_run"]
    assert table["note"].iloc[0] == "athletes with valid values: 9; limits need at least 10"
    # Enough in all, too few at each site: the whole has numbers, its parts their reason.
    (pair,) = sensor_pairs(values("flight_time", PLANTED, athletes=12))
    table = numbers(pair_numbers(pair, 0.95))
    assert table["quantity"].value_counts()["not_run"] == 2
    assert "agreement.flight_time.waist.plate.all.bias" in table.index


def test_one_trial_per_athlete_is_refused_not_guessed():
    table = values("flight_time", PLANTED)
    single = table.loc[table["landing_id"].str.endswith(".0")]
    (pair,) = sensor_pairs(single)
    notes = numbers(pair_numbers(pair, 0.95))["note"]
    assert notes.str.contains("no athlete has several pairs").all()


def test_a_second_cluster_shows_in_what_was_seen():
    """Two landings in a hundred far off widen the limits, which then fit neither cluster."""
    table = values("flight_time", PLANTED, athletes=50)
    waist = table.index[table["sensor"] == "waist"]
    table.loc[waist[::50], "value"] -= 0.1
    (pair,) = sensor_pairs(table)
    found = numbers(pair_numbers(pair, 0.95))["estimate"]
    base = "agreement.flight_time.waist.plate.all"
    assert found[f"{base}.share_outside_limits"] == pytest.approx(0.02)
    assert found[f"{base}.upper_limit"] - found[f"{base}.percentile_97_5"] > 0.01


def test_angles_have_no_ratios():
    assert not metrics()["peak_knee_flexion"].has_natural_zero
    assert not metrics()["knee_flexion_at_contact"].has_natural_zero
    assert metrics()["flight_time"].has_natural_zero
    angles = {"camera": (0.0, 100.0, 0.1), "gyro": (0.0, 100.0, 0.1)}
    (pair,) = sensor_pairs(values("peak_knee_flexion", angles))
    quantities = set(numbers(pair_numbers(pair, 0.95))["quantity"])
    assert "bias" in quantities
    assert not any(name.startswith(("ratio", "percent_error")) for name in quantities)


def test_lag_of_contact():
    lags = values("contact_lag_of_waist", {"waist": (6.5, 0.0, 1.4)})
    table = numbers(lag_numbers(lag_rows(lags), 0.95))
    bias = table.loc["contact_lag.all.all.bias"]
    assert bias["ci_low"] < 6.5 < bias["ci_high"]
    assert bias["unit"] == "ms"
    assert table.loc["contact_lag.all.all.standard_deviation", "estimate"] == pytest.approx(
        1.4, rel=0.15
    )
    assert "contact_lag.all.site.north.upper_limit" in table.index
    nothing = numbers(lag_numbers(lag_rows(values("flight_time", PLANTED)), 0.95))
    assert nothing["note"].iloc[0] == "no trial has contacts by a plate and by a waist unit"


def summaries(ratio=0.8, follow_up_loss=0.9, athletes=12):
    """Return means of both limbs at two visits; the uninvolved limb loses at the second visit."""
    random = np.random.default_rng(2)
    rows = []
    for place in range(athletes):
        strong = 3.0 * np.exp(random.normal(0, 0.2))
        for visit, loss in (("clearance", 1.0), ("follow_up", follow_up_loss)):
            for limb, value in (("uninvolved", strong * loss), ("involved", ratio * strong)):
                rows.append(
                    (f"A{place:03d}", visit, "single_leg_drop_landing", limb, 1, "peak_vgrf",
                     "plate", "BW", value, 3)
                )  # fmt: skip
    names = ["athlete_id", "visit", "task", "limb", "landing", "metric", "sensor", "unit"]
    return pd.DataFrame(rows, columns=[*names, "mean", "n_valid"])


def people(athletes=12, bilateral=()):
    codes = [f"A{place:03d}" for place in range(athletes)]
    sides = ["both" if code in bilateral else "left" for code in codes]
    return pd.DataFrame({"athlete_id": codes, "injured_side": sides})


LEVELS = ("peak_vgrf", "plate", "single_leg_drop_landing", "1")
VISITS = ["clearance", "follow_up"]


def asymmetry(table, cohort):
    means = limb_means(table, cohort, 3)
    return numbers(metric_numbers(LEVELS, means, VISITS, 0.95))


def test_asymmetry_of_planted_limbs():
    # I / U = 0.8 in everyone; at follow-up U has lost a tenth, so the ratio looks better (0.889)
    # although the involved limb has not changed: against the first visit it is still 0.8.
    found = asymmetry(summaries(), people())
    base = "asymmetry.peak_vgrf.plate.single_leg_drop_landing"
    for term, ratio in (
        ("clearance.same_visit", 0.8),
        ("follow_up.same_visit", 0.8 / 0.9),
        ("follow_up.first_visit", 0.8),
    ):
        row = found.loc[f"{base}.{term}.limb_symmetry_index"]
        assert row["estimate"] == pytest.approx(100 * ratio)
        assert row["n_athletes"] == 12
        assert found.loc[f"{base}.{term}.log_ratio", "estimate"] == pytest.approx(np.log(ratio))
        assert found.loc[f"{base}.{term}.geometric_mean_ratio", "estimate"] == pytest.approx(ratio)
        limbs = [
            found.loc[f"{base}.{term}.{x}_mean", "estimate"] for x in ("involved", "uninvolved")
        ]
        assert limbs[0] / limbs[1] == pytest.approx(ratio)
        apart = found.loc[f"{base}.{term}.difference", "estimate"]
        assert limbs[0] - limbs[1] == pytest.approx(apart)
    assert f"{base}.clearance.first_visit.log_ratio" not in found.index


def test_nobody_with_two_operated_knees_and_nobody_with_one_limb():
    one_limb = summaries()
    gone = (one_limb["athlete_id"] == "A003") & (one_limb["limb"] == "uninvolved")
    found = asymmetry(one_limb.loc[~gone], people(bilateral=("A000", "A001")))
    assert set(found["n_athletes"].dropna()) == {9}
    few = asymmetry(summaries(athletes=4), people(athletes=4))
    assert set(few["quantity"]) == {"not_run"}
    assert few["note"].str.contains("athletes with both limbs: 4;").all()


def test_too_few_valid_trials_do_not_count():
    table = summaries()
    table.loc[table["athlete_id"] == "A002", "n_valid"] = 2
    assert "A002" not in set(limb_means(table, people(), 3)["athlete_id"])


def test_a_ratio_of_a_value_below_zero_is_refused():
    table = summaries()
    table.loc[0, "mean"] = -1.0
    found = asymmetry(table, people())
    assert found["note"].str.contains("use the difference").any()


def test_a_first_visit_that_nobody_made_is_no_baseline():
    later = limb_means(summaries().query("visit == 'follow_up'"), people(), 3)
    assert [(v, a) for v, a, *_ in comparisons(later, VISITS)] == [("follow_up", "same_visit")]
