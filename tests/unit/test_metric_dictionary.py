"""The dictionary says only what the settings and the sensors can hold."""

import re

import pytest

from pipeline.extraction.tasks import LANDINGS
from shared.metric_dictionary import UNFILTERED, metrics
from shared.settings.load import load_settings
from shared.sources import ROOT

PROCESSING = load_settings(ROOT / "config").processing.model_dump()


@pytest.mark.parametrize("metric", metrics().values(), ids=lambda metric: metric.id)
def test_every_setting_that_a_text_names_exists(metric):
    texts = (metric.definition, metric.formula, metric.window, metric.signal)
    for section, name in re.findall(
        r"\b(windows|metric_limits|events|filtering|quality)\.(\w+)", " ".join(texts)
    ):
        assert name in PROCESSING[section], f"{section}.{name}"
    for name in re.findall(r"{(\w+)}", metric.methods):
        assert name in PROCESSING["windows"], name
        assert name.endswith("_s"), f"{name} would be printed in milliseconds"


@pytest.mark.parametrize("metric", metrics().values(), ids=lambda metric: metric.id)
def test_every_task_and_landing_exists(metric):
    for task, landings in metric.tasks.items():
        assert task in LANDINGS
        assert set(landings) <= set(range(1, LANDINGS[task] + 1)), task


def test_instructed_landings_have_the_metrics_of_the_plain_one_on_the_plates():
    for metric in metrics().values():
        if "plate" in metric.sensors:
            plain = metric.tasks.get("single_leg_drop_landing")
            for style in ("soft", "stiff"):
                assert metric.tasks.get(f"single_leg_drop_landing_{style}") == plain, metric.id


def test_what_a_sensor_cannot_give_is_not_there():
    """Physics: a waist unit sees both legs as one; flight times need equal heights; no moments."""
    for metric in metrics().values():
        for sensor in ("waist", "reference_accelerometer"):
            assert "each" not in metric.limbs.get(sensor, ()), metric.id
        if "flight_time" in metric.id:
            assert "box_jump" not in metric.tasks, metric.id
            assert 1 not in metric.tasks.get("drop_vertical_jump", ()) or metric.unit == "m/s"
        assert not re.search(r"moment|torque|absorption|estimated", metric.id)
        assert metric.unit not in ("N·m", "N·m/kg")
        # force and what follows from it is measured by a plate only
        if metric.unit.startswith(("BW", "N·s", "kN", "J")):
            assert metric.sensors == ("plate",), metric.id


@pytest.mark.parametrize("metric", metrics().values(), ids=lambda metric: metric.id)
def test_every_sensor_has_its_filter_and_the_words_say_the_same(metric):
    assert set(metric.filter) == set(metric.sensors) == set(metric.limbs)
    filtering = PROCESSING["filtering"]
    for sensor in metric.sensors:
        cutoff = metric.cutoff_hz(sensor, filtering)
        if metric.filter[sensor] == UNFILTERED:
            assert cutoff is None
            assert "filtered as" not in metric.signal
        else:
            assert cutoff == filtering[metric.filter[sensor]] > 0.0
    # DOMAIN 3.1 and 3.2: smooth metrics of force and impact from the filtered copy, all else raw
    assert ("filtered as set for force" in metric.signal) == ("force_hz" in metric.filter.values())
