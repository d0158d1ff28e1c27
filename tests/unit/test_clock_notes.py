"""Who prepares a study is told of devices that no stomp can put on the clock of a trial."""

import pytest

from pipeline.intake.clock_notes import notes_on_clocks
from shared.settings.load import load_settings
from shared.sources import ROOT

SETTINGS = load_settings(ROOT / "config")


def told(profiles=SETTINGS.devices, **harbour):
    study = SETTINGS.study.model_dump()
    study["sites"]["harbour"] |= harbour
    return notes_on_clocks(type(SETTINGS.study).model_validate(study), profiles)


@pytest.mark.parametrize(
    "harbour",
    [
        {},  # the demo: the camera shares the clock of the plates
        {"shared_clocks": [], "synchronisation": "trigger"},
        {"shared_clocks": [], "devices": ["plates_pair", "wearables_fast", "reference_unit"]},
        {"shared_clocks": [], "devices": ["camera_knee"]},  # nothing to synchronise
    ],
)
def test_nothing_to_tell(harbour):
    assert told(**harbour) == []


def test_a_camera_that_shares_no_clock_is_named():
    (note,) = told(shared_clocks=[])
    assert note.file == "study.yaml"
    assert "sites.harbour: no stomp shows to camera_knee" in note.text
    assert "shared_clocks" in note.text
    # A clock shared by two others does not help it, nor one with a device that feels none either.
    assert told(shared_clocks=[["plates_pair", "reference_unit"]]) == [note]
    blind = {name: SETTINGS.devices["camera_knee"] for name in ("camera_knee", "camera_hip")}
    two = ["plates_pair", *blind]
    notes = told(shared_clocks=[[*blind]], devices=two, profiles=SETTINGS.devices | blind)
    assert [name for name in blind if any(name in note.text for note in notes)] == [*blind]
