"""Settings are strict, say what is near, and their JSON schemas are in step with the models."""

import json

import pytest

from shared.errors import StudyError
from shared.metric_dictionary import metrics
from shared.settings.json_schema import FOLDER, MODELS, schema_text
from shared.settings.load import load_settings
from shared.settings.strict import read_yaml, validate
from shared.settings.study import StudySettings
from shared.sources import ROOT


def test_the_shipped_settings_are_valid():
    settings = load_settings(ROOT / "config")
    assert settings.study.clearance_visit in settings.study.visits


@pytest.mark.parametrize("name", sorted(MODELS))
def test_json_schemas_are_in_step(name):
    stored = (FOLDER / f"{name}.json").read_text(encoding="utf-8")
    assert stored == schema_text(name), "run: python -m shared.settings.json_schema"


def test_the_json_schema_of_the_study_rejects_an_unknown_key():
    schema = json.loads(schema_text("study"))
    assert schema["additionalProperties"] is False


def test_an_unknown_key_names_the_nearest_right_one():
    content = read_yaml(ROOT / "config" / "study.yaml")
    content["shard"] = content.pop("shards")
    with pytest.raises(StudyError) as caught:
        validate(StudySettings, content, "study.yaml")
    rules = {problem.rule: problem for problem in caught.value.problems}
    assert rules["unknown_key"].mend == "did you mean 'shards'?"
    assert rules["missing_key"].column == "shards"


def test_a_key_written_twice_is_refused(tmp_path):
    file = tmp_path / "study.yaml"
    file.write_text("title: a\nshards: 1\ntitle: b\n")
    with pytest.raises(StudyError, match="written twice"):
        read_yaml(file)


def test_every_setting_carries_its_reason():
    """Each number in processing.yaml has a comment with its reason or source."""
    lines = (ROOT / "config" / "processing.yaml").read_text().splitlines()
    for line in lines:
        key, _, rest = line.strip().partition(":")
        if rest.strip()[:1].isdigit():
            assert "#" in rest, f"{key} has no reason beside it"


def test_the_metric_dictionary_is_complete():
    for metric in metrics().values():
        assert metric.range[0] < metric.range[1]
        assert set(metric.limbs) == set(metric.sensors)
        for text in (metric.definition, metric.formula, metric.source, metric.methods):
            assert len(text) >= 5, metric.id


def test_a_waist_sensor_never_gives_a_limb_of_a_two_leg_task():
    for metric in metrics().values():
        assert "each" not in metric.limbs.get("waist", ()), metric.id
