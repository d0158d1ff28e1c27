"""What the end-to-end tests share."""

import pytest

from shared.settings.load import load_settings
from tests.tiny_study.extracted import extract
from tests.tiny_study.real_study import write_settings, write_study


@pytest.fixture(scope="session")
def real(tmp_path_factory):
    """The open recordings through intake, extraction and collecting: recording ids, tables."""
    root = tmp_path_factory.mktemp("real")
    write_settings(root / "config")
    ids = write_study(root / "study")
    settings = load_settings(root / "config")
    return ids, extract(settings, settings.results_folder)
