"""One thread for linear algebra in all tests, set before numpy is loaded; long tests first."""

import os

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[variable] = "1"


def pytest_collection_modifyitems(items):
    """Start the file that runs a whole study first: the others then fill the other cores.

    The file that looks at the pages of that study comes last, when it is there.
    """
    order = {"test_end_to_end.py": 0, "test_browser.py": 2}
    items.sort(key=lambda item: order.get(item.path.name, 1))
