"""What must change, and what must not, when a whole study is recorded in another way.

Closed-form trials (`closed_movement`) are written, read and measured by the real steps, once as
they are and once changed. The expectations are those of the physics: an offset is taken out, forces
in body weights know no mass, the time of the trigger is no property of a landing, left and right
swap their limbs, a file format is only a container.
"""

import numpy as np
import pandas as pd
import pytest

from tests.known_answers.closed_study import plan, write_closed_study
from tests.known_answers.error_table import NATIVE
from tests.tiny_study.extracted import extract

RATE = 1000.0
KEY = ["landing_id", "metric", "sensor"]


@pytest.fixture(scope="module")
def measure(tmp_path_factory):
    """Returns a function that writes, reads and measures the study, changed as told."""

    def run(**changes):
        folder = tmp_path_factory.mktemp("study")
        rate = changes.pop("rate_hz", RATE)
        settings = write_closed_study(
            folder, rate, plan({"noise": 1}), processing=NATIVE, **changes
        )
        return extract(settings, settings.results_folder)

    return run


@pytest.fixture(scope="module")
def base(measure):
    return measure()


def values(tables):
    return tables["metrics"].set_index(KEY)["value"].astype(float)


def assert_same_values(changed, base, **tolerance):
    pd.testing.assert_series_equal(values(changed), values(base), check_exact=False, **tolerance)


@pytest.mark.parametrize("file_format", ["tsv", "parquet", "matlab", "bids_motion"])
def test_a_file_format_changes_nothing(measure, base, file_format):
    other = measure(file_format=file_format)
    for name in ("metrics", "landings"):
        left, right = other[name], base[name]
        # the file's own name and hash stand elsewhere; every value, sample and flag is the same
        pd.testing.assert_frame_equal(left, right, check_exact=True)


def test_c3d_changes_the_last_digits_only(measure, base):
    """Its samples have single precision, 6e-8 of the value; the file format does nothing else."""
    other = measure(file_format="c3d")
    assert_same_values(other, base, rtol=2e-5, atol=2e-5)
    for name in ("metrics", "landings"):
        places = [c for c in base[name] if c.endswith("_sample") or c in ("flags", "valid")]
        pd.testing.assert_frame_equal(other[name][places], base[name][places])


def test_an_offset_of_plates_and_gyroscopes_changes_nothing(measure, base):
    def with_offset(columns):
        plates = {n: v + 12.0 for n, v in columns.items() if n.startswith("force")}
        rates = {n: v + 0.7 for n, v in columns.items() if n.endswith("deg_s")}
        return columns | plates | rates

    assert_same_values(measure(change=with_offset), base, rtol=1e-9, atol=1e-9)


def test_a_heavier_athlete_has_the_same_values_in_body_weights(measure, base):
    """The threshold of contact, 20 N, is met a little sooner: times and what hangs on them."""

    def heavier(columns):
        return columns | {n: 1.5 * v for n, v in columns.items() if n.startswith("force")}

    changed = values(measure(change=heavier, mass_kg=1.5 * 70.0))
    before = values(base)
    peaks = before.index.get_level_values("metric") == "peak_vgrf"
    # The window of the peak ends at the lowest point, whose time hangs on the flight a little.
    np.testing.assert_allclose(changed[peaks], before[peaks], rtol=2e-4)
    times = before.index.get_level_values("metric").isin(["flight_time", "contact_time"])
    np.testing.assert_allclose(changed[times], before[times], atol=1e-3)


def test_time_before_the_movement_changes_times_only(measure, base):
    """Half a second more before the trigger: the same landings, 500 samples later."""

    def padded(columns):
        count = round(0.5 * RATE)
        longer = {name: np.concatenate([v[:count], v]) for name, v in columns.items()}
        return longer | {"time_s": np.arange(len(longer["time_s"])) / RATE}

    changed = measure(change=padded)
    # body weight and the biases come from another second of the same noise
    assert_same_values(changed, base, rtol=5e-3, atol=0.02)
    later, before = (t["landings"].set_index("landing_id") for t in (changed, base))
    shift = later["initial_contact_sample"] - before["initial_contact_sample"]
    assert set(shift) == {500}


def test_reversed_limbs_swap_the_limbs_and_leave_the_body(measure, base):
    def swapped(columns):
        def partner(name):
            if "left" in name:
                return name.replace("left", "right")
            return name.replace("right", "left")

        return {name: columns[partner(name)] for name in columns}

    two_legs = [
        table.loc[~table["task"].str.startswith("single_leg")]
        for table in (measure(change=swapped)["metrics"], base["metrics"])
    ]
    changed, before = (
        table.set_index(["task", "trial", "landing", "metric", "sensor", "side"])["value"]
        for table in two_legs
    )
    other = before.rename(index={"left": "right", "right": "left"}, level="side").sort_index()
    pd.testing.assert_series_equal(changed.sort_index(), other, check_exact=False, rtol=1e-12)


def test_the_other_leg_on_the_other_plate_has_the_same_values(tmp_path_factory, base):
    """A single-leg landing on the right: all columns swapped, and the table of recordings."""

    def swapped(columns):
        names = {"left": "right", "right": "left"}
        return {
            name: columns[
                next((name.replace(a, b) for a, b in names.items() if f"_{a}_" in name), name)
            ]
            for name in columns
        }

    settings = write_closed_study(
        tmp_path_factory.mktemp("study"), RATE, plan({"noise": 1}), processing=NATIVE,
        change=swapped,
    )  # fmt: skip
    path = settings.study_folder / "recordings.csv"
    rows = pd.read_csv(path)
    single = rows["task"].str.startswith("single_leg")
    rows.loc[single, "limb"] = "right"
    rows.to_csv(path, index=False)
    tables = (extract(settings, settings.results_folder)["metrics"], base["metrics"])
    right, left = (
        table.loc[table["task"].str.startswith("single_leg")].set_index(["metric", "sensor"])
        for table in tables
    )
    assert set(right["side"]) == {"right"}
    assert set(left["side"]) == {"left"}
    assert set(right["limb"]) == {"uninvolved"}
    assert set(left["limb"]) == {"involved"}
    pd.testing.assert_series_equal(right["value"], left["value"], check_exact=False, rtol=1e-12)
    pd.testing.assert_series_equal(right["flags"], left["flags"])
