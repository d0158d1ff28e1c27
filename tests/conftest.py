"""One thread for linear algebra in all tests, set before numpy is loaded; long tests first."""

import os

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[variable] = "1"


def pytest_collection_modifyitems(items):
    """Start the file that runs a whole study first: the others then fill the other cores."""
    items.sort(key=lambda item: item.path.name != "test_end_to_end.py")
