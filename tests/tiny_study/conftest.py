"""What the end-to-end tests share."""

import pytest

from shared.settings.load import load_settings
from tests.tiny_study.audited import write_audited_study
from tests.tiny_study.extracted import extract
from tests.tiny_study.real_study import write_settings, write_study


@pytest.fixture(scope="session")
def real_settings_folder(tmp_path_factory):
    """The settings of the study made of open recordings; study and results lie beside them."""
    folder = tmp_path_factory.mktemp("real") / "config"
    write_settings(folder)
    return folder


@pytest.fixture(scope="session")
def real(real_settings_folder):
    """The open recordings through intake, extraction and collecting: recording ids, tables."""
    settings = load_settings(real_settings_folder)
    ids = write_study(settings.study_folder)
    return ids, extract(settings, settings.results_folder)


@pytest.fixture(scope="session")
def audited(tmp_path_factory):
    """Root of a small finished study; not to be changed, tests copy it."""
    root = tmp_path_factory.mktemp("audited")
    write_audited_study(root)
    return root
