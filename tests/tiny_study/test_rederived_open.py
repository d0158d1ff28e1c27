"""The second path on open recordings of jumps, beside the pipeline's table of the same study.

Sources: as in test_real_recordings.py.
"""

import pandas as pd

from analysis.audit.comparison import ANALYSIS
from analysis.audit.rederive import RawStudy, rederived_numbers
from analysis.estimates import estimates_table
from shared.settings.load import load_settings
from tests.tiny_study.real_study import needs_open_recordings

pytestmark = needs_open_recordings


def test_real_jumps_measured_twice(real, real_settings_folder):
    settings = load_settings(real_settings_folder)
    tables = real[1]
    people = pd.read_csv(settings.study_folder / "athletes.csv")
    study = RawStudy(
        settings.study_folder,
        tables["recordings"],
        tables["calibrations"],
        tables["unit_calibrations"],
        dict(zip(people["athlete_id"], people["mass_kg"], strict=True)),
        settings.devices,
        settings.processing,
    )
    plan = settings.plan.audit.rederivation.model_dump()
    numbers, pairs = rederived_numbers(study, tables["metrics"], plan | {"share": 1.0})
    found = estimates_table(numbers).set_index("number_id")["estimate"]
    for metric in ("peak_vgrf", "flight_time", "impulse_first_100_ms"):
        assert found[f"{ANALYSIS}.{metric}.plate.all.compared"] >= 8
        assert found[f"{ANALYSIS}.{metric}.plate.all.passed"] == 1.0
    assert pairs["second"].notna().all()
